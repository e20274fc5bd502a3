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

from .plan import Plan
from .scenario import Floats
from .season import SeasonTruth, developed, hazards_of
from .survival import STAGES, stage_effects
from .water import collapse_hazard

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


def planted_effects(lived: tuple[SeasonTruth, ...], plan: Plan) -> list[dict[str, Any]]:
    """Each planted effect: hazard ratios by stage, and by outcome the difference in points and odds ratio."""
    rows = []
    for practice in practices(plan):
        without, with_it = (
            [_hazards_with(truth, practice.factor, value) for truth in lived]
            for value in (practice.without, practice.with_it)
        )
        tanks = sum(int((truth.setups[practice.factor] == practice.with_it).sum()) for truth in lived)
        named = (practice.factor, practice.level, practice.reference)
        rows.append(_effect(named, practice.log_hazards, tanks, _by_outcome(lived, without, with_it)))
    as_it_was = [_met(truth.hazard.cumulative(), truth) for truth in lived]
    outcomes = _by_outcome(lived, as_it_was, [_hazards_warmer(truth, STEP_C) for truth in lived])
    log_hazards = (plan.survival.warm_log_hazard_per_c * STEP_C,) * 3
    tanks = sum(len(truth.setups) for truth in lived)
    return [*rows, _effect(("mean_water_temp_c", "+1 °C", ""), log_hazards, tanks, outcomes)]


def _effect(
    named: tuple[str, str, str], log_hazards: tuple[float, float, float], tanks: int, outcomes: dict[str, Any]
) -> dict[str, Any]:
    ratios = dict(zip(STAGES, np.exp(log_hazards).round(4).tolist(), strict=True))
    names = dict(zip(("factor", "level", "reference"), named, strict=True))
    return {**names, "hazard_ratios": ratios, "tanks": tanks, "outcomes": outcomes}


def _by_outcome(
    lived: tuple[SeasonTruth, ...], without: list[Floats], with_it: list[Floats]
) -> dict[str, dict[str, float]]:
    """Outcome -> its numbers, from the (3, tanks) hazards met in each season.

    Averaged over tank-seasons whose records reach the outcome and which are not planted poor.
    """
    found = {}
    for outcome, stages in OUTCOMES.items():
        counted = np.concatenate([truth.reaches()[outcome] & truth.ordinary for truth in lived])
        if not counted.any():
            continue  # in so small a programme no tank was followed to this outcome
        before, after = (
            np.exp(-np.concatenate(met, axis=1)[list(stages)].sum(axis=0))[counted].mean()
            for met in (without, with_it)
        )
        found[outcome] = {
            "difference_points": round(float(100 * (after - before)), 2),
            "odds_ratio": round(float(after / (1 - after) / (before / (1 - before))), 4),
        }
    return found


def _hazards_with(truth: SeasonTruth, column: str, value: Any) -> Floats:
    """(3, tanks) hazards met in each stage with one column of the set-ups at one value in every tank.

    What acts the whole season multiplies a stage's background, so its sum is multiplied as well.
    """
    as_it_was, changed = (
        stage_effects(setups, truth.batches, truth.cohorts, truth.plan)
        for setups in (truth.setups, truth.setups.assign(**{column: value}))
    )
    background, shock = truth.hazard.cumulative()
    return _met((background * np.exp(changed - as_it_was), shock), truth)


def _hazards_warmer(truth: SeasonTruth, by_c: float) -> Floats:
    """(3, tanks) hazards met in each stage when the season unfolds in water warmer by so much.

    A collapse stays in the stage it struck: one more or one less before a quicker hatch would be luck, and in
    few tanks outweigh the warmth.
    """
    water = replace(truth.water, hourly_c=truth.water.hourly_c + by_c)
    others = truth.incidents[~truth.incidents["is_collapse"]]
    hazard, _ = hazards_of(developed(replace(truth, water=water, incidents=others)))
    collapses = replace(truth.hazard, background=collapse_hazard(truth, truth.incidents)[truth.at]).cumulative()[0]
    return _met(hazard.cumulative(), truth) + collapses[:, truth.main]


def _met(cumulative: tuple[Floats, Floats], truth: SeasonTruth) -> Floats:
    met: Floats = (cumulative[0] + cumulative[1])[:, truth.main]
    return met
