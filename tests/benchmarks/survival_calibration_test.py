"""Coverage, false alarms and power of the mixed model over drawn programmes, the naive binomial beside it.

Run: python -m pytest tests/benchmarks/survival_calibration_test.py -s
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, ndtri
from tests.simulated.tank_seasons import TankSeasonPlan, draw_tank_seasons

from broodyear.survival import fit_survival

PROGRAMMES = 2000  # seeds 0 to 1999, all counted: the error of a coverage near 95 % is then 0.5 points
FORMULA = "gravel_practice + room_type + mean_water_temp_c"
TRUTH = {
    "gravel_practice[T.gravel]": 0.4,
    "gravel_practice[T.single_layer_stones]": 0.0,
    "room_type[T.hallway]": -0.5,
    "room_type[T.library]": 0.0,
    "mean_water_temp_c": -0.1,
}
PLAN = TankSeasonPlan(
    gravel_effects={"gravel": 0.4}, room_effects={"hallway": -0.5}, temp_effect_per_c=-0.1
)  # 60 sites, 5 seasons, 20 batches; logit spreads 0.30 site, 0.50 batch, 0.15 season, 0.45 tank-season
GROUPS = ["site_id", "batch_id", "tank_season"]


def programme(seed: int, plan: TankSeasonPlan = PLAN) -> pd.DataFrame:
    frame = draw_tank_seasons(np.random.default_rng(seed), plan)
    return frame.assign(tank_season=frame["season"].astype(str) + frame["tank_id"])


def true_points(frame: pd.DataFrame) -> float:
    """Population-averaged difference gravel − bare in points, from what was planted."""
    total = np.sqrt(PLAN.site_sd**2 + PLAN.batch_sd**2 + PLAN.season_sd**2 + PLAN.tank_sd**2)
    nodes, weights = np.polynomial.hermite_e.hermegauss(41)
    base = (
        PLAN.base_logit
        + frame["room_type"].map(lambda room: PLAN.room_effects.get(room, 0.0))
        + PLAN.temp_effect_per_c * (frame["mean_water_temp_c"] - 9.0)
    ).to_numpy()
    shares = [
        (expit(base[:, None] + gravel + total * nodes) @ (weights / weights.sum())).mean() for gravel in (0.4, 0.0)
    ]
    return float(100.0 * (shares[0] - shares[1]))


def one_programme(seed: int) -> dict[str, float]:
    frame = programme(seed)
    mixed = fit_survival(
        frame, FORMULA, survived="survivors", trials="eggs", groups=GROUPS, small_sample=True, spread_prior=True
    )
    quasi = fit_survival(frame, FORMULA, survived="survivors", trials="eggs", method="quasi_binomial")
    naive_error = quasi.effects["std_error"] / np.sqrt(quasi.dispersion)
    found: dict[str, float] = {}
    for term, true in TRUTH.items():
        row = mixed.effects.loc[term]
        found[f"mixed covers {term}"] = row["ci_low"] <= true <= row["ci_high"]
        found[f"mixed finds {term}"] = row["p_value"] < 0.05
        distance = abs(quasi.effects.loc[term, "estimate"] - true) / naive_error[term]
        found[f"naive covers {term}"] = distance <= ndtri(0.975)
        found[f"naive finds {term}"] = abs(quasi.effects.loc[term, "estimate"]) / naive_error[term] > ndtri(0.975)
        found[f"bias {term}"] = row["estimate"] - true
    points = mixed.contrast("gravel_practice").set_index("level").loc["gravel"]
    found["mixed covers points"] = points["difference_low"] <= true_points(frame) <= points["difference_high"]
    intervals = {"site_id": PLAN.site_sd, "tank_season": PLAN.tank_sd}
    for group, sd in intervals.items():
        found[f"sd of {group}"] = float(mixed.group_sd[group]) - sd
    return found


@pytest.fixture(scope="module")
def measured() -> pd.Series:
    table = pd.DataFrame([one_programme(seed) for seed in range(PROGRAMMES)]).astype(float)
    print("\n" + table.mean().round(4).to_string())
    return table.mean()


@pytest.mark.parametrize("term", list(TRUTH))
def test_coverage_of_95_percent_intervals(measured: pd.Series, term: str) -> None:
    assert 0.93 <= measured[f"mixed covers {term}"] <= 0.97
    assert measured[f"naive covers {term}"] < 0.75


def test_coverage_of_population_averaged_differences(measured: pd.Series) -> None:
    assert 0.93 <= measured["mixed covers points"] <= 0.97


@pytest.mark.parametrize("term", [term for term, effect in TRUTH.items() if effect == 0.0])
def test_false_alarms_at_five_percent(measured: pd.Series, term: str) -> None:
    assert 0.03 <= measured[f"mixed finds {term}"] <= 0.07
    assert measured[f"naive finds {term}"] > 0.25


def test_power_is_real(measured: pd.Series) -> None:
    assert measured["mixed finds gravel_practice[T.gravel]"] > 0.6
