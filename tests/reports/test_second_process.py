"""Long work beside the rest of a review: the same numbers wherever they are worked out, no process left over."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from multiprocessing import spawn
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests.simulated.tank_seasons import TankSeasonPlan, draw_tank_seasons
from threadpoolctl import threadpool_limits

from broodyear.errors import NothingToAnalyse
from broodyear.reports import second_process
from broodyear.reports.second_process import Beside
from broodyear.survival import EffectsReport, effects_report

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


NAMES = ("hatch", "hatch_to_release", "delivered_to_release")


def every_outcome(outcomes: pd.DataFrame) -> pd.DataFrame:
    """The same tanks with all three outcomes."""
    every = pd.concat([outcomes.assign(outcome=name) for name in NAMES], ignore_index=True)
    every.loc[every["outcome"] == "hatch", "survivors"] = every["eggs"] - 3
    return every


def worked_out_whole(outcomes: pd.DataFrame) -> EffectsReport:
    """What the function itself gives, in this process."""
    with threadpool_limits(limits=1, user_api="blas"):
        return effects_report(outcomes)


def same(first: EffectsReport, second: EffectsReport) -> bool:
    assert first.claims == second.claims or repr(first.claims) == repr(second.claims)
    return all(
        getattr(first, name).to_csv() == getattr(second, name).to_csv()
        for name in ("effects", "methods", "fit_notes", "practices")
    )


@pytest.mark.usefixtures("always_beside")
def test_outcomes_shared_between_two_processes_come_back_as_one(outcomes: pd.DataFrame) -> None:
    every = every_outcome(outcomes)
    with Beside(every) as under_way:
        assert (under_way._there, under_way._here) == (NAMES[:2], NAMES[2:])
        found = under_way.result()
    assert list(dict.fromkeys(found.effects["outcome"])) == list(NAMES)
    assert same(found, worked_out_whole(every))


def test_a_refusal_is_raised_with_its_sentence(outcomes: pd.DataFrame) -> None:
    none = outcomes.assign(outcome="none that is known")
    with Beside(none) as under_way, pytest.raises(NothingToAnalyse, match="No tank-season has an outcome"):
        under_way.result()


def test_small_programmes_and_single_processors_start_no_process(
    outcomes: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    every = every_outcome(outcomes)
    assert Beside(every)._process is None
    monkeypatch.setattr(second_process, "WORTH_A_PROCESS_ROWS", len(every))
    monkeypatch.setattr(second_process, "_processors", lambda: 1)
    assert Beside(every)._process is None
    monkeypatch.setattr(second_process, "_processors", lambda: 2)
    assert Beside(outcomes.sample(frac=4.0, replace=True, random_state=1))._process is None  # one outcome only


@pytest.mark.usefixtures("always_beside")
def test_a_process_that_breaks_off_is_made_up_for(outcomes: pd.DataFrame) -> None:
    every = every_outcome(outcomes)
    with Beside(every) as under_way:
        assert under_way._process
        under_way._process.kill()
        assert same(under_way.result(), worked_out_whole(every))


@pytest.mark.usefixtures("always_beside")
def test_a_process_that_cannot_start_is_made_up_for(
    outcomes: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spawn, "_python_exe", os.fsencode("/nowhere/python"))
    with Beside(every_outcome(outcomes)) as under_way:
        assert same(under_way.result(), worked_out_whole(every_outcome(outcomes)))


@pytest.mark.usefixtures("always_beside")
def test_leaving_without_asking_ends_the_process(outcomes: pd.DataFrame) -> None:
    with Beside(every_outcome(outcomes)) as under_way:
        assert under_way._process and under_way._process.is_alive()
    assert not under_way._process.is_alive()


#: A review that starts its process, names it, and is killed where it stands.
REVIEW_THAT_DIES = """
import os, signal
import numpy as np
from broodyear.reports import second_process
from tests.simulated.tank_seasons import TankSeasonPlan, draw_tank_seasons

if __name__ == "__main__":
    plan = TankSeasonPlan(sites=3_000, seasons=6, tanks_per_season=3_000)
    rows = draw_tank_seasons(np.random.default_rng(3), plan)
    process, _ = second_process._start(rows, ("delivered_to_release",))
    print(process.pid, flush=True)
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_process_whose_review_is_gone_ends_by_itself() -> None:
    root = Path(__file__).parents[2]
    paths = os.pathsep.join([str(root), str(root / "analysis")])
    review = subprocess.run(
        [sys.executable, "-c", REVIEW_THAT_DIES], capture_output=True, text=True, check=False, cwd=root,
        env={**os.environ, "PYTHONPATH": paths},
    )  # fmt: skip
    assert review.returncode == -signal.SIGKILL, review.stderr
    state = Path(f"/proc/{review.stdout.strip()}/stat")
    until = time.monotonic() + PATIENCE_SECONDS
    while state.exists() and state.read_text().rsplit(")", 1)[1].split()[0] != "Z":
        assert time.monotonic() < until, "it goes on working for a review that is gone"
        time.sleep(0.05)
