"""A copy of the rejected rows of each file, with a last column ``problems``, ready to be mended and sent again."""

from __future__ import annotations

import csv
import re
from pathlib import Path

from broodyear.intake.filing import Filed
from broodyear.store.formulas import guarded


def write_rejects(folder: Path, filed: list[Filed]) -> list[Path]:
    """Write one CSV per file that has rejected rows into ``folder``; returns the files written."""
    written: list[Path] = []
    for file in filed:
        if not any(row.mendable for row in file.rejected):
            continue
        folder.mkdir(parents=True, exist_ok=True)
        place = _free_name(folder, file.report.path, written)
        with place.open("w", encoding="utf-8", newline="") as out:
            writer = csv.writer(out, lineterminator="\n")
            writer.writerow([*file.header, "problems"])
            width = len(file.header)
            writer.writerows(
                [guarded(cell) for cell in [*_fitted(row.cells, width), row.problems]]
                for row in file.rejected
                if row.mendable
            )
        written.append(place)
    return written


def _fitted(cells: tuple[str, ...], width: int) -> list[str]:
    """As many cells as the header has. Surplus cells go into the last: kept, and wrong until they are mended."""
    kept = list(cells[:width]) + [""] * (width - len(cells))
    if len(cells) > width:
        kept[-1] = ",".join([kept[-1], *cells[width:]])
    return kept


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
