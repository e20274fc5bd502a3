"""Work beside the rest of a review: the same results wherever it is done, no process left over."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
import warnings
from functools import partial
from multiprocessing import spawn
from multiprocessing.process import BaseProcess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests.simulated.tank_seasons import TankSeasonPlan, draw_tank_seasons
from threadpoolctl import threadpool_limits

from broodyear.errors import Refused
from broodyear.figures.style import drawable
from broodyear.reports import second_process
from broodyear.reports.second_process import SecondProcess, on_one_thread
from broodyear.survival import EffectsReport, effects_report
from broodyear.survival.practices import begin_effects

#: A process that is asked to end, or whose review is gone, ends well within this.
PATIENCE_SECONDS = 20.0


@pytest.fixture(scope="module")
def outcomes() -> pd.DataFrame:
    """Thirty tanks a season, three seasons, with two outcomes."""
    plan = TankSeasonPlan(sites=40, seasons=3, tanks_per_season=30)
    whole = draw_tank_seasons(np.random.default_rng(3), plan)
    hatched = whole.assign(outcome="hatch", survivors=whole["eggs"] - 3)
    return pd.concat([hatched, whole.assign(outcome="delivered_to_release")], ignore_index=True)


@pytest.fixture
def two_processors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(second_process, "_processors", lambda: 2)


@pytest.fixture(params=["a copy", "started afresh"])
def either_way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two processors, and a process that is a copy of this one, or is started afresh as beside any thread."""
    monkeypatch.setattr(second_process, "_processors", lambda: 2)
    harmless = {one.name for one in threading.enumerate()} if request.param == "a copy" else set()
    monkeypatch.setattr(second_process, "_HARMLESS_THREADS", harmless)


def wait_until_begun(beside: SecondProcess) -> None:
    """Until all work is begun in the other process, so that none is done here."""
    while not all(one.there and (one.there.running() or one.there.done()) for one in beside._pieces):
        time.sleep(0.01)


def same(first: EffectsReport, second: EffectsReport) -> bool:
    assert first.claims == second.claims or repr(first.claims) == repr(second.claims)
    return all(
        getattr(first, name).to_csv() == getattr(second, name).to_csv()
        for name in ("effects", "methods", "fit_notes", "practices")
    )


@pytest.mark.usefixtures("either_way")
def test_what_is_worked_out_there_is_what_is_worked_out_here(outcomes: pd.DataFrame) -> None:
    with SecondProcess(is_wanted=True) as beside:
        answer = begin_effects(outcomes, partial(beside.ask, on_one_thread))
        wait_until_begun(beside)
        found = answer()
        assert beside._process and beside._process.is_alive()
    assert not beside._process.is_alive()
    with threadpool_limits(limits=1, user_api="blas"):
        assert same(found, effects_report(outcomes))


@pytest.mark.usefixtures("either_way")
def test_newer_versions_of_python_may_warn_of_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    start = BaseProcess.start

    def warns(process: BaseProcess) -> None:
        words = "This process (pid=7) is multi-threaded, use of fork() may lead to deadlocks in the child."
        warnings.warn(words, DeprecationWarning, stacklevel=2)
        start(process)

    monkeypatch.setattr(BaseProcess, "start", warns)
    with SecondProcess(is_wanted=True) as beside:
        assert beside.ask(sum, [1, 2])() == 3


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="signals cannot be held back here")
@pytest.mark.usefixtures("either_way")
def test_ctrl_c_does_not_reach_the_other_process_even_as_it_begins() -> None:
    with SecondProcess(is_wanted=True) as beside:
        held_back = beside.ask(signal.pthread_sigmask, signal.SIG_BLOCK, ())
        wait_until_begun(beside)
        assert signal.SIGINT in held_back()
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())


@pytest.mark.usefixtures("two_processors")
def test_what_is_not_begun_there_is_done_here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(SecondProcess, "_done_there", lambda beside, work: time.sleep(0.2) or (True, "there"))
    with SecondProcess(is_wanted=True) as beside:
        first, second = (beside.ask(str, word) for word in ("first", "second"))
        time.sleep(0.05)
        assert (second(), first()) == ("second", "there")


@pytest.mark.usefixtures("two_processors")
def test_what_is_left_to_the_other_process_waits_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(SecondProcess, "_done_there", lambda beside, work: time.sleep(0.1) or (True, "there"))
    with SecondProcess(is_wanted=True) as beside:
        first, left, second = beside.ask(str, 1), beside.leave(str, 2), beside.ask(str, 3)
        time.sleep(0.05)
        assert (first(), second(), left()) == ("there", "3", "there")


@pytest.mark.usefixtures("two_processors")
def test_a_refusal_there_is_raised_here_with_its_sentence() -> None:
    with SecondProcess(is_wanted=True) as beside:
        asked = beside.ask(partial(drawable, pd.DataFrame(), (), "tanks"))
        wait_until_begun(beside)
        with pytest.raises(Refused, match="there is nothing to draw for tanks"):
            asked()


def test_unwanted_or_on_one_processor_no_process_starts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(second_process, "_processors", lambda: 1)
    for is_wanted in (True, False):
        with SecondProcess(is_wanted) as beside:
            assert beside._process is None
            assert (beside.ask(str, 5)(), beside.leave(str, 6)()) == ("5", "6")
        monkeypatch.setattr(second_process, "_processors", lambda: 2)


@pytest.mark.usefixtures("two_processors")
def test_a_process_that_breaks_off_is_made_up_for() -> None:
    with SecondProcess(is_wanted=True) as beside:
        assert beside._process
        beside._process.kill()
        before = [beside.leave(str, number) for number in (1, 2)]
        assert [one() for one in before] == ["1", "2"]
        assert (beside.leave(str, 3)(), beside.ask(str, 4)()) == ("3", "4")


@pytest.mark.usefixtures("either_way")
def test_a_process_that_cannot_start_is_made_up_for(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused() -> int:
        raise BlockingIOError("no more processes")

    monkeypatch.setattr(spawn, "_python_exe", os.fsencode("/nowhere/python"))
    monkeypatch.setattr(os, "fork", refused)
    with SecondProcess(is_wanted=True) as beside:
        assert beside.ask(str, 5)() == "5"


@pytest.mark.usefixtures("two_processors")
def test_beside_a_thread_of_somebody_else_the_process_is_no_copy() -> None:
    done = threading.Event()
    other = threading.Thread(target=done.wait, name="somebody's")
    other.start()
    with SecondProcess(is_wanted=True) as beside:
        assert type(beside._process).__name__ == "SpawnProcess"
    done.set()
    other.join()


#: A review that starts its process, names it, and is killed where it stands.
REVIEW_THAT_DIES = """
import os, signal
import time
from functools import partial
from broodyear.reports import second_process

if __name__ == "__main__":
    process, line = second_process._start("broodyear.reports.numbers")
    line.send(partial(time.sleep, 600))
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
