"""A copy of the rejected rows of each file, ready to be mended and sent again.

Behind the columns of the file stand ``mends``, which says what it mends when it comes back (of a loaded file), and
``problems``, which says what is wrong with it.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Sequence
from io import BytesIO
from pathlib import Path

from broodyear.errors import UsageError
from broodyear.findings import mend_name
from broodyear.formulas import guarded
from broodyear.intake.rejected import MENDS, Filed, FiledPart, Rejected
from broodyear.intake.sources import Source, find_sources
from broodyear.outputs import new_file, require_file
from broodyear.workspace import working_folder

#: Header of the last column of a copy.
PROBLEMS = "problems"

#: As the record of outputs names these copies, whichever command wrote them.
REJECTS = "load --rejects"


def require_rejects_of(paths: Iterable[str | Path], folder: Path) -> None:
    """As ``require_rejects``, of the files that ``paths`` mean: before a store is made for them."""
    with working_folder() as scratch:
        require_rejects(folder, find_sources(paths, BytesIO(), scratch).found)


def require_rejects(folder: Path, sources: Sequence[Source]) -> None:
    """Raise UsageError, before anything is read, unless copies of the rejected rows may be written to ``folder``.

    No file that is to be read may lie in the folder, and no copy may replace one that somebody is mending.
    """
    places = [source.place for source in sources if source.place is not None]
    inside = [place for place in places if place.resolve().is_relative_to(folder.resolve())]
    if inside:
        raise UsageError(
            f"the folder of --rejects, {folder}, holds {inside[0]}, which is to be read; name another folder with "
            "--rejects, so that no file is replaced by its own rejected rows"
        )
    if os.path.lexists(folder) and not folder.is_dir():
        raise UsageError(f"{folder} is a file; name a folder with --rejects")
    names: list[str] = []
    for source in sources:
        names.append(mend_name(source.shown, names))
        require_file(folder / names[-1], REJECTS, "--rejects")


def write_rejects(folder: Path, filed: list[Filed], option: str = "--rejects") -> list[Path]:
    """Write one CSV into ``folder`` for each table of an upload with rejected rows; returns the files written.

    Raises UsageError, and writes none, when one of them would replace a file that somebody is mending.
    """
    copies = _copies(folder, filed)
    require_copies(folder, filed, option)
    for place, (part, upload) in copies.items():
        with new_file(place, REJECTS, option) as new:
            _write_copy(new, part, upload)
    return list(copies)


def require_copies(folder: Path, filed: list[Filed], option: str) -> None:
    """Raise UsageError unless ``write_rejects`` may write its files."""
    for place in _copies(folder, filed):
        require_file(place, REJECTS, option)


def _copies(folder: Path, filed: list[Filed]) -> dict[Path, tuple[FiledPart, int | None]]:
    """Where the rejected rows of each table of each upload are to be written."""
    copies: dict[str, tuple[FiledPart, int | None]] = {}
    for file in filed:
        for part in file.parts:
            if any(row.mendable for row in part.rejected):
                name = f"{file.report.path}_{part.table}" if len(file.parts) > 1 else file.report.path
                copies[mend_name(name, copies)] = part, file.upload
    return {folder / name: copy for name, copy in copies.items()}


def _write_copy(place: Path, file: FiledPart, upload: int | None) -> None:
    # What an earlier copy said in these two columns is told anew.
    own = [number for number, name in enumerate(file.header) if name.strip().lower() not in (MENDS, PROBLEMS)]
    with place.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n", delimiter=file.separator)
        marked = [] if upload is None else [MENDS]
        writer.writerow([*(file.header[number] for number in own), *marked, PROBLEMS])
        writer.writerows(_mendable(row, own, file, upload) for row in file.rejected if row.mendable)


def _mendable(row: Rejected, own: list[int], file: FiledPart, upload: int | None) -> list[str]:
    """The cells of a row under their header, and what is wrong with them.

    Surplus cells must stay wrong until they are mended. In the last cell they are, unless that takes any text;
    then they stand behind the problems, too many for the header.
    """
    cells = [row.cells[number] if number < len(row.cells) else "" for number in own]
    surplus = list(row.cells[len(file.header) :])
    if surplus and not file.last_is_text:
        cells[-1] = file.separator.join([cells[-1], *surplus])
        surplus = []
    mends = [] if upload is None else [f"{upload}#{row.line}"]
    return [guarded(cell) for cell in [*cells, *mends, row.problems, *surplus]]
