"""Where the desk keeps its things: one folder beside the store, held by one desk at a time."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from broodyear.errors import StoreUnavailable, UsageError
from broodyear.layouts import LAYOUTS_FILE
from broodyear.settings import SETTINGS_FILE

#: Read and written by the owner alone.
PRIVATE_FOLDER = 0o700


class _Inside:
    """A folder of a workplace, called as it is."""

    def __init__(self, what: str) -> None:
        self.__doc__ = what

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    def __get__(self, workplace: Workplace, owner: type) -> Path:
        return workplace.folder / self._name


@dataclass(frozen=True)
class Workplace:
    """The folders of one store's desk. store: the store file, which need not exist yet."""

    store: Path

    @property
    def folder(self) -> Path:
        """Everything the desk keeps for itself."""
        return self.store.with_name(f"{self.store.name}.desk")

    files = _Inside("The files that wait to be loaded, each in a numbered folder.")
    checked = _Inside("What the last look at the waiting files found.")
    loaded = _Inside("What the last load found.")
    picture = _Inside("What was last counted in the store.")
    columns = _Inside("The sheets whose columns are being explained.")
    plans = _Inside("What was last planned for a season to come.")
    work = _Inside("Passing files of the running work.")

    @property
    def reports(self) -> Path:
        """Where reports are written and read; the same place as for the command line run beside the store."""
        return self.store.parent / "reports"

    @property
    def demo(self) -> Workplace:
        """The workplace of the demonstration that belongs to this store."""
        return Workplace(self.store.parent / "demo" / "broodyear.duckdb")

    def prepare(self) -> None:
        """Make the folders, and clear what a desk that was killed left half-done. Raises UsageError."""
        shutil.rmtree(self.work, ignore_errors=True)
        self.prepare_folder()

    def prepare_folder(self) -> None:
        """Make the folders. Raises UsageError where they cannot be made."""
        try:
            # What lies here names tanks, places and people: it is for nobody else on this computer.
            self.folder.mkdir(mode=PRIVATE_FOLDER, parents=True, exist_ok=True)
            self.folder.chmod(PRIVATE_FOLDER)
            self.files.mkdir(exist_ok=True)
            self.work.mkdir(exist_ok=True)
        except OSError as error:
            raise UsageError(
                f"the desk cannot keep its files beside {self.store} ({error.strerror}); "
                "name a store in a folder you may write to with --store"
            ) from None

    def state(self) -> list[int]:
        """What tells one state of the store from another: empty when there is no store."""
        try:
            found = self.store.stat()
        except OSError:
            return []
        wal = self.store.with_name(self.store.name + ".wal")
        return [found.st_mtime_ns, found.st_size, wal.stat().st_size if wal.exists() else 0]

    def reading(self, settings: str | Path | None, layouts: str | Path | None) -> list[int]:
        """What tells one reading of the store from another: its state, and when the files of settings and of
        joined labels were written (those beside the store unless named); empty when there is no store."""
        state = self.state()
        beside = self.store.parent
        files = Path(settings or beside / SETTINGS_FILE), Path(layouts or beside / LAYOUTS_FILE)
        return [*state, *(file.stat().st_mtime_ns if file.exists() else 0 for file in files)] if state else []


class AlreadyOpen(StoreUnavailable):
    """Another desk is open for the store. address: lets one more browser in, once."""

    def __init__(self, store: Path, address: str) -> None:
        super().__init__(f"another desk is open for {store} at {address}; use that page, or close that desk first")
        self.address = address


@contextmanager
def held(workplace: Workplace) -> Iterator[Callable[[str], None]]:
    """The workplace for this process alone; given back by the system even when the process is killed.

    Gives a function that leaves an address of the desk for whoever comes second; nobody else can read it. Raises
    AlreadyOpen when another desk holds the workplace.
    """
    workplace.prepare_folder()
    with (workplace.folder / "held").open("a+", encoding="utf-8") as file:
        try:
            _lock(file)
        except OSError:
            file.seek(0)
            raise AlreadyOpen(workplace.store, file.read(200).strip()) from None

        def tell(address: str) -> None:
            file.seek(0)
            file.truncate(0)
            file.write(address)
            file.flush()

        yield tell


def _lock(file: IO[str]) -> None:
    if os.name == "nt":  # pragma: no cover - another system
        import msvcrt

        # A byte far behind the text, so that others can still read the address.
        file.seek(1 << 20)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        return
    import fcntl

    fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)


def read_json(path: Path) -> Any:
    """The content of a JSON file of ours; None when it is missing or was cut off."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None


_read_once: dict[Path, tuple[int, Any]] = {}


def read_once(file: Path, made_of: Callable[[Any], Any]) -> Any:
    """What is made of a JSON file of ours, once for each time it is written; None when there is no such file, and
    when nothing could be made of it because it was cut off or written by an earlier version."""
    try:
        written = file.stat().st_mtime_ns
    except OSError:
        return None
    known = _read_once.get(file)
    if known is None or known[0] != written:
        try:
            known = (written, made_of(read_json(file)))
        except (TypeError, KeyError):
            return None
        _read_once[file] = known
    return known[1]


def write_json(path: Path, content: Any) -> None:
    """Write a JSON file whole or not at all."""
    part = path.with_name(f".{path.name}.part")
    part.write_text(json.dumps(content, ensure_ascii=False), encoding="utf-8")
    part.replace(path)


def replace_folder(new: Path, path: Path) -> None:
    """Put folder ``new`` in the place of ``path``; whoever looks sees the old one or the new one."""
    old = path.with_name(f".{path.name}.old")
    shutil.rmtree(old, ignore_errors=True)
    if path.exists():
        path.rename(old)
    new.rename(path)
    shutil.rmtree(old, ignore_errors=True)
