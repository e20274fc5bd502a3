"""The uploads that paths mean: single files, folders searched in name order, and standard input."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from broodyear.errors import UnreadableFile
from broodyear.findings import Skipped
from broodyear.intake.sources.archives import in_archive, is_archive
from broodyear.intake.sources.workbooks import Sheet, is_workbook, sheets_of
from broodyear.outputs import RECORD, Written, writer_of_result

STDIN = "-"
#: Endings of the files that a folder or an archive is searched for.
TEXTS = (".csv", ".tsv", ".txt", ".csv.gz", ".tsv.gz", ".txt.gz")
WORKBOOKS = (".xlsx", ".xlsm", ".xls", ".ods")
ARCHIVES = (".zip",)
ENDINGS = (*TEXTS, *WORKBOOKS, *ARCHIVES)


@dataclass(frozen=True)
class Source:
    """One upload to be read. shown: the path as the user gave it, with what leads into an archive or a workbook;
    name: bare name of its file; path: that file, None for standard input; container: shown path of the file that
    holds it with others (an archive, a workbook), None when it stands alone."""

    shown: str
    name: str
    path: Path | None
    stream: BinaryIO | None = None
    sheet: Sheet | None = None
    container: str | None = None


@dataclass(frozen=True)
class Missing:
    """A path that leads to nothing readable, with the reason."""

    shown: str
    message: str
    advice: str


@dataclass
class Sources:
    """The uploads of a call in order, what was passed over with its reason, and what could not be read at all."""

    found: list[Source] = field(default_factory=list)
    skipped: list[Skipped] = field(default_factory=list)
    missing: list[Missing] = field(default_factory=list)


def find_sources(paths: Iterable[str | Path], stdin: BinaryIO | None, scratch: Path) -> Sources:
    """The uploads that ``paths`` mean, each file once. scratch: a folder for what is unpacked."""
    sources = Sources()
    seen: set[str] = set()
    for path in paths:
        try:
            for shown, file in _files(path, sources):
                identity = os.path.realpath(file)
                if identity not in seen:
                    seen.add(identity)
                    _open_file(shown, file, sources, scratch, re.split(r"[\\/]", shown)[-1])
            if str(path) == STDIN and STDIN not in seen:
                seen.add(STDIN)
                if stdin is None:
                    advice = "Name a file or a folder instead of -."
                    raise UnreadableFile("nothing was sent on standard input", advice)
                sources.found.append(Source(STDIN, "", None, stdin))
        except UnreadableFile as error:
            sources.missing.append(Missing(str(path), *error.args))
    return sources


def _files(path: str | Path, sources: Sources) -> Iterator[tuple[str, Path]]:
    """The files that one path means, each with the name it is shown by."""
    if str(path) == STDIN:
        return
    file = Path(path)
    if file.is_dir():
        yield from _in_folder(file, sources)
    elif file.is_file():
        yield str(path), file
    elif file.exists():
        raise UnreadableFile("it is neither a file nor a folder", "Name a file or a folder.")
    else:
        raise UnreadableFile("there is no such file or folder", "Check the spelling and the folder it is in.")


def _in_folder(folder: Path, sources: Sources) -> Iterator[tuple[str, Path]]:
    found = False
    records: dict[Path, dict[str, Written]] = {}
    for path in _walk(folder):
        reason = _passed_over(path, path.name)
        writer = writer_of_result(path, records) if reason is None else None
        if writer is not None:
            reason = f"a result that `broodyear {writer}` wrote, and no record"
        if reason is None:
            found = True
            yield str(path), path
        else:
            sources.skipped.append(Skipped(str(path), reason))
    if not found:
        endings = ", ".join(ENDINGS)
        raise UnreadableFile(
            f"the folder holds no file that ends in {endings}", "Name the folder with the records."
        )


def _walk(folder: Path) -> Iterator[Path]:
    """Files below ``folder`` in name order; a hidden folder comes as itself, without what is in it."""
    try:
        inside = sorted(folder.iterdir())
    except OSError:
        yield folder
        return
    for path in inside:
        if path.is_dir() and not path.name.startswith(".") and not path.is_symlink():
            yield from _walk(path)
        else:
            yield path


def _passed_over(path: Path, name: str) -> str | None:
    """Why a file met in a search is not read; None when it is."""
    kind = "folder" if path.is_dir() else "file"
    if path.is_symlink() and path.is_dir():
        return "a link to a folder"
    if kind == "folder" and not name.startswith("."):
        return "a folder that cannot be opened"
    if name == RECORD:
        return "the record of what broodyear wrote there"
    if name.startswith("."):
        return f"a hidden {kind}"
    # A part of an export that is no upload: its derived tables and its history.
    whole = path.parent.parent
    is_marked = (whole / "datapackage.json").exists() or (whole / RECORD).exists()
    if path.parent.name in {"derived", "history"} and is_marked:
        return "a by-product of an export, made anew from the other tables"
    return not_read(name) or (None if path.is_file() else "neither a file nor a folder")


def not_read(name: str) -> str | None:
    """Why a file of this name is not read in a search; None when it is."""
    if name.startswith("~$"):
        return "the mark of a workbook that is open in another program"
    if name.lower().endswith(ENDINGS):
        return None
    ending = re.search(r"\.[A-Za-z0-9]{1,8}$", name)
    return f"not a table: files ending in {ending[0].lower()} are not read" if ending else "not a table: no ending"


def _open_file(
    shown: str, path: Path, sources: Sources, scratch: Path, name: str, archive: str | None = None
) -> None:
    """Take in one file: an archive or a workbook with what it holds, any other as itself."""
    try:
        if is_workbook(path, name):
            _open_workbook(shown, path, sources, name)
        elif not is_archive(path, name):
            sources.found.append(Source(shown, name, path, container=archive))
        elif archive is not None:
            inside = "an archive inside an archive; unpack it and send what it holds"
            sources.skipped.append(Skipped(shown, inside))
        else:
            for inner, unpacked, reason in in_archive(path, scratch, not_read):
                if reason is None:
                    _open_file(f"{shown}/{inner}", unpacked, sources, scratch, PurePosixPath(inner).name, shown)
                else:
                    sources.skipped.append(Skipped(f"{shown}/{inner}", reason))
    except UnreadableFile as error:
        sources.missing.append(Missing(shown, *error.args))


def _open_workbook(shown: str, file: Path, sources: Sources, name: str) -> None:
    before = len(sources.found)
    for sheet, reason in sheets_of(file):
        path = f"{shown}#{sheet.name}"
        if reason is None:
            sources.found.append(Source(path, name, file, sheet=sheet, container=shown))
        else:
            sources.skipped.append(Skipped(path, reason))
    if len(sources.found) == before:
        raise UnreadableFile("no sheet of the workbook holds anything", "Send the workbook with its records.")
