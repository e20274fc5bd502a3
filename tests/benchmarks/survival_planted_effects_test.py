"""Do the simulated programmes' planted effects lie in the season report's intervals at the nominal rate?

Run: python -m pytest tests/benchmarks/survival_planted_effects_test.py -s
About 11 minutes of processor time for 200 programmes, and 4 for the 12 that go through uploads and store.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests.simulated.outcomes import outcome_rows as simulated_outcomes

from broodyear.intake import load_paths
from broodyear.store import open_store
from broodyear.survival.practices.factors import SET_POINT, outcome_rows
from broodyear.survival.practices.findings import TEMPERATURE, Finding, estimated, step_contrast
from broodyear.survival.practices.model import AdjustedModel, centred, fit_adjusted
from broodyear.survival.tank_frame import prepare
from broodyear.synthetic import Programme, simulate, write_uploads

SEEDS = 200
SEEDS_THROUGH_A_STORE = 12
SEEDS_FULLY_COUNTED = 60
OUTCOMES = ("hatch", "hatch_to_release", "delivered_to_release")
WANTED = (
    ("gravel_practice", "layered_stones"), ("gravel_practice", "bare"), ("gravel_practice", "gravel"),
    ("room_type", "hallway"), (TEMPERATURE, "+1 °C"),
)  # fmt: skip


def intervals(seed: int) -> list[dict[str, object]]:
    """Each planted effect of one programme with the interval the report would give it."""
    programme = simulate(seed, with_readings=False)
    return beside_the_truth(programme, simulated_outcomes(programme))


def intervals_through_a_store(seed: int, folder: Path) -> list[dict[str, object]]:
    """The same from uploads with their mistakes: counts, exposures and refusals are the store's own."""
    programme = simulate(seed, logger_interval_minutes=720)
    write_uploads(programme, folder / "uploads")
    with open_store(folder / "programme.duckdb", for_loading=True) as store:
        load_paths(store, [str(folder / "uploads")])
    with open_store(folder / "programme.duckdb") as store:
        return beside_the_truth(programme, store.result("tank_outcomes"))


def beside_the_truth(
    programme: Programme, frame: pd.DataFrame, outcomes: Sequence[str] = OUTCOMES
) -> list[dict[str, object]]:
    """The report's two models on these tank-seasons, and each planted effect beside its interval."""
    planted = {(row["factor"], row["level"]): row for row in programme.truth["effects"]}
    prepared = prepare(frame)
    found = []
    for outcome in outcomes:
        rows = outcome_rows(prepared[prepared["outcome"] == outcome], outcome)
        factors = [factor for name, factor in rows.factors.items() if name not in rows.waiting]
        total = fit_adjusted(rows.used, factors)
        temps = centred(TEMPERATURE, rows.used[TEMPERATURE].to_numpy(dtype=float))
        direct = fit_adjusted(rows.used, [factor for factor in factors if factor.name != SET_POINT], temps)
        for factor, level in WANTED:
            truth = planted[factor, level]
            contrast = (
                step_contrast(direct, factor, level, 0, 0, 1.0)
                if factor == TEMPERATURE
                else between(total, factor, level, truth["reference"])
            )
            if contrast is not None:
                found.append(beside(outcome, contrast, truth["outcomes"][outcome]["difference_points"]))
    return found


def between(model: AdjustedModel, name: str, level: str, reference: str) -> Finding | None:
    """The contrast of two levels, whichever of them the report compares with; None without tanks enough."""
    factor = model.factors[name]
    if not {level, reference} <= set(factor.compared):
        return None
    shares = model.averages_of(name)
    direction = (model.direction(name, level) - model.direction(name, reference))[model.columns.kept]
    blank = Finding(name, level, reference, *factor.sizes[level])
    return estimated(model, blank, direction, shares[level], shares[reference])


def beside(outcome: str, contrast: Finding, points: float) -> dict[str, object]:
    return {
        "outcome": outcome, "factor": contrast.factor, "level": contrast.level, "planted": points,
        "estimate": contrast.points, "covered": contrast.points_limit(-1) <= points <= contrast.points_limit(1),
        "half_width": contrast.critical * contrast.points_error,
    }  # fmt: skip


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


def test_a_degree_at_hatch_is_larger_where_every_dead_egg_is_counted() -> None:
    parts = []
    for programme in map(partial(simulate, with_readings=False), range(SEEDS_FULLY_COUNTED)):
        for every_dead_egg in (False, True):
            found = beside_the_truth(
                programme, simulated_outcomes(programme, every_dead_egg=every_dead_egg), ("hatch",)
            )
            parts.append(pd.DataFrame(found).assign(every_dead_egg=every_dead_egg))
    table = pd.concat(parts)
    degree = (
        table[table["factor"] == TEMPERATURE].groupby("every_dead_egg")[["planted", "estimate", "covered"]].mean()
    )
    print("\n" + degree.round(3).to_string())
    assert degree.loc[True, "planted"] < degree.loc[True, "estimate"] < degree.loc[False, "estimate"]


def test_planted_effects_are_found_from_uploads(tmp_path: Path) -> None:
    found = [
        row
        for seed in range(SEEDS_THROUGH_A_STORE)
        for row in intervals_through_a_store(seed, tmp_path / str(seed))
    ]
    covered = pd.DataFrame(found)["covered"]
    print(f"\nthrough uploads and store: {int(covered.sum())} of {len(covered)} planted effects inside")
    assert covered.mean() >= 0.90  # 180 intervals of 12 programmes, which err together
