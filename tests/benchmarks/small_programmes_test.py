"""Sixty small and odd programmes through every command: each ends with 0, 10 or 12 and a sentence.

Run: python -m pytest tests/benchmarks/small_programmes_test.py (BROODYEAR_SMALL_PROGRAMMES=12 takes twelve)
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from tests.sweep.commands import missing_values, prose, sweep
from tests.sweep.small_programmes import LAST_SEASON, SMALL_PROGRAMMES, SmallProgramme, write_uploads

from broodyear.cli import main

#: Programmes to run, taken evenly from the sixty.
COUNT = int(os.environ.get("BROODYEAR_SMALL_PROGRAMMES", "60"))


@pytest.mark.parametrize("programme", SMALL_PROGRAMMES[:: max(60 // COUNT, 1)], ids=lambda one: one.name)
def test_every_command_ends_with_a_sentence(programme: SmallProgramme, tmp_path: Path) -> None:
    assert list(sweep(write_uploads(programme, tmp_path / "uploads"), tmp_path, LAST_SEASON)) == []


@pytest.mark.parametrize(("seasons", "tanks"), [(1, 4), (1, 15), (2, 30), (3, 8)])
def test_the_demo_of_a_small_programme_is_written(seasons: int, tanks: int, tmp_path: Path) -> None:
    words = ["demo", "--out", str(tmp_path / "demo"), "--seasons", str(seasons), "--tanks", str(tanks)]
    assert main([*words, "--quiet"]) == 0
    found = sorted((tmp_path / "demo").rglob("*.html"))
    said = [text for page in found for text in prose(page.read_text(encoding="utf-8"))]
    assert found and [word for text in said for word in missing_values(text)] == []
    assert "NaN" not in (tmp_path / "demo" / "truth.json").read_text(encoding="utf-8")
