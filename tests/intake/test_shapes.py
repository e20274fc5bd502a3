"""The shapes of cells: read from the macros that decide them, and understood as the database understands them."""

from __future__ import annotations

import re

import duckdb
import pytest

from broodyear.intake.shapes import figures, has_shape, make_readable, shape
from broodyear.places import queries_folder

TEXT = (queries_folder() / "intake" / "reading.sql").read_text(encoding="utf-8")
NAMES = re.findall(r"MACRO shape_(\w+)\(\)", TEXT)


def test_every_shape_is_the_one_of_the_database() -> None:
    with duckdb.connect() as connection:
        make_readable(connection)
        for name in NAMES:
            assert connection.execute(f"SELECT shape_{name}()").fetchall() == [(shape(name),)], name
    assert len(NAMES) > 10
    with pytest.raises(KeyError):
        shape("of_no_macro")


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
