"""Who gets what: levels drawn at random within blocks, each site given only what it can do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.errors import NothingToAnalyse, Refused, UsageError
from broodyear.schemas import Column, table
from broodyear.survival.practices.factors import NEVER_ASSIGNED

TRIAL_COLUMNS = ("season", "tank_id", "site_id", "region", "batch_id", "block", "factor", "level", "seed")
#: Practices that hang on the building: a site can do only what its records show it has done.
BOUND_TO_THE_SITE = frozenset({"room_type"})
#: Longest text that a cell of a table may hold.
LONGEST_TEXT = 60


@dataclass(frozen=True)
class Assignment:
    """rows: one per tank, columns TRIAL_COLUMNS; left_out: reason -> tanks that could not take part."""

    rows: pd.DataFrame
    left_out: dict[str, int]

    @property
    def per_level(self) -> dict[str, int]:
        """Level -> tanks."""
        counted = self.rows["level"].value_counts()
        return {str(level): int(counted[level]) for level in dict.fromkeys(self.rows["level"])}

    @property
    def blocks(self) -> int:
        """Number of blocks."""
        return int(self.rows["block"].nunique())


def checked_levels(factor: str, levels: tuple[str, ...]) -> tuple[str, ...]:
    """The levels as the column ``factor`` of the set-ups writes them.

    Raises UsageError for a factor that no trial can assign, fewer than two levels, one named twice, or one that
    the column does not allow; Refused for a level that would leave out the disinfection.
    """
    possible = table("trials").column("factor").allowed
    if factor not in possible:
        raise UsageError(f"{factor!r} cannot be assigned; expected one of {', '.join(possible)}")
    if len(set(levels)) < 2 or len(set(levels)) != len(levels):
        raise UsageError("a comparison needs two or more different levels; write them as --levels gravel,bare")
    column = table("setups").column(factor)
    if column.kind == "boolean":
        levels = tuple(_AS_STORED.get(level.lower(), level) for level in levels)
    wrong = [level for level in levels if not _fits(column, level)]
    if wrong:
        raise UsageError(f"{wrong[0]!r} is no level of {factor}; expected {_expected(column)}")
    never = NEVER_ASSIGNED.get(factor)
    if any((float(level) if isinstance(never, float) else level) == never for level in levels):
        raise Refused(
            "no tank is drawn to go without disinfection: it would mean less care for the animals; compare levels "
            "that all disinfect"
        )
    return levels


#: Yes and no as people write them, as a level is kept.
_AS_STORED = {"yes": "true", "no": "false"}


def _fits(column: Column, level: str) -> bool:
    if column.allowed:
        return level in column.allowed
    if column.kind == "boolean":
        return level in {"true", "false"}
    try:
        number = float(level)
    except ValueError:
        return False
    low = -np.inf if column.minimum is None else column.minimum
    return bool(low <= number <= (np.inf if column.maximum is None else column.maximum))


def _expected(column: Column) -> str:
    if column.allowed:
        return f"one of {', '.join(column.allowed)}"
    return "yes or no" if column.kind == "boolean" else f"a number{f' in {column.unit}' if column.unit else ''}"


def candidates(tank_seasons: pd.DataFrame, season: int | None) -> tuple[int, pd.DataFrame]:
    """The season of a trial, and the tanks expected in it: one row each with site_id, region and batch_id.

    They are the set-ups of that season where there are any, otherwise those of the season before it that is on
    record last, whose egg batches are not known yet. season: default the one after the last with a delivery.
    Raises NothingToAnalyse when no set-up is on record before the season or in it.
    """
    delivered = tank_seasons.loc[tank_seasons["delivered"], "season"]
    last = delivered.max() if len(delivered) else tank_seasons["season"].max()
    if season is None and len(tank_seasons):
        season = int(last) + 1
    known = tank_seasons[tank_seasons["season"] <= season] if season is not None else tank_seasons
    if known.empty or season is None:
        raise NothingToAnalyse("no set-up is on record by then; load the setups table, which lists the tanks")
    tanks = known[known["season"] == known["season"].max()]
    if int(tanks["season"].iloc[0]) < season:
        tanks = tanks.assign(batch_id=None)
    return season, tanks[["tank_id", "site_id", "region", "batch_id"]].sort_values("tank_id", ignore_index=True)


def assign(
    tanks: pd.DataFrame, history: pd.DataFrame, factor: str, levels: tuple[str, ...], *, season: int, seed: int
) -> Assignment:
    """Draw a level for each tank.

    tanks: columns tank_id, site_id, region, batch_id (blank where not known yet); history: past set-ups, with
    site_id and ``factor``. Within each block (batch × region) levels come in turn, in an order shuffled by
    ``seed``; a block too small for every level is joined with the others of its batch, then of its region.
    Raises UsageError or Refused as `checked_levels` does, NothingToAnalyse when no block holds every level.
    """
    levels = checked_levels(factor, levels)
    able = can_do(tanks, history, factor, levels)
    blocks = _blocks(tanks[able], len(levels))
    left_out = {
        f"at sites whose records do not show all of {', '.join(levels)}": int((~able).sum()),
        "with too few tanks of their batch or region beside them": int(blocks.isna().sum()),
    }
    chosen = tanks[able].assign(block=blocks).dropna(subset="block").sort_values(["block", "tank_id"])
    if chosen.empty:
        raise NothingToAnalyse(
            f"no block of tanks can be given all of {', '.join(levels)}: "
            + "; ".join(f"{count} tanks {why}" for why, count in left_out.items() if count)
        )
    drawn = chosen.assign(season=season, factor=factor, level=_drawn(chosen["block"], levels, seed), seed=seed)
    rows = drawn[list(TRIAL_COLUMNS)].sort_values(["block", "tank_id"], ignore_index=True)
    return Assignment(rows, {why: count for why, count in left_out.items() if count})


def can_do(tanks: pd.DataFrame, history: pd.DataFrame, factor: str, levels: tuple[str, ...]) -> pd.Series[bool]:
    """Whether each tank's site can do every level.

    What hangs on the building (BOUND_TO_THE_SITE) must be on record there; what lies in the tank or is set on its
    chiller can be done anywhere.
    """
    if factor not in BOUND_TO_THE_SITE:
        return pd.Series(True, index=tanks.index)
    seen = history.groupby("site_id")[factor].agg(lambda values: set(levels) <= set(values))
    return tanks["site_id"].map(seen).eq(True)


def _blocks(tanks: pd.DataFrame, levels: int) -> pd.Series[str]:
    """The block of each tank, missing where even its region holds too few."""
    batch, region = tanks["batch_id"].fillna("batch not known"), tanks["region"].fillna("no region")
    block = pd.Series(None, index=tanks.index, dtype=object)
    for name in (batch + " " + region, batch, region):
        open_yet = block.isna()
        sizes = name[open_yet].map(name[open_yet].value_counts())
        fits = sizes[sizes >= levels].index
        block.loc[fits] = name.loc[fits]
    long = block.dropna().astype(str).str.len() > LONGEST_TEXT
    if long.any():
        number = {name: f"block {number + 1}" for number, name in enumerate(sorted(set(block.dropna())))}
        block = block.map(number)
    return block


def _drawn(block: pd.Series, levels: tuple[str, ...], seed: int) -> list[str]:
    """A level per tank, tanks sorted by block: in turn through all blocks, so that totals differ by one."""
    rng = np.random.default_rng(seed)
    in_turn = np.resize(np.array(levels, dtype=object), len(block))
    keys = rng.random(len(block)) + pd.factorize(block)[0]
    return list(in_turn[np.argsort(keys)])
