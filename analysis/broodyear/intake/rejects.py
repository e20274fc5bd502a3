"""A copy of the rejected rows of each file, with a last column ``problems``, ready to be mended and sent again."""

from __future__ import annotations

import csv
import re
from pathlib import Path

from broodyear.intake.filing import Filed
from broodyear.intake.rejected import Rejected
from broodyear.store.formulas import guarded

#: Header of the last column of a copy.
PROBLEMS = "problems"


def write_rejects(folder: Path, filed: list[Filed]) -> list[Path]:
    """Write one CSV per file that has rejected rows into ``folder``; returns the files written."""
    written: list[Path] = []
    for file in filed:
        if not any(row.mendable for row in file.rejected):
            continue
        folder.mkdir(parents=True, exist_ok=True)
        place = _free_name(folder, file.report.path, written)
        # Columns of an earlier copy's problems are told anew.
        own = [number for number, name in enumerate(file.header) if name.strip().lower() != PROBLEMS]
        with place.open("w", encoding="utf-8", newline="") as out:
            writer = csv.writer(out, lineterminator="\n", delimiter=file.separator)
            writer.writerow([*(file.header[number] for number in own), PROBLEMS])
            writer.writerows(_mendable(row, own, file) for row in file.rejected if row.mendable)
        written.append(place)
    return written


def _mendable(row: Rejected, own: list[int], file: Filed) -> list[str]:
    """The cells of a row under their header, and what is wrong with them.

    Surplus cells must stay wrong until they are mended. In the last cell they are, unless that takes any text;
    then they stand behind the problems, too many for the header.
    """
    cells = [row.cells[number] if number < len(row.cells) else "" for number in own]
    surplus = list(row.cells[len(file.header) :])
    if surplus and not file.last_is_text:
        cells[-1] = file.separator.join([cells[-1], *surplus])
        surplus = []
    return [guarded(cell) for cell in [*cells, row.problems, *surplus]]


def _free_name(folder: Path, path: str, taken: list[Path]) -> Path:
    """A name made from the upload's own that cannot lead out of ``folder``."""
    name = re.split(r"[\\/]", path)[-1]
    stem = re.sub(r"\.(csv|tsv|txt)(\.gz)?$", "", name, flags=re.IGNORECASE)
    stem = re.sub(r"[^\w\-]+", "_", stem).strip("_")[:80] or "standard_input"
    place, number = folder / f"{stem}.csv", 1
    while place in taken:
        number += 1
        place = folder / f"{stem}_{number}.csv"
    return place
