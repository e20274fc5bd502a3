"""Development where thermometers are off, dates are wrong and stocks differ; prints what it measured.

Run: python -m pytest tests/benchmarks/development_troubles_test.py -s
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tests.benchmarks.development_calibration_test import FEWEST_HELD, MOST_HELD, PROGRAMMES, _as_season
from tests.development.programmes import Programme, simulate_programme

from broodyear.development import fit_development, forecast_stages
from broodyear.development.likelihood.crossed import crossed_means
from broodyear.development.likelihood.tank_records import tank_records
from broodyear.development.scoring.cross_validation import HeldOut, matrix_of, predicted_days
from broodyear.development.scoring.score_cells import days_scores, mean_error

#: What a household thermometer may be off (SD, °C), dates with day and month swapped, and what stocks differ by.
OFFSET_SD_C, WRONG_SHARE, STOCK_SD = 0.4, 0.03, 0.03
STOCKS = 3


def troubled(seed: int, sites: int, *, tanks: int = 120, batches: int = 12) -> Programme:
    """A programme whose sites read their water warm or cold, with wrong dates, batches of three stocks."""
    made = simulate_programme(seed, tanks=tanks, batches=batches, stock_sd=STOCK_SD, stocks=STOCKS)
    rng = np.random.default_rng([seed, 1])
    offset = rng.normal(0.0, OFFSET_SD_C, sites)
    frame = made.frame.assign(site_id=[f"s{i % sites}" for i in range(tanks)])
    daily = {tank: made.daily[tank] + offset[i % sites] for i, tank in enumerate(frame["tank_id"])}
    is_wrong = rng.uniform(size=tanks) < WRONG_SHARE
    moved = np.where(is_wrong, rng.choice([-1.0, 1.0], tanks) * rng.integers(20, 60, tanks), 0.0)
    moved = np.where(frame["absent_day"] + moved < 1.0, np.abs(moved), moved)
    shifted = {edge: frame[edge] + moved for edge in ("absent_day", "seen_day")}
    return Programme(frame.assign(**shifted), daily, made.true)


@pytest.mark.parametrize("sites", [10, 24])
def test_bias_intervals_of_a_true_model_cover_what_is_true(sites: int) -> None:
    """The truth is scored; what it is off by is what these stocks differ from it on average."""
    held, width = [], []
    for seed in range(PROGRAMMES):
        made = troubled(seed, sites)
        records = tank_records(made.frame, made.daily)
        start = records.to_start @ made.true.rate(records.grid_c)
        day = predicted_days(made.true.rate, matrix_of(records, np.ones(len(start))), start)
        unknown = np.full(len(day), np.nan)
        predicted = HeldOut(day, unknown, unknown, unknown, unknown, unknown, np.ones(len(day), dtype=bool), 1, "")
        is_known = np.isfinite(day)
        error = crossed_means([mean_error(records, predicted, is_known)])[0]
        scores, _ = days_scores(records, predicted, is_known, error)
        off = made.frame["event_day"] * (np.exp(-made.frame["stock_log_effect"]) - 1.0)
        truth = off.groupby(made.frame["donor_stock"]).mean().mean()
        held.append(scores["bias_low"] <= truth <= scores["bias_high"])
        width.append(scores["bias_high"] - scores["bias_low"])
    print(f"{sites} sites: bias intervals held {100 * np.mean(held):.1f} %, median width {np.median(width):.1f} d")
    assert FEWEST_HELD <= np.mean(held) <= MOST_HELD


def test_forecasts_of_a_season_not_seen_before_cover_as_stated() -> None:
    inside: dict[int, list[float]] = {80: [], 95: []}
    for seed in range(PROGRAMMES):
        made = troubled(seed, 24, tanks=200, batches=16)
        is_last = (made.frame["season"] == made.frame["season"].max()).to_numpy()
        fit = fit_development(made.frame[~is_last], "log_inverse", daily=made.daily)
        fits = {("chinook", "hatch_half"): {"log_inverse": fit}}
        table = forecast_stages(_as_season(made, is_last), fits=fits, stages=("hatch_half",))
        rows = table[table["model"] == "own_log_inverse"].set_index("tank_id")
        event = made.frame[is_last].set_index("tank_id")["event_day"].reindex(rows.index)
        on = rows["delivered_on"] + pd.to_timedelta(np.ceil(event) - 1, unit="D")
        for level, held in inside.items():
            known = rows[f"low_{level}"].notna()
            held.append(((rows[f"low_{level}"] <= on) & (on <= rows[f"high_{level}"]))[known].mean())
    shares = {level: 100 * float(np.mean(held)) for level, held in inside.items()}
    print(f"forecasts inside their intervals: {shares}")
    assert shares[80] == pytest.approx(80, abs=3)
    assert shares[95] == pytest.approx(95, abs=3)
