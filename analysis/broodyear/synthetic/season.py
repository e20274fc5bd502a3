"""One season lived through, day by day: deaths, hatch, people, exits. The truth, before anyone writes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from .conditions import DevelopedSeason, conditions_of, developed
from .scenario import SIMULATED_DAYS, Bools, Floats, Ints, Season
from .survival import Hazards, hazards_of

LATE_PICK_DAYS = 14
"""Days after half hatch until which dead eggs are still picked."""
MOVED_SHARE = 0.25
"""Share of a tank's fry sent to another tank when fish are moved."""


@dataclass(frozen=True)
class Schedule:
    """What people do in a season, by tank: days are indices, -1 for never.

    found_share: (3, tanks) share of the dead that is found when someone looks.
    """

    found_share: Floats
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


@dataclass(frozen=True)
class SeasonTruth(DevelopedSeason):
    """Everything true of one season.

    poor_factor: (cohorts,) factor on hazards of tanks planted poor, 1 elsewhere. silent_day: (tanks,) day
    from which nothing is sent any more, beyond the season for tanks that report.
    """

    hazard: Hazards
    poor_factor: Floats
    schedule: Schedule
    fates: Fates
    silent_day: Ints

    def reaches(self) -> dict[str, Bools]:
        """Outcome -> (tanks,) whether its records go on until the outcome is known."""
        hatch_day = np.nan_to_num(self.progress.hatch_day[self.main], nan=1e9)
        to_release = self.silent_day > self.close_day
        return {
            "hatch": self.silent_day > hatch_day + LATE_PICK_DAYS,
            "hatch_to_release": to_release,
            "delivered_to_release": to_release,
        }

    @property
    def open_days(self) -> Bools:
        """(tanks, days) days on which a tank holds fish and still reports."""
        day = np.arange(SIMULATED_DAYS)
        last = np.minimum(self.close_day, self.fates.emptied_day + 3)
        in_use = (day >= self.first_day[:, None]) & (day <= last[:, None])
        return in_use & (day < self.silent_day[:, None])


def live_season(season: Season) -> SeasonTruth:
    """Live one season of a programme."""
    developing = developed(conditions_of(season))
    hazard, poor_factor = hazards_of(developing)
    schedule = _schedule(developing)
    return SeasonTruth(
        **vars(developing),
        hazard=hazard,
        poor_factor=poor_factor,
        schedule=schedule,
        fates=_live(developing, hazard, schedule),
        silent_day=_silence(developing),
    )


def _schedule(season: DevelopedSeason) -> Schedule:
    """What people will do: partial releases, fish moved to another tank of the batch, escapes."""
    records, close_day, fry_day, ordinary = season.plan.records, season.close_day, season.fry_day, season.ordinary
    rng, tanks = season.stream("exits"), len(close_day)
    draw = rng.random((3, tanks))
    before = season.calendar.next_school_day(close_day - 14)
    partial = (draw[0] < records.partial_release_share) & (before > fry_day + 10) & (before < close_day)
    escape = (draw[1] < records.escape_share) & (close_day - 25 > fry_day) & ordinary
    sender = (draw[2] < records.transfer_share) & (close_day - 30 > fry_day) & ordinary & ~partial
    move_to = _receivers(season, sender, ordinary & ~partial, rng)
    found_share = np.full((3, tanks), records.dead_found_share)
    is_layered = season.tank("gravel_practice") == "layered_stones"
    found_share[1, is_layered] = records.dead_alevins_found_in_stones_share
    return Schedule(
        found_share=found_share,
        partial_day=np.where(partial, before, -1),
        partial_share=rng.uniform(0.3, 0.5, tanks),
        move_day=np.where(move_to >= 0, season.calendar.next_school_day(close_day - 28), -1),
        move_to=move_to,
        escape_day=np.where(escape, close_day - 20, -1),
        escape_share=rng.uniform(0.05, 0.15, tanks),
    )


