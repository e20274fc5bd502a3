"""The daily draw: eggs, alevins and fry of one season, tank by tank, until the tanks are emptied."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from .plan import Plan
from .streams import Bools, Floats, Ints
from .survival import Fates, Hazards, Schedule


class _Season:
    """The running counts of one season: alive (3, cohorts), dead in the water (3, tanks), and the tallies."""

    def __init__(self, cohorts: pd.DataFrame, tanks: int, days: int) -> None:
        self.at = cohorts["at"].to_numpy()
        self.tanks = tanks
        cohort_count = len(cohorts)
        self.alive = np.zeros((3, cohort_count), dtype=np.int64)
        self.dead = np.zeros((3, cohort_count), dtype=np.int64)
        self.hatched = np.zeros(cohort_count, dtype=np.int64)
        self.in_water = np.zeros((3, tanks), dtype=np.int64)
        self.dead_found = np.zeros((3, tanks, days), dtype=np.int64)
        self.alive_by_day = np.zeros((3, tanks, days), dtype=np.int64)
        self.tallies = {
            name: np.zeros(tanks, dtype=np.int64) for name in ("left", "escaped", "partial", "out", "in")
        }

    def by_tank(self, counts: Ints) -> Ints:
        """(…, cohorts) summed to (…, tanks)."""
        summed = np.zeros((*counts.shape[:-1], self.tanks), dtype=np.int64)
        np.add.at(summed.reshape(-1, self.tanks).T, self.at, counts.reshape(-1, counts.shape[-1]).T)
        return summed

    def take(self, counts: Ints, tally: str) -> None:
        """Fry leave: (cohorts,) counts are taken from the alive and added to a tally."""
        self.alive[2] -= counts
        self.tallies[tally] += self.by_tank(counts)


def live(
    cohorts: pd.DataFrame,
    hazard: Hazards,
    shares: tuple[Floats, Floats],
    schedule: Schedule,
    plan: Plan,
    rng: np.random.Generator,
) -> Fates:
    """Draw the season; shares: hatched and buttoned-up shares of `hatched_share`."""
    tanks, days = schedule.looked.shape
    state = _Season(cohorts, tanks, days)
    death = 1 - np.exp(-(hazard.background + hazard.shock))
    moving = [_conditional(share) for share in shares]
    arrival, eggs = cohorts["day"].to_numpy(), cohorts["eggs"].to_numpy()
    for day in range(int(arrival.min()), int(schedule.close_day.max()) + 1):
        state.alive[0] += np.where(arrival == day, eggs, 0)
        _die(state, death[:, :, day], day, plan, rng)
        _grow(state, [part[:, day] for part in moving], rng)
        _people(state, schedule, day, rng)
        _pick_up(state, schedule.looked[:, day], schedule.found_share, day, rng)
        state.alive_by_day[:, :, day] = state.by_tank(state.alive)
        _close(state, schedule.close_day == day)
    return _fates(state)


def _conditional(share: Floats) -> Floats:
    """(cohorts, days) chance of moving on today for one that has not yet."""
    before = np.concatenate([np.zeros((len(share), 1)), share[:, :-1]], axis=1)
    chance: Floats = np.clip((share - before) / np.maximum(1 - before, 1e-9), 0, 1)
    return chance


def _die(state: _Season, death: Floats, day: int, plan: Plan, rng: np.random.Generator) -> None:
    fungus = plan.survival.fungus_hazard_per_dead_egg * state.in_water[0][state.at]
    chance = death.copy()
    chance[0] = 1 - (1 - chance[0]) * np.exp(-fungus)
    dying = rng.binomial(state.alive, chance)
    state.alive -= dying
    state.dead += dying
    state.in_water += state.by_tank(dying)


def _grow(state: _Season, moving: list[Floats], rng: np.random.Generator) -> None:
    """Hatch, and button up."""
    buttoned = rng.binomial(state.alive[1], moving[1])
    hatched = rng.binomial(state.alive[0], moving[0])
    state.alive += np.stack([-hatched, hatched - buttoned, buttoned])
    state.hatched += hatched


def _people(state: _Season, schedule: Schedule, day: int, rng: np.random.Generator) -> None:
    """Partial releases, fish moved to another tank, and escapes into the filter."""
    if (schedule.partial_day == day).any():
        share = np.where(schedule.partial_day == day, schedule.partial_share, 0.0)[state.at]
        state.take(np.floor(state.alive[2] * share).astype(np.int64), "partial")
    if (schedule.escape_day == day).any():
        share = np.where(schedule.escape_day == day, schedule.escape_share, 0.0)[state.at]
        state.take(rng.binomial(state.alive[2], share), "escaped")
    for tank in np.flatnonzero(schedule.move_day == day):
        source, target = (
            int(np.flatnonzero(state.at == tank)[0]),
            int(np.flatnonzero(state.at == schedule.move_to[tank])[0]),
        )
        count = int(state.alive[2, source] * 0.25)
        state.alive[2, source] -= count
        state.alive[2, target] += count
        state.tallies["out"][tank] += count
        state.tallies["in"][schedule.move_to[tank]] += count


def _pick_up(state: _Season, looked: Bools, found_share: Floats, day: int, rng: np.random.Generator) -> None:
    """Someone looks: most of the dead are found and counted, the rest decays unseen."""
    found = np.where(looked[None, :], rng.binomial(state.in_water, found_share), 0)
    state.dead_found[:, :, day] = found
    state.in_water = np.where(looked[None, :], 0, state.in_water)


def _close(state: _Season, closing: Bools) -> None:
    """Tanks are emptied: all that is alive leaves."""
    if not closing.any():
        return
    leaving = np.where(closing[state.at], state.alive, 0)
    state.tallies["left"] += state.by_tank(leaving.sum(axis=0))
    state.alive -= leaving


def _fates(state: _Season) -> Fates:
    tallies: dict[str, Any] = state.tallies
    alive = state.alive_by_day.sum(axis=0)
    ever = alive.max(axis=1) > 0
    last_alive = alive.shape[1] - 1 - (alive[:, ::-1] > 0).argmax(axis=1)
    return Fates(
        dead_found=state.dead_found,
        dead=state.by_tank(state.dead),
        hatched=state.by_tank(state.hatched[None, :])[0],
        left=tallies["left"],
        escaped=tallies["escaped"],
        partial=tallies["partial"],
        moved_out=tallies["out"],
        moved_in=tallies["in"],
        alive_by_day=state.alive_by_day,
        emptied_day=np.where(ever, last_alive + 1, 0),
    )
