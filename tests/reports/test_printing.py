"""PDF through an installed browser, or a sentence."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from tests.reports import invented

from broodyear.errors import EXIT_NOTHING_TO_ANALYSE, Refused
from broodyear.reports.printing import BROWSERS
from broodyear.reports.season.page import write_season


def test_without_a_browser_the_page_is_written_and_a_sentence_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(Refused, match="no Chromium or Chrome was found .* the page itself is written") as refused:
        write_season(invented.season_results(), tmp_path / "out", invented.uploads(), pdf=True)
    assert refused.value.exit_code == EXIT_NOTHING_TO_ANALYSE
    assert (tmp_path / "out" / "season.html").exists()


def test_pdf_of_the_same_page_has_the_same_bytes(tmp_path: Path) -> None:
    if not any(shutil.which(name) for name in BROWSERS):
        pytest.skip(f"no browser is installed: none of {', '.join(BROWSERS)} is on PATH")
    results = invented.season_results(3)
    printed = [
        write_season(results, tmp_path / name, invented.uploads(), pdf=True).pdf for name in ("first", "second")
    ]
    first, second = (path.read_bytes() for path in printed if path is not None)
    assert first.startswith(b"%PDF-")
    assert first == second
    assert str(tmp_path).encode() not in first
