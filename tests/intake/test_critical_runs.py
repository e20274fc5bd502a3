"""The longest honest run of identical readings: the simulation, and the table kept of it."""

from __future__ import annotations

import re

import numpy as np
import pytest
from tests.intake.critical_runs import (
    EXCEEDED_BY,
    SEED,
    TRIALS,
    critical_run,
    critical_runs,
    longest_runs,
)

from broodyear.derived import query_text

#: Longest runs in 70 readings of SD 0.35 °C that the trade notes give by resolution: (median, 95th percentile).
TRADE_NOTES = {0.1: (3, 3), 0.5: (7, 11), 1.0: (17, 32)}
#: The notes give one simulation of unknown size, so a step or a tenth either way is the same.
NOTES_TOLERANCE = 0.2
#: Monte-Carlo error of a share of 0.01 in 4 000 trials is 0.0016; three of these.
SHARE_TOLERANCE = 0.005
#: A cell simulated afresh with another seed differs by its own sampling error.
CELL_TOLERANCE = 3


def _kept() -> list[tuple[float, int, int]]:
    found = re.findall(r"\((\d\.\d+), (\d+), (\d+)\)", query_text("critical_run_lengths"))
    return [(float(step), int(readings), int(run)) for step, readings, run in found]


@pytest.mark.parametrize("step", TRADE_NOTES)
def test_the_simulation_agrees_with_the_trade_notes(step: float) -> None:
    lengths = longest_runs(step, 70, trials=TRIALS, generator=np.random.default_rng(1))
    for share, noted in zip((0.5, 0.95), TRADE_NOTES[step], strict=True):
        assert abs(np.quantile(lengths, share) - noted) <= max(1.0, NOTES_TOLERANCE * noted)


def test_the_kept_table_is_what_its_call_makes() -> None:
    assert f"critical_runs(seed={SEED}, trials={TRIALS})" in query_text("critical_run_lengths")
    made = [(row["resolution_c"], row["readings"], row["critical_run"]) for row in critical_runs()]
    assert made == _kept()


@pytest.mark.parametrize("place", [3, 18, 35])
def test_another_seed_gives_the_same_within_its_error(place: int) -> None:
    step, readings, kept = _kept()[place]
    made = critical_run(step, readings, trials=TRIALS, generator=np.random.default_rng(7))
    assert abs(made - kept) <= CELL_TOLERANCE


def test_so_many_honest_series_are_longer_and_no_more() -> None:
    for step, readings, kept in _kept()[2::8]:
        lengths = longest_runs(step, readings, trials=TRIALS, generator=np.random.default_rng(3))
        assert (lengths > kept).mean() <= EXCEEDED_BY + SHARE_TOLERANCE


def test_coarser_and_longer_series_have_longer_runs() -> None:
    table = {(step, readings): run for step, readings, run in _kept()}
    for (step, readings), run in table.items():
        assert all(run <= other for (s, n), other in table.items() if s >= step and n >= readings)


def test_a_series_of_known_runs() -> None:
    lengths = longest_runs(1000.0, 12, trials=5, generator=np.random.default_rng(0))
    assert lengths.tolist() == [12] * 5
