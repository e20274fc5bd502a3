"""No programme is too small: some odd ones, each through a part of the commands.

All sixty go through all commands in tests/benchmarks/small_programmes_test.py.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.sweep import commands
from tests.sweep.small_programmes import (
    FEW,
    LAST_SEASON,
    SMALL_PROGRAMMES,
    frames_of,
    write_uploads,
)

from broodyear.derived import running

_BY_NAME = {programme.name: programme for programme in SMALL_PROGRAMMES}


@pytest.fixture(autouse=True)
def derived_tables_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """The commands start from what the load kept, instead of each working it out anew."""
    monkeypatch.setattr(running, "KEEP_FROM_ROWS", 0)


@pytest.mark.parametrize(("number", "name"), list(enumerate(FEW)))
def test_every_command_ends_with_a_sentence(number: int, name: str, tmp_path: Path) -> None:
    uploads = write_uploads(_BY_NAME[name], tmp_path / "uploads")
    assert list(commands.sweep(uploads, tmp_path, LAST_SEASON, commands.part(number))) == []


def test_every_command_is_dealt_to_a_programme() -> None:
    dealt = {command for number in range(len(FEW)) for command in commands.part(number)}
    assert set(commands.COMMANDS) - dealt == set()


def test_an_empty_store_is_refused_in_words(tmp_path: Path) -> None:
    uploads = tmp_path / "uploads"
    uploads.mkdir()
    (uploads / "tanks.csv").write_text("tank_id,volume_l\n", encoding="utf-8")
    assert list(commands.sweep(uploads, tmp_path, LAST_SEASON)) == []


def test_there_are_sixty_and_none_is_like_another() -> None:
    assert len(SMALL_PROGRAMMES) == len(_BY_NAME) == 60
    assert [name for name in _BY_NAME if "losses" in frames_of(_BY_NAME["no_losses-1x6"])] == []
    assert set(frames_of(_BY_NAME["setups_alone-3x2"])) == {"sites", "tanks", "setups"}
    assert frames_of(_BY_NAME["3x8"])["setups"].groupby("season").size().tolist() == [8, 8, 8]


def test_complaints_are_found() -> None:
    ended = commands.Ended("report season", 1, "unexpected failure")
    assert list(commands.complaints(ended)) == ["report season ended with 1: unexpected failure"]
    page = "<p>From – to 3 %.</p><p>A range: 3–4 %.</p><table><td>–</td></table><p>Seen in nan tanks.</p>"
    said = [found for text in commands.prose(page) for found in commands.missing_values(text)]
    assert said == ["From – to 3 %.", "Seen in nan tanks."]
