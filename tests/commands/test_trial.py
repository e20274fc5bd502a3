"""``broodyear trial``: a list that loads back, and what it could find."""

from __future__ import annotations

import io
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest
from tests.built_once import sample_store

from broodyear.cli import main
from broodyear.store import open_store
from broodyear.trials import TRIAL_COLUMNS

WORDS = ["trial", "--factor", "gravel_practice", "--levels", "gravel,bare", "--store"]


@pytest.fixture
def store(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copy(sample_store(tmp_path_factory), tmp_path))


def test_the_list_is_printed_and_what_it_could_find_is_said(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*WORDS, str(store), "--season", "2024"]) == 0
    said = capsys.readouterr()
    rows = pd.read_csv(io.StringIO(said.out))
    assert tuple(rows) == TRIAL_COLUMNS
    assert set(rows["level"]) == {"gravel", "bare"} and set(rows["season"]) == {2024}
    assert re.search(r"^(gravel|bare): \d+ tanks, (gravel|bare): \d+ tanks, in \d+ blocks$", said.err, re.M)
    assert "ask whoever answers for the animals" in said.err
    assert main([*WORDS, str(store), "--season", "2024"]) == 0
    assert capsys.readouterr().out == said.out
    assert main([*WORDS, str(store), "--season", "2024", "--seed", "2"]) == 0
    assert capsys.readouterr().out != said.out


def test_the_list_loads_back_and_counts_tanks_as_assigned(store: Path, tmp_path: Path) -> None:
    written = tmp_path / "trial.csv"
    assert main([*WORDS, str(store), "--season", "2024", "--out", str(written)]) == 0
    assert main(["load", str(written), "--store", str(store)]) == 0
    with open_store(store) as opened:
        kept, outcomes = opened.table("trials"), opened.result("trial_outcomes")
    assert len(kept) == len(pd.read_csv(written))
    assert len(outcomes) == 3 * len(kept) and outcomes["usable"].any()
    assert outcomes["followed"].notna().any()


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--factor", "gravel", "--levels", "a,b"], 2, "'gravel' cannot be assigned"),
        (["--factor", "gravel_practice", "--levels", "bare"], 2, "two or more different levels"),
        (
            ["--factor", "gravel_practice", "--levels", "bare,gravel", "--season", "1990"],
            12,
            "no set-up is on record",
        ),
    ],
)
def test_what_cannot_be_planned_is_said(
    store: Path, words: list[str], code: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["trial", *words, "--store", str(store)]) == code
    told = capsys.readouterr()
    assert said in told.err and told.out == ""
