"""True effects in the units reports use: percentage points, by living the same tanks again, changed.

The same tanks, batches, luck and shocks are taken twice: with a practice in every tank and with its reference
in every tank, or in water 1 °C warmer and as it was. Expected survival is worked out by the mechanism itself
(season.py, survival.py) and its mean over tank-seasons compared: no model that could be under test is
fitted. `MEANING` says it in the words that stand beside the numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from .incidents import collapse_hazard
from .plan import Plan
from .season import SeasonTruth, developed, hazards_of
from .streams import Bools, Floats
from .survival import stage_effects
from .temperatures import Water

OUTCOMES = {"hatch": (0,), "hatch_to_release": (1, 2), "delivered_to_release": (0, 1, 2)}
"""Outcome: the stages (egg, alevin, fry) whose hazards it meets."""
STEP_C = 1.0
MEANING = {
    "difference_points": "mean expected survival of the same tank-seasons, changed less unchanged, in percentage"
    " points; it is survival of the fish, not of the counts",
    "odds_ratio": "of the same two means, so nearer to 1 than an odds ratio within site and batch",
    "averaged_over": "tank-seasons whose records reach the outcome, each counting once; those planted poor are"
    " left out, because what they would lack elsewhere is nobody's to say",
    "practices and rooms": "level in every tank against reference in every tank; batch, site, season, luck, water"
    " and shocks as they were",
    "+1 °C": "the water of every tank 1 °C warmer at every hour from delivery on, against as it was; development,"
    " the days of feeding and emptying and the hours above the hot limit follow from it; batch, site, season,"
    " practice, luck and incidents as they were, a collapse in the stage it struck",
    "tanks": "tank-seasons that have the level",
    "hazard_ratios": "what is planted: factor on the daily background hazard in each stage",
}
"""What every number of a planted effect means."""


@dataclass(frozen=True)
class Practice:
    """One planted effect: log hazards by stage, the level as named in the truth and its reference.

    with_it, without: how the level and its reference stand in the set-ups.
    """

    factor: str
    level: str
    reference: str
    log_hazards: tuple[float, float, float]
    with_it: Any
    without: Any


def practices(plan: Plan) -> tuple[Practice, ...]:
    """The planted effects of practices and rooms."""
    own = plan.survival
    hallway, gravel = (own.hallway_log_hazard,) * 3, (own.gravel_log_hazard,) * 3
    bare, layered = (0.0, own.bare_alevin_log_hazard, 0.0), (0.0, own.layered_stones_alevin_log_hazard, 0.0)
    uncovered, no_media = (own.no_light_cover_egg_log_hazard, 0.0, 0.0), (0.0, 0.0, own.no_media_fry_log_hazard)
    single = "single_layer_stones"
    return (
        Practice("gravel_practice", "layered_stones", single, layered, "layered_stones", single),
        Practice("gravel_practice", "bare", single, bare, "bare", single),
        Practice("gravel_practice", "gravel", single, gravel, "gravel", single),
        Practice("room_type", "hallway", "classroom", hallway, "hallway", "classroom"),
        Practice("light_cover", "False", "True", uncovered, False, True),
        Practice("media_carried_over_pct", "0", "more than 0", no_media, 0.0, 50.0),
    )


def planted_effects(lived: tuple[SeasonTruth, ...], plan: Plan, seed: int) -> list[dict[str, Any]]:
    """Each planted effect: hazard ratios by stage, and by outcome the difference in points and odds ratio."""
    counted = _counted(lived)
    rows = []
    for practice in practices(plan):
        without, with_it = (
            _survival([_hazards_with(truth, practice.factor, value, plan) for truth in lived])
            for value in (practice.without, practice.with_it)
        )
        tanks = sum(int((truth.setups[practice.factor] == practice.with_it).sum()) for truth in lived)
        rows.append(
            {
                "factor": practice.factor,
                "level": practice.level,
                "reference": practice.reference,
                "hazard_ratios": _ratios(practice.log_hazards),
                "tanks": tanks,
                "outcomes": _by_outcome(without, with_it, counted),
            }
        )
    return [*rows, _warmth(lived, counted, plan, seed)]


def _ratios(log_hazards: tuple[float, float, float]) -> dict[str, float]:
    return dict(zip(("egg", "alevin", "fry"), np.exp(log_hazards).round(4).tolist(), strict=True))


def _counted(lived: tuple[SeasonTruth, ...]) -> dict[str, Bools]:
    """Outcome -> (all tank-seasons,) whether its records reach the outcome and it is not planted poor."""
    known = [(truth.reaches(), (truth.setups["poor"] == "").to_numpy()) for truth in lived]
    return {outcome: np.concatenate([part[outcome] & usual for part, usual in known]) for outcome in OUTCOMES}


def _hazards_with(truth: SeasonTruth, column: str, value: Any, plan: Plan) -> Floats:
    """(3, tanks) hazards met in each stage with one column of the set-ups at one value in every tank.

    What acts the whole season multiplies a stage's background, so its sum is multiplied as well.
    """
    changed = truth.setups.assign(**{column: value})
    background, shock = truth.hazard.cumulative()
    shift = _season_long(truth, changed, plan) - _season_long(truth, truth.setups, plan)
    return _met((background * np.exp(shift), shock), truth)


def _season_long(truth: SeasonTruth, setups: pd.DataFrame, plan: Plan) -> Floats:
    return stage_effects(setups, truth.batches, truth.cohorts, plan)


def _survival(met: list[Floats]) -> dict[str, Floats]:
    """Outcome -> (all tank-seasons,) expected survival, from (3, tanks) hazards met in each season."""
    whole = np.concatenate(met, axis=1)
    return {outcome: np.exp(-whole[list(stages)].sum(axis=0)) for outcome, stages in OUTCOMES.items()}


def _by_outcome(
    without: dict[str, Floats], with_it: dict[str, Floats], counted: dict[str, Bools]
) -> dict[str, dict[str, float]]:
    found = {}
    for outcome, rows in counted.items():
        if not rows.any():
            continue  # in so small a programme no tank was followed to this outcome
        before, after = without[outcome][rows].mean(), with_it[outcome][rows].mean()
        found[outcome] = {
            "difference_points": round(float(100 * (after - before)), 2),
            "odds_ratio": round(float(after / (1 - after) / (before / (1 - before))), 4),
        }
    return found


def _warmth(lived: tuple[SeasonTruth, ...], counted: dict[str, Bools], plan: Plan, seed: int) -> dict[str, Any]:
    """One degree more in every tank at every hour."""
    as_it_was = _survival([_met(truth.hazard.cumulative(), truth) for truth in lived])
    warmer = _survival([_hazards_warmer(truth, STEP_C, plan, seed) for truth in lived])
    log_hazard = plan.survival.warm_log_hazard_per_c * STEP_C
    return {
        "factor": "mean_water_temp_c",
        "level": "+1 °C",
        "reference": "",
        "hazard_ratios": _ratios((log_hazard,) * 3),
        "tanks": sum(len(truth.setups) for truth in lived),
        "outcomes": _by_outcome(as_it_was, warmer, counted),
    }


def _hazards_warmer(truth: SeasonTruth, by_c: float, plan: Plan, seed: int) -> Floats:
    """(3, tanks) hazards met in each stage when the season unfolds in water warmer by so much.

    A collapse stays in the stage it struck: one more or one less before a quicker hatch would be luck, and in
    few tanks outweigh the warmth.
    """
    water = Water(truth.water.hourly_c + by_c, truth.water.room_c, truth.water.still)
    others = truth.incidents[~truth.incidents["is_collapse"]]
    hazard, _ = hazards_of(seed, developed(seed, replace(truth, water=water, incidents=others), plan), plan)
    return _met(hazard.cumulative(), truth) + _collapses(truth)


def _collapses(truth: SeasonTruth) -> Floats:
    """(3, tanks) hazards of collapses, in the stage each struck."""
    days = truth.hazard.in_stage.shape[2]
    daily = collapse_hazard(truth.incidents, len(truth.setups), days)[truth.at]
    struck: Floats = (truth.hazard.in_stage * daily).sum(axis=2)[:, truth.main]
    return struck


def _met(cumulative: tuple[Floats, Floats], truth: SeasonTruth) -> Floats:
    met: Floats = (cumulative[0] + cumulative[1])[:, truth.main]
    return met
