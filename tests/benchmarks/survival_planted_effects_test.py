"""Do the simulated programmes' planted effects lie in the season report's intervals at the nominal rate?

Run: python -m pytest tests/benchmarks/survival_planted_effects_test.py -s
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from broodyear.survival.effects_models import headline_model
from broodyear.survival.effects_rows import FACTORS, TEMPERATURE, outcome_rows, with_references
from broodyear.synthetic import outcome_rows as simulated_outcomes
from broodyear.synthetic import simulate

SEEDS = 200
OUTCOMES = ("hatch", "hatch_to_release", "delivered_to_release")
WANTED = (
    ("gravel_practice", "layered_stones"), ("gravel_practice", "bare"), ("gravel_practice", "gravel"),
    ("room_type", "hallway"), (TEMPERATURE, "+1 °C"),
)  # fmt: skip


def intervals(seed: int) -> list[dict[str, object]]:
    """Each planted effect of one programme with the interval the report would give it."""
    programme = simulate(seed, with_readings=False)
    frame = simulated_outcomes(programme)
    planted = {(row["factor"], row["level"]): row for row in programme.truth["effects"]}
    found = []
    for outcome in OUTCOMES:
        data = with_references(outcome_rows(frame, outcome).frame, [*FACTORS, "species"])
        practices = headline_model(data, list(FACTORS), outcome).fit
        warm = headline_model(data[data[TEMPERATURE].notna()], [*FACTORS, TEMPERATURE], outcome).fit
        for factor, level in WANTED:
            truth = planted[factor, level]
            points = truth["outcomes"][outcome]["difference_points"]
            if factor == TEMPERATURE:
                row = warm.step(factor).iloc[0]
            else:
                table = practices.contrast(factor, truth["reference"]).set_index("level")
                if level not in table.index:
                    continue
                row = table.loc[level]
            found.append(
                {
                    "outcome": outcome, "factor": factor, "level": level, "planted": points,
                    "estimate": row["difference_points"],
                    "covered": row["difference_low"] <= points <= row["difference_high"],
                    "half_width": (row["difference_high"] - row["difference_low"]) / 2.0,
                }
            )  # fmt: skip
    return found


@pytest.fixture(scope="module")
def measured() -> pd.DataFrame:
    table = pd.DataFrame([row for seed in range(SEEDS) for row in intervals(seed)])
    table["off"] = table["estimate"] - table["planted"]
    summary = table.groupby(["outcome", "factor", "level"]).agg(
        planted=("planted", "mean"), estimate=("estimate", "mean"), off=("off", "mean"),
        off_sd=("off", "std"), half_width=("half_width", "mean"), covered=("covered", "mean"),
        programmes=("covered", "size"),
    )  # fmt: skip
    print("\n" + summary.round(3).to_string())
    return summary


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_planted_effects_lie_in_their_intervals(measured: pd.DataFrame, outcome: str) -> None:
    covered = measured.loc[outcome, "covered"]
    assert np.average(covered) >= 0.92
    assert covered.min() >= 0.88
