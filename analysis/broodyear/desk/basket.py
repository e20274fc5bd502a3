"""The basket: files that were handed over and wait, on disk, until the person says what to do with them.

Names that people give their files are shown as text, and never used as a path.
"""

from __future__ import annotations

import os
import re
import shutil
import threading
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from broodyear.desk.workplace import Workplace, read_json, write_json
from broodyear.errors import UsageError

#: The largest file the desk takes; said on the page.
LARGEST_FILE_BYTES = 4_000_000_000
TOO_LARGE = f"the file is larger than {LARGEST_FILE_BYTES // 10**9} GB, the most the desk takes; split it"
#: So much of the disk stays free: the store needs room to grow.
KEPT_FREE_BYTES = 500_000_000
MOST_FILES = 5_000
#: A name that no file of a person can get.
_ABOUT = ".about.json"
# Numbers are given out by one thread at a time, and none twice: a page that shows file 3 never means another file.
_numbering = threading.Lock()
_last_numbers: dict[Path, int] = {}
#: A name longer than this is cut: no table needs it.
LONGEST_SHOWN = 200
LONGEST_ON_DISK = 80
#: So many folders above a file are shown with it.
FOLDERS_SHOWN = 3

_ENDING = re.compile(r"\.(csv|tsv|txt)(\.gz)?$", re.IGNORECASE)
#: Names that some systems keep for devices, whatever their ending.
_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)


@dataclass(frozen=True)
class Waiting:
    """A file in the basket. shown: its name as text; path: where it lies; size in bytes; given: the name it came
    with, which differs from shown when another file has the same."""

    number: int
    shown: str
    given: str
    path: Path
    size: int


class Basket:
    """The waiting files of one workplace."""

    def __init__(self, workplace: Workplace) -> None:
        self._folder = workplace.files

    def listed(self) -> list[Waiting]:
        """The files that arrived whole, in order of arrival."""
        folders = sorted(path for path in self._folder.glob("*") if path.name.isdigit())
        return [waiting for folder in folders if (waiting := _read(folder)) is not None]

    def add(self, given: str, pieces: Iterable[bytes]) -> Waiting:
        """Write ``pieces`` to disk as they come. Raises UsageError when the file is too large for here."""
        shown = shown_name(given)
        folder = self._new_folder()
        path = folder / disk_name(shown)
        try:
            size = _write(path, pieces)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        with _numbering:
            free = free_name(shown, {waiting.shown for waiting in self.listed()})
            write_json(folder / _ABOUT, {"shown": free, "given": shown, "file": path.name, "size": size})
        return Waiting(int(folder.name), free, shown, path, size)

    def remove(self, number: int) -> None:
        """Take one file out; nothing happens when it is not there."""
        shutil.rmtree(self._folder / f"{number:06d}", ignore_errors=True)

    def clear_cut_off(self) -> None:
        """Take out what a killed desk did not receive whole."""
        for folder in list(self._folder.glob("*")):
            if _read(folder) is None:
                shutil.rmtree(folder, ignore_errors=True)

    def _new_folder(self) -> Path:
        with _numbering:
            taken = [int(path.name) for path in self._folder.glob("*") if path.name.isdigit()]
            if len(taken) >= MOST_FILES:
                raise UsageError(f"{MOST_FILES:,} files wait already; load them or take them away first")
            number = max(*taken, _last_numbers.get(self._folder, 0), 0) + 1
            folder = self._folder / f"{number:06d}"
            folder.mkdir(parents=True)
            _last_numbers[self._folder] = number
        return folder


def _read(folder: Path) -> Waiting | None:
    about = read_json(folder / _ABOUT)
    if not isinstance(about, dict):
        return None
    try:
        path = folder / disk_name(str(about["file"]))
        return Waiting(int(folder.name), str(about["shown"]), str(about["given"]), path, int(about["size"]))
    except (KeyError, ValueError):
        return None


def _write(path: Path, pieces: Iterable[bytes]) -> int:
    size = 0
    with path.open("wb") as out:
        for piece in pieces:
            size += len(piece)
            if size > LARGEST_FILE_BYTES:
                raise UsageError(TOO_LARGE)
            try:
                out.write(piece)
            except OSError as error:
                raise UsageError(
                    f"the file could not be kept on this computer's disk ({error.strerror})"
                ) from None
    return size


def room_for(size: int, folder: Path) -> bool:
    """Whether the disk has room for ``size`` more bytes."""
    return shutil.disk_usage(folder).free - size > KEPT_FREE_BYTES


def shown_name(given: str) -> str:
    """``given`` as text on one line: no control characters, no empty or dotted folders, not too long."""
    parts = [_printable(part).strip() for part in re.split(r"[\\/]", given)]
    kept = [part for part in parts if part not in {"", ".", ".."}][-1 - FOLDERS_SHOWN :]
    if not kept:
        return "unnamed"
    folders, name = kept[:-1], kept[-1]
    stem, ending = _split(name)
    return "/".join([*(folder[:60] for folder in folders), stem[: LONGEST_SHOWN - len(ending)] + ending])


def disk_name(shown: str) -> str:
    """A bare file name of plain letters from which the table can still be told; it leads nowhere."""
    stem, ending = _split(shown.rsplit("/", 1)[-1])
    stem = re.sub(r"[^A-Za-z0-9_\-() ]+", "_", stem).strip(" _.-")[:LONGEST_ON_DISK] or "file"
    if _DEVICES.fullmatch(stem):
        stem = f"file_{stem}"
    return stem + re.sub(r"[^A-Za-z0-9.]", "", ending)[:12].lower()


def free_name(shown: str, taken: set[str]) -> str:
    """``shown``, or with a number before its ending when it is among ``taken``."""
    name, number = shown, 1
    stem, ending = _split(shown)
    while name in taken:
        number += 1
        name = f"{stem} ({number}){ending}"
    return name


def _split(name: str) -> tuple[str, str]:
    found = _ENDING.search(name)
    if found:
        return name[: found.start()], found.group()
    stem, dot, ending = name.rpartition(".")
    return (stem, dot + ending) if stem and 0 < len(ending) <= 5 else (name, "")


def _printable(text: str) -> str:
    return "".join(character if character.isprintable() else " " for character in text)


class NamedFile(os.PathLike[str]):
    """A file that is shown under the name its sender gave it, and read from where it lies."""

    def __init__(self, shown: str, path: Path) -> None:
        self._shown = shown
        self._place = path

    def __str__(self) -> str:
        return self._shown

    def __fspath__(self) -> str:
        return str(self._place)
