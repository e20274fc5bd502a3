"""Queries of the store and of the intake that make no derived table: headed like all others, and each one used."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import broodyear
from broodyear.derived import all_queries, statement
from broodyear.errors import BroodyearError
from broodyear.places import queries_folder

#: The macros that read a cell are run as files of their own.
READING = {"intake/reading", "intake/school_years"}
PLACES = sorted(
    f"{path.parent.name}/{path.stem}"
    for room in ("store", "intake")
    for path in (queries_folder() / room).glob("*.sql")
)


def test_each_is_headed_and_named_by_some_module() -> None:
    package = Path(broodyear.__file__).parent
    named = {
        found
        for path in package.rglob("*.py")
        for found in re.findall(r"statement\([\"']([a-z_/]+)[\"']\)", path.read_text(encoding="utf-8"))
    }
    assert named == {*PLACES} - READING
    for place in PLACES:
        assert statement(place).startswith(f"-- {place.partition('/')[2]}\n"), place


def test_none_is_a_derived_table() -> None:
    assert {place.partition("/")[2] for place in PLACES} & {*all_queries()} == set()


def test_a_file_without_its_header_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "store").mkdir()
    (tmp_path / "store" / "bare.sql").write_text("SELECT 1", encoding="utf-8")
    monkeypatch.setattr("broodyear.derived.catalogue.queries_folder", lambda: tmp_path)
    with pytest.raises(BroodyearError, match="is headed"):
        statement("store/bare")
