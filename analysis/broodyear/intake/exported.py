"""A file of an export says from which uploads of the exported store its rows came."""

from __future__ import annotations

import csv
from pathlib import Path, PurePath

from broodyear.store.export import DESCRIPTOR

#: So many uploads are named in a note.
MOST_NAMED = 10


def note_of_export(place: Path | None, table: str) -> str | None:
    """The uploads whose rows the file at ``place`` holds, as a note; None when it is no part of an export."""
    if place is None or place.name != f"{table}.csv" or not (place.parent / DESCRIPTOR).is_file():
        return None
    try:
        with (place.parent / "history" / "uploads.csv").open(encoding="utf-8", newline="") as ledger:
            paths = [row["path"].replace("\\", "/") for row in csv.DictReader(ledger) if _gave(row, table)]
    except (OSError, UnicodeDecodeError, csv.Error, KeyError):
        return None  # an export that lost its history is read as any other file
    if not paths:
        return None
    names = [PurePath(path).name for path in paths]
    more = f" and {len(names) - MOST_NAMED:,} more" if len(names) > MOST_NAMED else ""
    uploads = "1 upload" if len(names) == 1 else f"{len(names):,} uploads"
    return f"an export; it holds the rows of {uploads}: {', '.join(names[:MOST_NAMED])}{more}"


def _gave(upload: dict[str, str], table: str) -> bool:
    stands = upload["withdrawn"] == "false" and upload["rows_accepted"] != "0"
    return stands and table in upload["table_name"].split("+")
