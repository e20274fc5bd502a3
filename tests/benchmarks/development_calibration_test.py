"""Fits, scores and forecasts of development over hundreds of drawn programmes; prints what it measured.

Run: python -m pytest tests/benchmarks/development_calibration_test.py -s
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tests.development.programmes import as_season, simulate_programme

from broodyear.development import fit_development, forecast_stages, score_development

PROGRAMMES = 500
#: Scoring refits once per batch, and a forecast needs a programme of its own.
FEWER_PROGRAMMES = 100
TEMPS_C = [6.0, 8.0, 10.0]
#: 95 % intervals are to hold the truth this often.
FEWEST_HELD, MOST_HELD = 0.93, 0.97


@pytest.mark.parametrize("batches", [12, 20])
def test_true_curve_lies_inside_its_interval(batches: int) -> None:
    held, errors = np.zeros(len(TEMPS_C)), []
    for seed in range(PROGRAMMES):
        made = simulate_programme(seed, tanks=10 * batches, batches=batches)
        fit = fit_development(made.frame, "log_inverse", daily=made.daily)
        limits, true = fit.interval(TEMPS_C), made.true.days(TEMPS_C)
        held += (limits["low"].to_numpy() <= true) & (true <= limits["high"].to_numpy())
        errors.append(np.log(limits["days"].to_numpy() / true))
    shares = held / PROGRAMMES
    print(
        f"{batches} batches: held at {TEMPS_C} °C {shares.round(3)}, mean log error {np.mean(errors, 0).round(4)}"
    )
    # Three temperatures of one programme go together; their mean is judged, each one printed.
    assert FEWEST_HELD <= shares.mean() <= MOST_HELD


def test_bias_is_estimated_between_the_looks() -> None:
    """No model bias: the interval likelihood finds none, first-seen dates find the waiting."""
    rows = []
    for seed in range(FEWER_PROGRAMMES):
        made = simulate_programme(seed, tanks=150, batches=15)
        table = score_development(made.frame, daily=made.daily, forms=("log_inverse",), schemes=("batch_out",))
        rows.append(table.query("model == 'own_log_inverse' and band == 'all'").iloc[0])
    found = pd.DataFrame(rows)
    is_clear = (found["bias_low"] > 0) | (found["bias_high"] < 0)
    print(
        f"bias {found['bias_days'].mean():+.3f} d, by first-seen dates "
        f"{found['bias_first_seen_days'].mean():+.3f} d; declared biased {100 * is_clear.mean():.0f} %; coverage "
        f"{found[['coverage_50', 'coverage_80', 'coverage_95']].mean().round(1).to_dict()}"
    )
    assert abs(found["bias_days"].mean()) < 0.1
    assert found["bias_first_seen_days"].mean() == pytest.approx(-0.93, abs=0.1)
    assert is_clear.mean() <= 0.10
    assert found["coverage_95"].mean() == pytest.approx(95, abs=3)
    assert found["coverage_80"].mean() == pytest.approx(80, abs=4)


def test_forecast_intervals_cover_a_season_not_seen_before() -> None:
    """Fitted to three seasons, ten days of the fourth read: the event falls inside as often as stated."""
    inside = {80: [], 95: []}
    for seed in range(FEWER_PROGRAMMES):
        made = simulate_programme(seed, tanks=200, batches=16)
        is_last = (made.frame["season"] == made.frame["season"].max()).to_numpy()
        fit = fit_development(made.frame[~is_last], "log_inverse", daily=made.daily)
        table = forecast_stages(
            as_season(made, is_last),
            fits={("chinook", "hatch_half"): {"log_inverse": fit}},
            stages=("hatch_half",),
        )
        rows = table[table["model"] == "own_log_inverse"].set_index("tank_id")
        event = made.frame[is_last].set_index("tank_id")["event_day"].reindex(rows.index)
        on = rows["delivered_on"] + pd.to_timedelta(np.ceil(event) - 1, unit="D")
        for level, held in inside.items():
            known = rows[f"low_{level}"].notna()
            held.append(((rows[f"low_{level}"] <= on) & (on <= rows[f"high_{level}"]))[known].mean())
    shares = {level: 100 * float(np.mean(held)) for level, held in inside.items()}
    print(f"forecasts of a new season hold {shares}")
    assert shares[80] == pytest.approx(80, abs=3)
    assert shares[95] == pytest.approx(95, abs=3)
