"""A trial from the records of a store: its assignment, and what it could find, simulated from the spreads that
the records show."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import expit, ndtri

from broodyear.claims import Claim
from broodyear.errors import BroodyearError, NothingToAnalyse
from broodyear.notes import note
from broodyear.survival import fit_survival
from broodyear.survival.practices import PRACTICES
from broodyear.survival.running import running_season, with_waiting
from broodyear.trials.analysis import found_worse
from broodyear.trials.assignment import Assignment, assign, candidates
from broodyear.trials.randomisation import FloatArray, IntArray, Permuted, informative, p_value, permuted

BoolArray = npt.NDArray[np.bool_]

#: The outcome that a trial is planned for.
PLANNED_OUTCOME = "delivered_to_release"
#: Power aimed at, and the test's level (common practice, no source).
AIMED_POWER, TEST_LEVEL = 0.80, 0.05
#: Simulated trials per number of seasons, and permutations in each: power at 80 % is then known to 2 points.
SIMULATED, PERMUTATIONS = 400, 199
#: Times that the difference is corrected for lying on the log-odds.
CORRECTIONS = 2
#: Differences looked at, in points.
DIFFERENCES = np.arange(0.5, 60.5, 0.5)
#: The difference for which a plan says how many tanks it would need, in points.
WANTED_POINTS = 5.0
#: Fewest past tanks, at fewest sites, that spreads are taken from.
FEWEST_TANKS, FEWEST_SITES = 20, 5


@dataclass(frozen=True)
class Spreads:
    """How tanks of this programme vary: survival of a typical tank as log-odds, standard deviations between sites,
    batches and tanks on that scale, live eggs of past tanks, share of tanks that did not report (0–1)."""

    log_odds: float
    site_sd: float
    batch_sd: float
    tank_sd: float
    eggs: IntArray
    silent_share: float


@dataclass(frozen=True)
class Power:
    """smallest_points: season count -> smallest difference found with 80 % power, in points, nan when none up to
    60 is; tanks_for: tanks that a difference of WANTED_POINTS would need in one season, nan likewise."""

    smallest_points: dict[int, float]
    tanks_for: float


def spreads_of(outcomes: pd.DataFrame) -> Spreads:
    """Spreads from the tank-seasons on record, by the mixed model with no covariate.

    outcomes: the derived table tank_outcomes, with `is_waiting` where a season may run still. Raises
    NothingToAnalyse where too few are usable.
    """
    rows = outcomes[outcomes["outcome"] == PLANNED_OUTCOME]
    usable = rows[rows["usable"]]
    if len(usable) < FEWEST_TANKS or usable["site_id"].nunique() < FEWEST_SITES:
        few = {"tanks": len(usable), "sites": usable["site_id"].nunique()}
        raise NothingToAnalyse(note("trials", "too_few_counted", **few, needed=(FEWEST_TANKS, FEWEST_SITES)))
    usable = usable.assign(tank=usable["season"].astype(str) + " " + usable["tank_id"].astype(str))
    groups = _told_apart(usable, ("tank", "batch_id", "site_id"))
    fit = fit_survival(usable, "1", survived="survivors", trials="eggs", groups=groups)
    site_sd, batch_sd, tank_sd = (float(fit.group_sd.get(name, 0.0)) for name in ("site_id", "batch_id", "tank"))
    return Spreads(
        log_odds=float(fit.coefficients[0]),
        site_sd=site_sd,
        batch_sd=batch_sd,
        tank_sd=tank_sd,
        eggs=usable["eggs"].to_numpy(dtype=np.int64),
        silent_share=_silent_share(rows),
    )


def _told_apart(rows: pd.DataFrame, names: tuple[str, ...]) -> tuple[str, ...]:
    """The groups that split the rows, each otherwise than those before it: in a first season with a tank a site,
    what differs between sites is part of what differs between tanks."""
    splits: dict[tuple[int, ...], str] = {}
    for name in names:
        splits.setdefault(tuple(pd.factorize(rows[name])[0]), name)
    return tuple(splits.values())


def _silent_share(rows: pd.DataFrame) -> float:
    """Share of tanks without a usable count, those not asked that are waited for."""
    owing = rows[~rows["is_waiting"].astype(bool)] if "is_waiting" in rows else rows
    return float(1.0 - owing["usable"].astype(float).mean())


def log_odds_drawn(spreads: Spreads, sites: IntArray, batches: IntArray, rng: np.random.Generator) -> FloatArray:
    """Log-odds of survival of each tank of one simulated trial; sites, batches: whole numbers from 0."""
    drawn: FloatArray = (
        spreads.log_odds
        + rng.normal(0.0, spreads.site_sd, sites.max() + 1)[sites]
        + rng.normal(0.0, spreads.batch_sd, batches.max() + 1)[batches]
        + rng.normal(0.0, spreads.tank_sd, len(sites))
    )
    return drawn


def survival_drawn(spreads: Spreads, log_odds: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Survival in percent as it would be counted, nan for tanks that fall silent."""
    eggs = rng.choice(spreads.eggs, len(log_odds))
    pct: FloatArray = 100.0 * rng.binomial(eggs, expit(log_odds)) / eggs
    pct[rng.random(len(log_odds)) < spreads.silent_share] = np.nan
    return pct


