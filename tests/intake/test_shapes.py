"""The shapes of cells: read from the macros that decide them, and understood as the database understands them."""

from __future__ import annotations

import re

import duckdb
import pytest

from broodyear.intake.shapes import figures, has_shape, make_readable, shape
from broodyear.places import queries_folder

TEXT, OF_LAYOUTS = (
    (queries_folder() / "intake" / f"{name}.sql").read_text(encoding="utf-8")
    for name in ("reading", "school_years")
)
NAMES = re.findall(r"MACRO shape_(\w+)\(\)", TEXT)


def test_every_shape_is_the_one_of_the_database() -> None:
    with duckdb.connect() as connection:
        connection.execute(TEXT)
        for name in NAMES:
            assert connection.execute(f"SELECT shape_{name}()").fetchall() == [(shape(name),)], name
    assert len(NAMES) > 10
    with pytest.raises(KeyError):
        shape("of_no_macro")


@pytest.mark.parametrize("with_school_years", [False, True])
def test_a_session_that_reads_cells_has_every_macro_but_those_of_shapes(with_school_years: bool) -> None:
    made = "SELECT function_name FROM duckdb_functions() WHERE function_type = 'macro' AND NOT internal"
    with duckdb.connect() as connection:
        make_readable(connection, with_school_years=with_school_years)
        names = {name for (name,) in connection.execute(made).fetchall()}
    text = TEXT + OF_LAYOUTS * with_school_years
    assert names == {name for name in re.findall(r"MACRO (\w+)\(", text) if not name.startswith("shape_")}


@pytest.mark.parametrize(
    ("name", "text", "has"),
    [
        ("sheet_error", "#REF!", True),
        ("sheet_error", "#12", False),
        ("grouped", "1.250", True),
        ("grouped", "1.25", False),
        ("season", "2025/26", True),
        ("short_year", "3 Nov 26", True),
        ("short_year", "3 Nov 2026", False),
    ],
)
def test_a_whole_text_has_a_shape(name: str, text: str, has: bool) -> None:
    assert has_shape(name, text) is has


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("13.11.2026", (13, 11, "2026")),
        ("3/4/26 14:30", (3, 4, "26")),
        ("3/4/2026, about noon", (3, 4, "2026")),
        ("3/4/202", None),
        ("2026-11-13", None),
        ("13.11.2026x", None),
    ],
)
def test_the_figures_of_a_date(text: str, found: tuple[int, int, str] | None) -> None:
    assert figures(text) == found