def _receivers(season: DevelopedSeason, sender: Bools, may_receive: Bools, rng: np.random.Generator) -> Ints:
    """(tanks,) the tank each sender sends to, -1 for none: one of its batch, with fry, that stays open longer."""
    batch, close_day = season.of_batch("batch_id")[season.main], season.close_day
    to, free = np.full(len(sender), -1), may_receive & ~sender
    for tank in np.flatnonzero(sender):
        has_fry, stays = season.fry_day < close_day[tank] - 30, close_day > close_day[tank] - 10
        candidates = np.flatnonzero(free & (batch == batch[tank]) & has_fry & stays)
        if candidates.size:
            to[tank] = rng.choice(candidates)
            free[to[tank]] = False
    return to


def _silence(season: DevelopedSeason) -> Ints:
    """(tanks,) the day from which a tank sends nothing: its collapse, or any; after the season if it reports."""
    share = season.stream("silence").uniform(0.2, 0.9, len(season.setups))
    day = (season.first_day + share * (season.close_day - season.first_day)).astype(np.int64)
    collapses = season.incidents[season.incidents["is_collapse"]]
    day[collapses["at"]] = collapses["start_hour"] // 24 + 1
    return np.where(season.tank("reports"), SIMULATED_DAYS + 1, day)


def _live(season: DevelopedSeason, hazard: Hazards, schedule: Schedule) -> Fates:
    """Draw the season day by day."""
    plan, progress, lives = season.plan, season.progress, _Lives(season, schedule)
    death = 1 - np.exp(-(hazard.background + hazard.shock))
    hatched = ndtr((progress.to_hatch - 1) / plan.development.hatch_spread_fraction)
    buttoned = ndtr((progress.to_button_up - 1) / plan.development.button_up_spread_fraction)
    moving = np.stack([_conditional(hatched), _conditional(buttoned * (progress.to_button_up > 0))])
    arrival, eggs = season.cohorts["day"].to_numpy(), season.cohorts["eggs"].to_numpy()
    for day in range(arrival.min(), season.close_day.max() + 1):
        lives.alive[0] += np.where(arrival == day, eggs, 0)
        lives.die(death[:, :, day])
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

    def __init__(self, season: DevelopedSeason, schedule: Schedule) -> None:
        self.season, self.schedule, self.at, self.rng = season, schedule, season.at, season.stream("lives")
        tanks, days = season.looked.shape
        dead, self.in_water = np.zeros((2, 3, tanks), dtype=np.int64)
        self.alive = np.zeros((3, len(self.at)), dtype=np.int64)
        by_day, by_tank = np.zeros((2, 3, tanks, days), dtype=np.int64), np.zeros((6, tanks), dtype=np.int64)
        self.fates = Fates(dead, *by_day, *by_tank)

    def by_tank(self, counts: Ints) -> Ints:
        """(…, cohorts) summed to (…, tanks)."""
        summed = np.zeros((len(self.season.setups), *counts.shape[:-1]), dtype=np.int64)
        np.add.at(summed, self.at, counts.T)
        return summed.T

    def die(self, chance: Floats) -> None:
        """chance: (3, cohorts) of death today; fungus spreads from dead eggs left in the water."""
        fungus = np.exp(-self.season.plan.survival.fungus_hazard_per_dead_egg * self.in_water[0][self.at])
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
        looked = self.season.looked[:, day]
        found = self.rng.binomial(self.in_water, self.schedule.found_share)
        self.fates.dead_found[:, :, day] = np.where(looked, found, 0)
        self.in_water = np.where(looked, 0, self.in_water)

    def close(self, day: int) -> None:
        """Tanks are emptied: all that is alive leaves."""
        self.fates.alive_by_day[:, :, day] = self.by_tank(self.alive)
        leaving = np.where((self.season.close_day == day)[self.at], self.alive, 0)
        self.fates.left[:] += self.by_tank(leaving.sum(axis=0))
        self.alive -= leaving
