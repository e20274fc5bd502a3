"""A trial from the records of a store: its assignment, and what it could find."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from broodyear.errors import NothingToAnalyse
from broodyear.trials.assignment import Assignment, assign, candidates
from broodyear.trials.power import Power, power_of, spreads_of

#: Said with every plan: a trial changes what is done to live animals and in rooms with children.
TRIAL_CAUTIONS = (
    "Before a level is carried out, ask whoever answers for the animals: permits, fish health rules and local "
    "care standards come first. A level that would mean less care is not for a trial.",
    "Electricity near water and disinfectants are matters for trained persons. End a tank's part in the trial "
    "whenever its fish would suffer, and note followed = false.",
)


@dataclass(frozen=True)
class TrialPlan:
    """power: None when the records are too few, and why says so."""

    assignment: Assignment
    power: Power | None
    why: str = ""

    def sentences(self) -> tuple[str, ...]:
        """What a planner needs to know, one sentence each."""
        drawn = self.assignment
        counted = ", ".join(f"{level}: {_tanks(number)}" for level, number in drawn.per_level.items())
        left = tuple(f"{_tanks(number)} left out: {why}" for why, number in drawn.left_out.items())
        known = "" if drawn.rows["batch_id"].notna().any() else " (batches are not known yet: draw again then)"
        return (f"{counted}, in {drawn.blocks} blocks{known}", *left, *self._of_power())

    def _of_power(self) -> tuple[str, ...]:
        if self.power is None:
            return (self.why,)
        first, *later = self.power.smallest_points.items()
        if math.isnan(first[1]):
            return ("no difference up to 60 points is found with 80 % power: too few tanks",)
        after = ", ".join(f"after {seasons} seasons {points:.0f}" for seasons, points in later)
        return (
            f"smallest difference found with 80 % power: {first[1]:.0f} points",
            *((f"the same trial repeated: {after} points",) if after else ()),
            f"{self.power.wanted_points:.0f} points would need about {self.power.tanks_for:.0f} tanks",
        )


def _tanks(number: int) -> str:
    return f"{number} tank{'' if number == 1 else 's'}"


def plan_trial(
    tank_seasons: pd.DataFrame,
    outcomes: pd.DataFrame,
    factor: str,
    levels: tuple[str, ...],
    *,
    season: int | None = None,
    seed: int = 1,
) -> TrialPlan:
    """Assign ``levels`` of ``factor`` at random and work out what the comparison could find.

    tank_seasons, outcomes: the derived tables tank_seasons and tank_outcomes. season: default the one to come.
    Raises UsageError for a factor or level that there is not, NothingToAnalyse when no tank can take part.
    """
    year, tanks = candidates(tank_seasons, season)
    drawn = assign(tanks, tank_seasons, factor, levels, season=year, seed=seed)
    try:
        spreads = spreads_of(outcomes[outcomes["season"] < year])
    except NothingToAnalyse as error:
        return TrialPlan(drawn, None, str(error))
    return TrialPlan(drawn, power_of(drawn.rows, spreads, seed=seed))
