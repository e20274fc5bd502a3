"""Development where thermometers are off, dates are wrong and stocks differ; prints what it measured.

Run: python -m pytest tests/benchmarks/development_troubles_test.py -s
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tests.benchmarks.development_calibration_test import FEWEST_HELD, MOST_HELD, PROGRAMMES
from tests.development.programmes import as_season, siblings_inside, troubled

from broodyear.development import fit_development, forecast_stages
from broodyear.development.likelihood.crossed import crossed_means
from broodyear.development.likelihood.tank_records import tank_records
from broodyear.development.scoring.cross_validation import HeldOut, matrix_of, predicted_days
from broodyear.development.scoring.score_cells import days_scores, mean_error

SIBLINGS_PROGRAMMES = 200


@pytest.mark.parametrize("sites", [10, 24])
def test_bias_intervals_of_a_true_model_cover_what_is_true(sites: int) -> None:
    """The truth is scored; what it is off by is what these stocks differ from it on average."""
    held, width = [], []
    for seed in range(PROGRAMMES):
        made = troubled(seed, sites)
        records = tank_records(made.frame, made.daily)
        start = records.to_start @ made.true.rate(records.grid_c)
        day = predicted_days(made.true.rate, matrix_of(records), start)
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
        table = forecast_stages(as_season(made, is_last), fits=fits, stages=("hatch_half",))
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


@pytest.mark.parametrize(("tanks", "batches", "sites", "seasons"), [(36, 6, 12, 2), (120, 12, 24, 4)])
def test_siblings_of_the_first_tank_seen_lie_inside_their_intervals(
    tanks: int, batches: int, sites: int, seasons: int
) -> None:
    found = [
        siblings_inside(troubled(seed, sites, tanks=tanks, batches=batches, seasons=seasons))
        for seed in range(SIBLINGS_PROGRAMMES)
    ]
    by_programme = pd.DataFrame([one.mean() for one in found if len(one)])
    shares = (100 * by_programme[["in_80", "in_95"]].mean()).round(1).to_dict()
    width = pd.concat(found)["width_days"].median()
    print(f"{tanks} tanks: siblings inside {shares}, {len(by_programme)} programmes, median width {width:.0f} d")
    assert shares["in_80"] == pytest.approx(80, abs=4)
    assert shares["in_95"] == pytest.approx(95, abs=3)
