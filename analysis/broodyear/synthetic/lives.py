"""The daily draw: eggs, alevins and fry of one season, tank by tank, until the tanks are emptied."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtr

from .development import Progress
from .plan import Plan
from .scenario import Bools, Floats, Ints
from .survival import Hazards

MOVED_SHARE = 0.25
"""Share of a tank's fry sent to another tank when fish are moved."""


@dataclass(frozen=True)
class Schedule:
    """What people do in a season, by tank: days are indices, -1 for never.

    looked: (tanks, days) whether the dead are picked that day. found_share: (3, tanks) share of the dead that is
    found when someone looks.
    """

    looked: Bools
    found_share: Floats
    close_day: Ints
    partial_day: Ints
    partial_share: Floats
    move_day: Ints
    move_to: Ints
    escape_day: Ints
    escape_share: Floats


@dataclass(frozen=True)
class Fates:
    """What happened: true counts by tank, and what was found of them.

    dead: (3 stages, tanks). dead_found, alive_by_day: (3, tanks, days) as picked at looks, and alive when people
    have gone. hatched, left (at emptying), escaped, partial (released before), moved_out, moved_in: (tanks,).
    """

    dead: Ints
    dead_found: Ints
    alive_by_day: Ints
    hatched: Ints
    left: Ints
    escaped: Ints
    partial: Ints
    moved_out: Ints
    moved_in: Ints

    @property
    def emptied_day(self) -> Ints:
        """(tanks,) the day after the last with live fish, 0 where there never were any."""
        alive = self.alive_by_day.sum(axis=0) > 0
        return np.where(alive.any(axis=1), alive.shape[1] - alive[:, ::-1].argmax(axis=1), 0)


def live(
    cohorts: pd.DataFrame,
    hazard: Hazards,
    progress: Progress,
    schedule: Schedule,
    plan: Plan,
    rng: np.random.Generator,
) -> Fates:
    """Draw the season."""
    lives = _Lives(cohorts, schedule, rng)
    death = 1 - np.exp(-(hazard.background + hazard.shock))
    hatched = ndtr((progress.to_hatch - 1) / plan.development.hatch_spread_fraction)
    buttoned = ndtr((progress.to_button_up - 1) / plan.development.button_up_spread_fraction)
    moving = np.stack([_conditional(hatched), _conditional(buttoned * (progress.to_button_up > 0))])
    arrival, eggs = cohorts["day"].to_numpy(), cohorts["eggs"].to_numpy()
    for day in range(arrival.min(), schedule.close_day.max() + 1):
        lives.alive[0] += np.where(arrival == day, eggs, 0)
        lives.die(death[:, :, day], plan.survival.fungus_hazard_per_dead_egg)
        lives.grow(*moving[:, :, day])
        lives.leave(day)
        lives.pick_up(day)
        lives.close(day)
    return lives.fates


def _conditional(share: Floats) -> Floats:
    """(cohorts, days) chance of moving on today for one that has not yet, from the share that has by its end."""
    before = np.concatenate([np.zeros((len(share), 1)), share[:, :-1]], axis=1)
    chance: Floats = np.clip((share - before) / np.maximum(1 - before, 1e-9), 0, 1)
    return chance


class _Lives:
    """The running counts of a season: alive (3, cohorts), dead in the water (3, tanks), and what has happened."""

    def __init__(self, cohorts: pd.DataFrame, schedule: Schedule, rng: np.random.Generator) -> None:
        self.at, self.schedule, self.rng = cohorts["at"].to_numpy(), schedule, rng
        tanks, days = schedule.looked.shape
        dead, self.in_water = np.zeros((2, 3, tanks), dtype=np.int64)
        self.alive = np.zeros((3, len(cohorts)), dtype=np.int64)
        by_day, by_tank = np.zeros((2, 3, tanks, days), dtype=np.int64), np.zeros((6, tanks), dtype=np.int64)
        self.fates = Fates(dead, *by_day, *by_tank)

    def by_tank(self, counts: Ints) -> Ints:
        """(…, cohorts) summed to (…, tanks)."""
        summed = np.zeros((len(self.schedule.close_day), *counts.shape[:-1]), dtype=np.int64)
        np.add.at(summed, self.at, counts.T)
        return summed.T

    def die(self, chance: Floats, fungus_hazard: float) -> None:
        """chance: (3, cohorts) of death today; fungus spreads from dead eggs left in the water."""
        fungus = np.exp(-fungus_hazard * self.in_water[0][self.at])
        dying = self.rng.binomial(self.alive, np.stack([1 - (1 - chance[0]) * fungus, *chance[1:]]))
        self.alive -= dying
        self.fates.dead[:] += self.by_tank(dying)
        self.in_water += self.by_tank(dying)

    def grow(self, hatching: Floats, buttoning: Floats) -> None:
        """Hatch, and button up; chances of (cohorts,) today."""
        buttoned = self.rng.binomial(self.alive[1], buttoning)
        hatched = self.rng.binomial(self.alive[0], hatching)
        self.alive += np.stack([-hatched, hatched - buttoned, buttoned])
        self.fates.hatched[:] += self.by_tank(hatched)

    def leave(self, day: int) -> None:
        """Partial releases, escapes into the filter, and fish moved to another tank."""
        plan, fates, fry = self.schedule, self.fates, self.alive[2]
        if (plan.partial_day == day).any():
            share = np.where(plan.partial_day == day, plan.partial_share, 0.0)[self.at]
            self._take(np.floor(fry * share).astype(np.int64), fates.partial)
        if (plan.escape_day == day).any():
            share = np.where(plan.escape_day == day, plan.escape_share, 0.0)[self.at]
            self._take(self.rng.binomial(fry, share), fates.escaped)
        for tank in np.flatnonzero(plan.move_day == day):
            source, target = (np.flatnonzero(self.at == which)[0] for which in (tank, plan.move_to[tank]))
            count = int(fry[source] * MOVED_SHARE)
            fry[source] -= count
            fry[target] += count
            fates.moved_out[tank] += count
            fates.moved_in[plan.move_to[tank]] += count

    def _take(self, counts: Ints, tally: Ints) -> None:
        self.alive[2] -= counts
        tally += self.by_tank(counts)

    def pick_up(self, day: int) -> None:
        """Someone looks: most of the dead are found and counted, the rest decays unseen."""
        looked = self.schedule.looked[:, day]
        found = self.rng.binomial(self.in_water, self.schedule.found_share)
        self.fates.dead_found[:, :, day] = np.where(looked, found, 0)
        self.in_water = np.where(looked, 0, self.in_water)

    def close(self, day: int) -> None:
        """Tanks are emptied: all that is alive leaves."""
        self.fates.alive_by_day[:, :, day] = self.by_tank(self.alive)
        leaving = np.where((self.schedule.close_day == day)[self.at], self.alive, 0)
        self.fates.left[:] += self.by_tank(leaving.sum(axis=0))
        self.alive -= leaving