def power_of(rows: pd.DataFrame, spreads: Spreads, *, seed: int, seasons: tuple[int, ...] = (1, 2, 3)) -> Power:
    """Power of the assignment ``rows`` (TRIAL_COLUMNS), repeated with new batches for as many seasons.

    The first level is compared with the second. The difference is one that costs survival, on the log-odds, where
    spread grows with it; a gain of as many points is found a little sooner. seed: of the simulation.
    """
    first, second = list(dict.fromkeys(rows["level"]))[:2]
    pair = rows[rows["level"].isin([first, second])]
    rng = np.random.default_rng(seed)
    smallest = {count: _smallest(_Repeated.of(pair, second, count), spreads, rng) for count in seasons}
    most = max(seasons)  # of the differences known, the one nearest to a small one
    tanks = len(pair) * most * (smallest[most] / WANTED_POINTS) ** 2
    return Power(smallest, float(np.ceil(tanks)))


@dataclass(frozen=True)
class _Repeated:
    """A comparison of two levels over some seasons, one entry per tank and season: the second level or not, and
    numbers of site (the same in each season), batch and block (new in each)."""

    treated: BoolArray
    site: IntArray
    batch: IntArray
    block: IntArray

    @classmethod
    def of(cls, pair: pd.DataFrame, second: str, seasons: int) -> _Repeated:
        return cls(
            np.tile((pair["level"] == second).to_numpy(dtype=bool), seasons),
            np.tile(pd.factorize(pair["site_id"])[0], seasons),
            _anew(pair["batch_id"], seasons),
            _anew(pair["block"], seasons),
        )

    def simulated(self, spreads: Spreads, rng: np.random.Generator, shift: float = 0.0) -> Iterator[Permuted]:
        """SIMULATED trials in which the second level shifts the log-odds, less those that tell nothing."""
        for _ in range(SIMULATED):
            log_odds = log_odds_drawn(spreads, self.site, self.batch, rng) + shift * self.treated
            pct = survival_drawn(spreads, log_odds, rng)
            known = np.flatnonzero(~np.isnan(pct))
            known = known[informative(self.treated[known], self.block[known])] if len(known) else known
            if len(known):
                yield permuted(pct[known], self.treated[known], self.block[known], rng, PERMUTATIONS)


def _anew(names: pd.Series, seasons: int) -> IntArray:
    """Numbers of the names, other ones in each season; a name that is not known yet counts as one of its own."""
    alone = "\0" + names.index.astype(str).to_series(index=names.index)
    numbers = pd.factorize(names.where(names.notna(), alone))[0]
    repeated: IntArray = np.concatenate([numbers + season * (numbers.max() + 1) for season in range(seasons)])
    return repeated


def _smallest(trial: _Repeated, spreads: Spreads, rng: np.random.Generator) -> float:
    """Smallest difference with AIMED_POWER: first as if every tank lost as many points, then corrected by its
    power when it lies on the log-odds."""
    curve = _power_by_points(trial.simulated(spreads, rng))
    points = reached_at(curve, AIMED_POWER)
    for _ in range(CORRECTIONS):
        shift = shift_for(points, spreads)
        if math.isnan(shift):
            return math.nan
        found = sum(p_value(made, 0.0) <= TEST_LEVEL for made in trial.simulated(spreads, rng, -shift)) / SIMULATED
        points *= reached_at(curve, AIMED_POWER) / reached_at(curve, found)
    return points if points <= DIFFERENCES[-1] else math.nan


