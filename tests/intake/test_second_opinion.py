"""pandera, made from the same declarations, finds the same on the same rows as the loader's SQL."""

from __future__ import annotations

import csv
import random
import tempfile
from collections import Counter
from pathlib import Path

import pandas as pd
import pytest

from broodyear.intake import check_paths
from broodyear.schemas import TABLE_NAMES, Column, Table, pandera_schema, table
from broodyear.settings import Settings, season_of

#: Of each of twelve tables: 10 080 rows in all.
ROWS = 840
#: Rules that pandera can judge: on typed values. Cells that cannot be read at all are the loader's alone.
COMPARED = {"required_blank", "out_of_range", "not_allowed", "bad_code", "duplicate_key"}
REFERRED = {"tank_id": "tanks", "site_id": "sites", "batch_id": "batches"}
CODES = ("A-1", "B-2", "C-3")
OTHER_COLUMNS = {"sites": (",region", ",R"), "batches": (",donor_stock,species,brood_year", ",S,coho,2024")}


def number_near(column: Column, rng: random.Random) -> str:
    """A number at, inside, or just outside the limits of a column."""
    low = column.minimum if column.minimum is not None else -5.0
    high = column.maximum if column.maximum is not None else low + 100
    step = 1 if column.whole else 0.01
    value = rng.choice([low, high, low - step, high + step, (low + high) / 2, low + step, 0])
    return str(round(value)) if column.whole else f"{value:.2f}"


def cell_of(column: Column, rng: random.Random) -> str:
    """A cell that can be read as its kind: good, blank, out of range, or not among the allowed words."""
    if rng.random() < 0.07:
        return ""
    if column.allowed:
        return rng.choice([*column.allowed, *column.allowed, "something_else"])
    if column.name in REFERRED:
        return rng.choice(CODES)
    if column.kind in {"code", "text"}:
        return rng.choice([*CODES, "x" * 60, "x" * 61, "é漢字", "=1", "A\u200b1", "A\u202e1"])
    if column.is_number:
        return number_near(column, rng)
    if column.kind == "boolean":
        return rng.choice(["yes", "no"])
    day = f"2024-{rng.randint(1, 12):02d}-{rng.randint(1, 28):02d}"
    return day if column.kind == "date" or rng.random() < 0.5 else f"{day}T{rng.randint(0, 23):02d}:30"


def rows_of(declared: Table, seed: int) -> list[dict[str, str]]:
    rng = random.Random(seed)
    return [{column.name: cell_of(column, rng) for column in declared.columns} for _ in range(ROWS)]


def typed(declared: Table, rows: list[dict[str, str]]) -> pd.DataFrame:
    """The rows as pandera is given them: typed, with the loader's defaults, words that are unknown kept."""
    frame = pd.DataFrame(rows, dtype="str").replace("", pd.NA)
    for column in declared.columns:
        if column.default is not None:
            frame[column.name] = frame[column.name].fillna(column.default)
    if declared.name == "temperatures":
        by_hand = frame["read_at"].str.len() == len("2024-11-08")
        frame["instrument"] = frame["instrument"].fillna(by_hand.map({True: "thermometer", False: "logger"}))
    for column in declared.columns:
        if column.is_number:
            numbers = pd.to_numeric(frame[column.name])
            frame[column.name] = numbers.astype("Int64" if column.whole else "float64")
        elif column.kind == "boolean":
            frame[column.name] = frame[column.name].map({"yes": True, "no": False}).astype("boolean")
        elif column.kind in {"date", "moment"}:
            frame[column.name] = pd.to_datetime(frame[column.name], format="ISO8601").astype("datetime64[us]")
    return frame


def found_by_pandera(declared: Table, frame: pd.DataFrame) -> set[tuple[int, str | None, str]]:
    import pandera.errors

    schema = pandera_schema(declared, season_of=lambda day: season_of(day, Settings()))
    try:
        schema.validate(frame, lazy=True)
    except pandera.errors.SchemaErrors as errors:
        cases = errors.failure_cases
    else:
        return set()
    found = set()
    for case in cases.itertuples():
        rule = "required_blank" if case.check == "not_nullable" else str(case.check)
        column = str(case.column) if case.schema_context == "Column" else None
        found.add((int(case.index) + 2, column, rule))
    return found


def found_by_the_loader(declared: Table, rows: list[dict[str, str]]) -> set[tuple[int, str | None, str]]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for column, target in REFERRED.items():
            header, rest = OTHER_COLUMNS.get(target, ("", ""))
            text = "".join(f"{code}{rest}\n" for code in CODES)
            (folder / f"{target}.csv").write_text(f"{column}{header}\n{text}", encoding="utf-8")
        place = folder / f"{declared.name}_made.csv"
        with place.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(declared.column_names))
            writer.writeheader()
            writer.writerows(rows)
        result = check_paths([folder])
    return {
        (finding.line or 0, finding.column, finding.rule)
        for finding in result.findings
        if finding.path == str(place) and (finding.level == "error" or finding.rule == "identical_repeat")
    }


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_both_find_the_same(name: str) -> None:
    declared = table(name)
    rows = rows_of(declared, seed=1)
    row_rules = {rule.rule for rule in declared.row_rules}
    by_range = {column.name for column in declared.columns if column.range_by}

    def comparable(found: set[tuple[int, str | None, str]]) -> Counter[tuple[int, str | None, str]]:
        kept = [
            # Checks over two columns carry no column in pandera.
            (line, None if rule in row_rules or column in by_range else column, rule)
            for line, column, rule in found
            if rule in (COMPARED - {"duplicate_key"}) | row_rules
        ]
        return Counter(kept)

    by_pandera = comparable(found_by_pandera(declared, typed(declared, rows)))
    by_loader = comparable(found_by_the_loader(declared, rows))
    assert by_loader == by_pandera
    assert by_loader.total() > 10


@pytest.mark.parametrize("name", ["losses", "stages", "temperatures"])
def test_both_find_the_same_repeats(name: str) -> None:
    declared = table(name)
    rng = random.Random(5)
    rows = rows_of(declared, 4)
    bad = {line for line, _, _ in found_by_the_loader(declared, rows)}
    rows = [row for number, row in enumerate(rows) if number + 2 not in bad][:12]
    rows = [rng.choice(rows) for _ in range(30)]
    for row in rows:
        if rng.random() < 0.5 and name == "losses":
            row["suspected_cause"] = rng.choice(["", "pump"])
    repeats = {
        line for line, _, rule in found_by_pandera(declared, typed(declared, rows)) if rule == "duplicate_key"
    }
    with_errors = {line for line, _, rule in found_by_the_loader(declared, rows) if rule == "duplicate_key"}
    identical = {
        number + 2 for number, row in enumerate(rows) if row in rows[:number] and number + 2 not in with_errors
    }
    assert repeats == with_errors | identical
    assert repeats
