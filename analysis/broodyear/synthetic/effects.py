"""True effects in the units reports use: percentage points, by living the same tanks with and without a
practice.

A practice multiplies one stage's background hazard. So the same tanks, water and batches are taken with the
practice and without it, and expected survival is averaged over tank-seasons: the population-averaged effect
an analysis is after.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from .plan import Plan
from .season import SeasonTruth
from .streams import Bools, Floats

OUTCOMES = {"hatch": (0,), "hatch_to_release": (1, 2), "delivered_to_release": (0, 1, 2)}
"""Outcome: the stages (egg, alevin, fry) whose hazards it meets."""


@dataclass(frozen=True)
class Practice:
    """One planted effect: log hazards by stage, and which tanks have it (a column and its level)."""

    factor: str
    level: str
    reference: str
    log_hazards: tuple[float, float, float]


def practices(plan: Plan) -> tuple[Practice, ...]:
    """The planted effects of practices and rooms."""
    own = plan.survival
    hallway = own.hallway_log_hazard
    return (
        Practice(
            "gravel_practice",
            "layered_stones",
            "single_layer_stones",
            (0.0, own.layered_stones_alevin_log_hazard, 0.0),
        ),
        Practice("gravel_practice", "bare", "single_layer_stones", (0.0, own.bare_alevin_log_hazard, 0.0)),
        Practice("gravel_practice", "gravel", "single_layer_stones", (own.gravel_log_hazard,) * 3),
        Practice("room_type", "hallway", "classroom", (hallway, hallway, hallway)),
        Practice("light_cover", "False", "True", (own.no_light_cover_egg_log_hazard, 0.0, 0.0)),
        Practice("media_carried_over_pct", "0", "more than 0", (0.0, 0.0, own.no_media_fry_log_hazard)),
    )


def practice_effects(lived: tuple[SeasonTruth, ...], plan: Plan) -> list[dict[str, Any]]:
    """Each planted effect: hazard ratios by stage, and by outcome the difference in points and the odds
    ratio."""
    background, shock = _hazards(lived)
    rows = []
    for practice in practices(plan):
        has_it = np.concatenate([_has(truth, practice) for truth in lived])
        log_hazards = np.array(practice.log_hazards)[:, None]
        without = background * np.exp(-log_hazards * has_it)
        rows.append(_effect(practice, without, without * np.exp(log_hazards), shock, has_it))
    return [*rows, _warmth(lived, plan, background, shock)]


def _hazards(lived: tuple[SeasonTruth, ...]) -> tuple[Floats, Floats]:
    """Background and shock hazards by stage, (3, all tank-seasons)."""
    parts = [[part[:, truth.main] for part in truth.hazard.cumulative()] for truth in lived]
    return np.concatenate([p[0] for p in parts], axis=1), np.concatenate([p[1] for p in parts], axis=1)


def _has(truth: SeasonTruth, practice: Practice) -> Bools:
    if practice.factor == "media_carried_over_pct":
        return (truth.setups["media_carried_over_pct"] == 0).to_numpy()
    return (truth.setups[practice.factor].astype(str) == practice.level).to_numpy()


def _effect(practice: Practice, without: Floats, with_it: Floats, shock: Floats, has_it: Bools) -> dict[str, Any]:
    return {
        "factor": practice.factor,
        "level": practice.level,
        "reference": practice.reference,
        "hazard_ratios": dict(
            zip(("egg", "alevin", "fry"), np.exp(practice.log_hazards).round(4).tolist(), strict=True)
        ),
        "tanks": int(has_it.sum()),
        "outcomes": _by_outcome(without, with_it, shock),
    }


def _by_outcome(without: Floats, with_it: Floats, shock: Floats) -> dict[str, dict[str, float]]:
    found = {}
    for outcome, stages in OUTCOMES.items():
        rows = list(stages)
        before = np.exp(-(without + shock)[rows].sum(axis=0)).mean()
        after = np.exp(-(with_it + shock)[rows].sum(axis=0)).mean()
        found[outcome] = {
            "difference_points": round(float(100 * (after - before)), 2),
            "odds_ratio": round(float(after / (1 - after) / (before / (1 - before))), 4),
        }
    return found


def _warmth(lived: tuple[SeasonTruth, ...], plan: Plan, background: Floats, shock: Floats) -> dict[str, Any]:
    """One degree more in every tank on every day, with the stages as long as they were."""
    ratio = np.concatenate([_warmer(truth, plan) for truth in lived], axis=1)
    return {
        "factor": "mean_water_temp_c",
        "level": "+1 °C",
        "reference": "",
        "hazard_ratios": {},
        "tanks": background.shape[1],
        "outcomes": _by_outcome(background, background * ratio, shock),
    }


def _warmer(truth: SeasonTruth, plan: Plan) -> Floats:
    """(3, tanks) factor on each stage's hazard when every day is 1 °C warmer."""
    own = plan.survival
    daily = truth.water.daily_mean_c()[truth.cohorts["at"].to_numpy()[truth.main]]
    excess = np.maximum(daily + 1 - own.warm_threshold_c, 0) - np.maximum(daily - own.warm_threshold_c, 0)
    hazard = (truth.hazard.background * truth.hazard.in_stage)[:, truth.main]
    warmer = (hazard * np.exp(own.warm_log_hazard_per_c * excess)[None]).sum(axis=2)
    factor: Floats = warmer / np.maximum(hazard.sum(axis=2), 1e-12)
    return factor