def _power_by_points(trials: Iterable[Permuted]) -> FloatArray:
    """Share of trials in which each of DIFFERENCES would have been found, shape (differences,)."""
    found = np.zeros(len(DIFFERENCES))
    for made in trials:
        drawn = np.abs(made.drawn[:, None] + made.shift[:, None] * DIFFERENCES)
        as_far = (drawn >= np.abs(made.observed + DIFFERENCES)).sum(axis=0)
        found += (1 + as_far) / (1 + PERMUTATIONS) <= TEST_LEVEL
    return found / SIMULATED


def reached_at(curve: FloatArray, power: float) -> float:
    """The difference at which ``curve``, power at each of DIFFERENCES, first reaches ``power``; nan if nowhere."""
    reached = np.flatnonzero(curve >= power)
    if not len(reached):
        return math.nan
    first = int(reached[0])
    if first == 0:
        return float(DIFFERENCES[0])
    return float(np.interp(power, curve[first - 1 : first + 1], DIFFERENCES[first - 1 : first + 1]))


def shift_for(points: float, spreads: Spreads) -> float:
    """The shift down the log-odds that costs ``points`` on average over sites, batches and tanks; nan if none."""
    sd = math.sqrt(spreads.site_sd**2 + spreads.batch_sd**2 + spreads.tank_sd**2)
    log_odds = spreads.log_odds + sd * ndtri((np.arange(200) + 0.5) / 200)
    shifts = np.arange(0.0, 8.0, 0.02)
    chances = expit(log_odds[:, None] - shifts)
    cost = 100.0 * (chances[:, :1] - chances).mean(axis=0)
    return float(np.interp(points, cost, shifts, right=math.nan))


#: Said with every plan: a trial changes what is done to live animals and in rooms with children.
TRIAL_CAUTIONS = (
    "Before a level is carried out, ask whoever answers for the animals: permits, fish health rules and local "
    "care standards come first. A level that would mean less care is not for a trial.",
    "Electricity near water and disinfectants are matters for trained persons. End a tank's part in the trial "
    "whenever its fish would suffer, and note followed = false.",
)


@dataclass(frozen=True)
class TrialPlan:
    """power: None when the records are too few, and why says so; harms: claims on record that a level is worse;
    has_eggs: tanks drawn that got eggs of that season before the draw."""

    assignment: Assignment
    power: Power | None
    why: str = ""
    harms: tuple[Claim, ...] = ()
    has_eggs: int = 0

    def sentences(self) -> tuple[str, ...]:
        """What a planner needs to know, one sentence each."""
        drawn, has_batches = self.assignment, bool(self.assignment.rows["batch_id"].notna().any())
        left = (note("trials", "left_out", number=number, why=why) for why, number in drawn.left_out.items())
        counted = note("trials", "drawn", drawn=drawn, has_batches=has_batches)
        late = (note("trials", "late", number=self.has_eggs),) if self.has_eggs else ()
        return (counted, *late, *left, *map(_harm, self.harms), *self._of_power())

    def _of_power(self) -> tuple[str, ...]:
        if self.power is None:
            return (self.why,)
        (_, points), *later = self.power.smallest_points.items()
        if math.isnan(points):
            return (note("trials", "too_few"),)
        repeated = (note("trials", "repeated", later=later),) if later else ()
        wanted = note("trials", "wanted", points=WANTED_POINTS, tanks_for=self.power.tanks_for)
        return (note("trials", "smallest", points=points), *repeated, wanted)


def _harm(claim: Claim) -> str:
    small, large = sorted((abs(claim.low), abs(claim.high)))
    practice = PRACTICES[claim.subject].words
    return note("trials", "harm", claim=claim, practice=practice, small=small, large=large)


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
    A level that the records of earlier seasons show to be worse is named in ``harms``, tanks that hold eggs of the
    season already are counted. Raises UsageError for a
    factor or level that there is not, NothingToAnalyse when no tank can take part.
    """
    year, tanks = candidates(tank_seasons, season)
    drawn = assign(tanks, tank_seasons, factor, levels, season=year, seed=seed)
    of_year = tank_seasons[(tank_seasons["season"] == year) & tank_seasons["delivered"].astype(bool)]
    has_eggs = int(drawn.rows["tank_id"].isin(of_year["tank_id"]).sum())
    before = with_waiting(outcomes[outcomes["season"] < year], running_season(tank_seasons))
    harms = found_worse(before, factor, levels)
    try:
        spreads = spreads_of(before)
    except BroodyearError as error:
        return TrialPlan(drawn, None, note("trials", "no_power", why=str(error)), harms, has_eggs)
    return TrialPlan(drawn, power_of(drawn.rows, spreads, seed=seed), harms=harms, has_eggs=has_eggs)
