"""Long work beside the rest of a review: the same numbers wherever they are worked out, no process left over."""

from __future__ import annotations

import pickle
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest
from threadpoolctl import threadpool_limits

from broodyear.errors import BroodyearError
from broodyear.reports import second_process
from broodyear.reports.second_process import Beside, Pieces
from broodyear.setups import practices_table
from broodyear.survival import EffectsReport, effects_report
from broodyear.synthetic.tank_seasons import TankSeasonPlan, draw_tank_seasons

#: A process that is asked to end, or whose review is gone, ends well within this.
PATIENCE_SECONDS = 20.0


@pytest.fixture(scope="module")
def outcomes() -> pd.DataFrame:
    plan = TankSeasonPlan(sites=40, seasons=3, tanks_per_season=30)
    return draw_tank_seasons(np.random.default_rng(3), plan)


@pytest.fixture
def always_beside(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(second_process, "WORTH_A_PROCESS_ROWS", 0)
    monkeypatch.setattr(second_process, "_processors", lambda: 2)


Found = tuple[pd.DataFrame | str, EffectsReport | str]


def worked_out_whole(outcomes: pd.DataFrame) -> Found:
    """What the functions themselves give, in this process."""
    with threadpool_limits(limits=1, user_api="blas"):
        return practices_table(outcomes), effects_report(outcomes)


def same(first: Found, second: Found) -> bool:
    assert isinstance(first[0], pd.DataFrame) and isinstance(second[0], pd.DataFrame)
    assert isinstance(first[1], EffectsReport) and isinstance(second[1], EffectsReport)
    pd.testing.assert_frame_equal(first[0], second[0], check_exact=True)
    return all(
        getattr(first[1], name).to_csv() == getattr(second[1], name).to_csv()
        for name in ("effects", "methods", "fit_notes")
    )


@pytest.mark.usefixtures("always_beside")
def test_the_effects_of_one_outcome_are_all_worked_out_beside(
    outcomes: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    def without_effects(rows: pd.DataFrame, share: second_process.Share) -> Pieces:
        assert share.effects_of is None
        return worked_out(rows, share)

    worked_out = second_process.worked_out
    with Beside(outcomes) as under_way:
        monkeypatch.setattr(second_process, "worked_out", without_effects)
        found = under_way.result()
    assert same(found, worked_out_whole(outcomes))


@pytest.mark.usefixtures("always_beside")
def test_outcomes_shared_between_two_processes_come_back_as_one(outcomes: pd.DataFrame) -> None:
    names = ("hatch", "hatch_to_release", "delivered_to_release")
    every = pd.concat([outcomes.assign(outcome=name) for name in names], ignore_index=True)
    every.loc[every["outcome"] == "hatch", "survivors"] = every["eggs"] - 3
    with Beside(every) as under_way:
        assert under_way._there == second_process.Share(names[:2], names[:2])
        assert under_way._here == second_process.Share(names[2:], names[2:])
        found = under_way.result()
    assert isinstance(found[0], pd.DataFrame) and isinstance(found[1], EffectsReport)
    assert list(dict.fromkeys(found[0]["outcome"])) == list(names)
    assert list(dict.fromkeys(found[1].effects["outcome"])) == list(names)
    assert same(found, worked_out_whole(every))


@pytest.mark.usefixtures("always_beside")
def test_a_refusal_comes_back_as_its_sentence(outcomes: pd.DataFrame) -> None:
    with Beside(outcomes.assign(outcome="none that is known")) as under_way:
        _, effects = under_way.result()
        assert effects == "No tank-season has an outcome, so there are no effects to estimate."


@pytest.mark.usefixtures("always_beside")
def test_what_is_refused_here_is_refused_as_a_whole(
    outcomes: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses(*_: object) -> None:
        raise BroodyearError("too few tanks")

    with Beside(outcomes) as under_way:
        monkeypatch.setattr("broodyear.setups.practice_parts", refuses)
        practices, effects = under_way.result()
    assert practices == "too few tanks"
    assert isinstance(effects, EffectsReport)


def test_small_programmes_and_single_processors_start_no_process(
    outcomes: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert Beside(outcomes)._process is None
    monkeypatch.setattr(second_process, "WORTH_A_PROCESS_ROWS", len(outcomes))
    monkeypatch.setattr(second_process, "_processors", lambda: 1)
    assert Beside(outcomes)._process is None


@pytest.mark.usefixtures("always_beside")
def test_a_process_that_breaks_off_is_made_up_for(outcomes: pd.DataFrame) -> None:
    with Beside(outcomes) as under_way:
        assert under_way._process
        under_way._process.kill()
        assert same(under_way.result(), worked_out_whole(outcomes))


@pytest.mark.usefixtures("always_beside")
def test_a_process_that_cannot_start_is_made_up_for(
    outcomes: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    with Beside(outcomes) as under_way:
        assert under_way._process is None
        assert same(under_way.result(), worked_out_whole(outcomes))


@pytest.mark.usefixtures("always_beside")
def test_leaving_without_asking_ends_the_process(outcomes: pd.DataFrame) -> None:
    with Beside(outcomes) as under_way:
        assert under_way._process and under_way._process.poll() is None
    assert under_way._process.poll() is not None


def test_a_process_whose_review_is_gone_ends_by_itself() -> None:
    plan = TankSeasonPlan(sites=3_000, seasons=6, tanks_per_season=3_000)
    share = second_process.Share(("delivered_to_release",), ("delivered_to_release",))
    content = pickle.dumps((draw_tank_seasons(np.random.default_rng(3), plan), share))
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", "broodyear.reports.second_process"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert process.stdin and process.stdout
    process.stdin.write(len(content).to_bytes(8, "big") + content)
    process.stdin.close()
    began = time.monotonic()
    assert process.wait(PATIENCE_SECONDS) == second_process._GONE
    process.stdout.close()
    assert time.monotonic() - began < PATIENCE_SECONDS
