"""The effects beside the rest of a review: the same numbers wherever they are worked out, no process left over."""

from __future__ import annotations

import pickle
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest

from broodyear.reports import effects_beside as beside
from broodyear.reports.effects_beside import EffectsBeside, effects_or_refusal
from broodyear.survival import EffectsReport
from broodyear.synthetic.tank_seasons import TankSeasonPlan, draw_tank_seasons

#: A process that is asked to end, or whose review is gone, ends well within this.
PATIENCE_SECONDS = 20.0


@pytest.fixture(scope="module")
def outcomes() -> pd.DataFrame:
    plan = TankSeasonPlan(sites=40, seasons=3, tanks_per_season=30)
    return draw_tank_seasons(np.random.default_rng(3), plan)


@pytest.fixture
def always_beside(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside, "WORTH_A_PROCESS_ROWS", 0)
    monkeypatch.setattr(beside, "_processors", lambda: 2)


def same(first: EffectsReport | str, second: EffectsReport | str) -> bool:
    assert isinstance(first, EffectsReport) and isinstance(second, EffectsReport)
    return all(
        getattr(first, name).to_csv() == getattr(second, name).to_csv()
        for name in ("effects", "methods", "fit_notes")
    )


@pytest.mark.usefixtures("always_beside")
def test_the_effects_are_the_same_to_the_last_digit(
    outcomes: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    with EffectsBeside(outcomes) as under_way:
        monkeypatch.setattr(beside, "effects_or_refusal", lambda _: "worked out here, not beside")
        found = under_way.result()
    monkeypatch.undo()
    assert same(found, effects_or_refusal(outcomes))


@pytest.mark.usefixtures("always_beside")
def test_outcomes_shared_between_two_processes_come_back_as_one(outcomes: pd.DataFrame) -> None:
    names = ("hatch", "hatch_to_release", "delivered_to_release")
    every = pd.concat([outcomes.assign(outcome=name) for name in names], ignore_index=True)
    every.loc[every["outcome"] == "hatch", "survivors"] = every["eggs"] - 3
    with EffectsBeside(every) as under_way:
        assert set(under_way._there["outcome"]) == set(names[:2])
        found = under_way.result()
    assert isinstance(found, EffectsReport)
    assert list(dict.fromkeys(found.effects["outcome"])) == list(names)
    assert same(found, effects_or_refusal(every))


@pytest.mark.usefixtures("always_beside")
def test_a_refusal_comes_back_as_its_sentence(outcomes: pd.DataFrame) -> None:
    with EffectsBeside(outcomes.assign(outcome="none that is known")) as under_way:
        assert under_way.result() == "No tank-season has an outcome, so there are no effects to estimate."


def test_small_programmes_and_single_processors_start_no_process(
    outcomes: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert EffectsBeside(outcomes)._process is None
    monkeypatch.setattr(beside, "WORTH_A_PROCESS_ROWS", len(outcomes))
    monkeypatch.setattr(beside, "_processors", lambda: 1)
    assert EffectsBeside(outcomes)._process is None


@pytest.mark.usefixtures("always_beside")
def test_a_process_that_breaks_off_is_made_up_for(outcomes: pd.DataFrame) -> None:
    with EffectsBeside(outcomes) as under_way:
        assert under_way._process
        under_way._process.kill()
        assert same(under_way.result(), effects_or_refusal(outcomes))


@pytest.mark.usefixtures("always_beside")
def test_a_process_that_cannot_start_is_made_up_for(
    outcomes: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    with EffectsBeside(outcomes) as under_way:
        assert under_way._process is None
        assert isinstance(under_way.result(), EffectsReport)


@pytest.mark.usefixtures("always_beside")
def test_leaving_without_asking_ends_the_process(outcomes: pd.DataFrame) -> None:
    with EffectsBeside(outcomes) as under_way:
        assert under_way._process and under_way._process.poll() is None
    assert under_way._process.poll() is not None


def test_a_process_whose_review_is_gone_ends_by_itself() -> None:
    plan = TankSeasonPlan(sites=3_000, seasons=6, tanks_per_season=3_000)
    content = pickle.dumps(draw_tank_seasons(np.random.default_rng(3), plan))
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", "broodyear.reports.effects_beside"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert process.stdin and process.stdout
    process.stdin.write(len(content).to_bytes(8, "big") + content)
    process.stdin.close()
    began = time.monotonic()
    assert process.wait(PATIENCE_SECONDS) == beside._GONE
    process.stdout.close()
    assert time.monotonic() - began < PATIENCE_SECONDS
