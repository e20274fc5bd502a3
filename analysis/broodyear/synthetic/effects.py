"""True effects in the units reports use: percentage points, by living the same tanks again, changed.

The same tanks, batches, luck and shocks are taken twice: with a practice in every tank and with its reference
in every tank, or in water 1 °C warmer and as it was. Expected survival is worked out by the mechanism itself
(season.py, survival.py) and its mean over tank-seasons compared: no model that could be under test is
fitted. `MEANING` says it in the words that stand beside the numbers.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from .conditions import developed
from .scenario import Floats
from .season import SeasonTruth
from .survival import STAGES, hazards_of, stage_effects
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


class Practice(NamedTuple):
    """One planted effect: a level of a factor and its reference, as named in the truth and as in the set-ups."""

    factor: str
    level: str
    reference: str
    with_it: Any
    without: Any


PRACTICES = (
    Practice("gravel_practice", "layered_stones", "single_layer_stones", "layered_stones", "single_layer_stones"),
    Practice("gravel_practice", "bare", "single_layer_stones", "bare", "single_layer_stones"),
    Practice("gravel_practice", "gravel", "single_layer_stones", "gravel", "single_layer_stones"),
    Practice("room_type", "hallway", "classroom", "hallway", "classroom"),
    Practice("light_cover", "False", "True", False, True),
    Practice("media_carried_over_pct", "0", "more than 0", 0.0, 50.0),
)


def planted_effects(lived: tuple[SeasonTruth, ...]) -> list[dict[str, Any]]:
    """Each planted effect: hazard ratios by stage, and by outcome the difference in points and odds ratio."""
    rows = []
    for factor, level, reference, with_it, without in PRACTICES:
        effects = [[_effects_at(truth, factor, value) for truth in lived] for value in (without, with_it)]
        outcomes = _by_outcome(lived, *(list(map(_met_with, lived, found)) for found in effects))
        tanks = sum(int((truth.setups[factor] == with_it).sum()) for truth in lived)
        rows.append(_row((factor, level, reference), (effects[1][0] - effects[0][0])[:, 0], tanks, outcomes))
    as_it_was = [_met(truth, *truth.hazard.cumulative()) for truth in lived]
    outcomes = _by_outcome(lived, as_it_was, [_met_warmer(truth, STEP_C) for truth in lived])
    log_hazard = lived[0].plan.survival.warm_log_hazard_per_c * STEP_C
    tanks = sum(len(truth.setups) for truth in lived)
    return [*rows, _row(("mean_water_temp_c", "+1 °C", ""), np.full(3, log_hazard), tanks, outcomes)]


def _row(named: tuple[str, str, str], log_hazards: Floats, tanks: int, outcomes: dict[str, Any]) -> dict[str, Any]:
    names = dict(zip(("factor", "level", "reference"), named, strict=True))
    ratios = dict(zip(STAGES, np.exp(log_hazards).round(4).tolist(), strict=True))
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


def _effects_at(truth: SeasonTruth, column: str, value: Any) -> Floats:
    """(3, cohorts) log hazards with one column of the set-ups at one value in every tank."""
    return stage_effects(replace(truth, setups=truth.setups.assign(**{column: value})))


def _met_with(truth: SeasonTruth, effects: Floats) -> Floats:
    """(3, tanks) hazards met in each stage with other effects than the season's own.

    What acts the whole season multiplies a stage's background, so its sum is multiplied as well.
    """
    background, shock = truth.hazard.cumulative()
    return _met(truth, background * np.exp(effects - stage_effects(truth)), shock)


def _met_warmer(truth: SeasonTruth, by_c: float) -> Floats:
    """(3, tanks) hazards met in each stage when the season unfolds in water warmer by so much.

    A collapse stays in the stage it struck: one more or one less before a quicker hatch would be luck, and in
    few tanks outweigh the warmth.
    """
    water = replace(truth.water, hourly_c=truth.water.hourly_c + by_c)
    others = truth.incidents[~truth.incidents["is_collapse"]]
    hazard, _ = hazards_of(developed(replace(truth, water=water, incidents=others)))
    struck = replace(truth.hazard, shock=collapse_hazard(truth, truth.incidents)[truth.at]).cumulative()[1]
    return _met(truth, *hazard.cumulative()) + struck[:, truth.main]


def _met(truth: SeasonTruth, background: Floats, shock: Floats) -> Floats:
    return np.asarray(background + shock)[:, truth.main]
