"""What was recorded about a flagged tank that its shortfall is consistent with, how often it is on record in one
group of tanks beside all the others, and at which stage the fish were lost; never a cause."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from string import Formatter
from typing import Any

import numpy as np
import pandas as pd

from broodyear.statistics.numbers import IntArray
from broodyear.survival.tank_frame import dead_believed

#: A circumstance shared by this share of the season's tanks or more is said to be as common as it is.
COMMON_SHARE = 0.5

_BEGINS = "consistent with "
NOTHING_ON_RECORD = "nothing unusual on record"

SHARE_COLUMNS = ["evidence", "tanks_with", "tanks", "share_pct", "elsewhere_pct", "stands_out"]
#: A group stands out where its share exceeds that of the others by this many points and this many standard errors
#: (common practice, no source): some thirty circumstances are looked at in every group.
POINTS_MORE, ERRORS_MORE = 10.0, 3.0
#: How a value counts: beside a limit, one of some values, or on record at all.
TESTS: dict[str, Callable[[pd.Series, Any], pd.Series]] = {
    ">=": lambda values, limit: pd.to_numeric(values, errors="coerce") >= limit,
    "<=": lambda values, limit: pd.to_numeric(values, errors="coerce") <= limit,
    # A column nobody filled in holds only missing values, of whatever kind the frame was read with.
    "in": lambda values, some: values.astype(object).isin(some),
    "is there": lambda values, _: values.notna(),
}


@dataclass(frozen=True)
class Circumstance:
    """code: what stands in setups.csv; column: where it is recorded; test, against: which values count; words: how
    it is said, with the value and what stands beside it in braces."""

    code: str
    column: str
    test: str
    against: Any
    words: str

    @property
    def fields(self) -> tuple[str, ...]:
        """The columns beside its own that its words name."""
        return tuple(name for _, name, _, _ in Formatter().parse(self.words) if name)


_DECLARED = tomllib.loads(Path(__file__).with_name("circumstances.toml").read_text(encoding="utf-8"))
CIRCUMSTANCES = tuple(Circumstance(*one) for one in _DECLARED["circumstances"])


def circumstances(rows: pd.DataFrame, wanted: pd.Series) -> pd.DataFrame:
    """What is on record beside each row: `circumstances`, one sentence fragment, and `evidence`, the code of
    each in CIRCUMSTANCES, joined by blanks; both empty where `wanted` is False.

    A circumstance that half the season's tanks or more share is named all the same, with how many share it.
    """
    found: dict[object, list[tuple[str, str]]] = {index: [] for index in rows.index[wanted]}
    table = _with_shares(rows)
    for one, holds, is_recorded in _held(table) if found else ():
        flagged = table.index[holds & wanted]
        if flagged.empty:
            continue
        counts = pd.DataFrame({"with_it": holds, "of": is_recorded}).astype(int)
        counts = counts.groupby([table["season"], table["outcome"]]).transform("sum").loc[flagged]
        records = table.loc[flagged, [one.column, *one.fields]].map(_plain).to_dict("records")
        for index, row, (with_it, of) in zip(flagged, records, counts.to_numpy(), strict=True):
            words = one.words.format(row[one.column], **{name: row[name] for name in one.fields})
            common = f" (as {with_it} of {of} tanks)" if with_it >= COMMON_SHARE * of else ""
            found[index].append((one.code, words + common))
    texts = {
        index: (_BEGINS + "; ".join(words for _, words in names) if names else NOTHING_ON_RECORD,
                " ".join(code for code, _ in names))
        for index, names in found.items()
    }  # fmt: skip
    columns = ["circumstances", "evidence"]
    return pd.DataFrame.from_dict(texts, orient="index", columns=columns).reindex(rows.index, fill_value="")


def circumstances_of(said: str, evidence: str, is_wanted: Callable[[str], bool]) -> str:
    """What `circumstances` said beside this evidence, of the codes wanted; empty where nothing is left.

    >>> circumstances_of("consistent with no light cover; a foyer as room", "cover room", {"cover"}.__contains__)
    'consistent with no light cover'
    """
    if not evidence:
        return ""
    found = zip(said.removeprefix(_BEGINS).split("; "), evidence.split(), strict=True)
    kept = [words for words, code in found if is_wanted(code)]
    return _BEGINS + "; ".join(kept) if kept else ""


def circumstance_shares(rows: pd.DataFrame, by: str) -> pd.DataFrame:
    """`by` and SHARE_COLUMNS, one row per group and circumstance on record in any group.

    rows: one per tank and season. tanks: those of the group in which it could be on record; elsewhere_pct: share
    of those in all other groups, nan where there are none; stands_out: more often than elsewhere, beyond chance.
    """
    # Code -> whether a row has it, and whether it could be known.
    held: dict[str, tuple[pd.Series, pd.Series]] = {}
    for one, holds, is_recorded in _held(_with_shares(rows)):
        before = held.get(one.code, (False, False))
        held[one.code] = holds | before[0], is_recorded | before[1]
    group, names = pd.factorize(rows[by], sort=True)
    parts = [pd.DataFrame(columns=SHARE_COLUMNS)]
    parts += [_shares(group, names, *held[code]).assign(evidence=code) for code in held if held[code][0].any()]
    found = pd.concat(parts[1:] or parts).rename_axis(by).reset_index()
    return found.sort_values([by, "evidence"], ignore_index=True)[[by, *SHARE_COLUMNS]]


def _shares(group: IntArray, names: pd.Index[Any], holds: pd.Series, is_recorded: pd.Series) -> pd.DataFrame:
    """SHARE_COLUMNS of one circumstance by group, for groups in which it could be on record."""
    known = group >= 0
    number, of = (
        np.bincount(group[known], one.to_numpy(dtype=float)[known], len(names)) for one in (holds, is_recorded)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        own, elsewhere = number / of, (number.sum() - number) / (of.sum() - of)
        pooled = number.sum() / max(of.sum(), 1.0)
        error = np.sqrt(pooled * (1.0 - pooled) * (1.0 / of + 1.0 / (of.sum() - of)))
    more = own - elsewhere
    stands_out = (100.0 * more >= POINTS_MORE) & (more >= ERRORS_MORE * error)
    columns = number.astype(int), of.astype(int), 100.0 * own, 100.0 * elsewhere, stands_out
    return pd.DataFrame(dict(zip(SHARE_COLUMNS[1:], columns, strict=True)), index=names)[of > 0]


def _held(table: pd.DataFrame) -> Iterator[tuple[Circumstance, pd.Series, pd.Series]]:
    """Circumstances whose column there is: whether each row has it, and whether it could be on record."""
    for one in (one for one in CIRCUMSTANCES if one.column in table):
        values = table[one.column]
        known = values.notna() & (values.astype(object) != "")
        holds = TESTS[one.test](values, one.against).fillna(False).astype(bool) & known
        # A column that holds only what lies beyond a limit says nothing of how many tanks were tested.
        yield one, holds, known | (one.test == "is there")


def _with_shares(rows: pd.DataFrame) -> pd.DataFrame:
    """Counts as shares of the eggs, where the counts are there, and days in words."""
    names = ["dead_on_arrival", "unaccounted", "handover_step_c", "eggs"]
    numbers = rows.reindex(columns=names).apply(pd.to_numeric, errors="coerce")
    dead, lost, step, eggs = (numbers[name] for name in names)
    shares = {"dead_on_arrival_pct": 100.0 * dead / (dead + eggs), "unaccounted_pct": 100.0 * lost / eggs}
    table = rows.assign(**shares, handover_drop_c=-step)
    if "spell_from" in rows:
        table["spell_when"] = [_when(*days) for days in zip(rows["spell_from"], rows["spell_to"], strict=True)]
    return table


def _plain(value: Any) -> Any:
    """A code in words, a date as its day; a number stays one."""
    if isinstance(value, dt.date):
        return _day(value)
    return value.replace("_", " ") if isinstance(value, str) else value


def _day(date: dt.date) -> str:
    """A day within a season, which has each only once."""
    return f"{date.day} {date:%b}"


def _when(first: Any, last: Any) -> str:
    """From the first day to the last, or on the one; empty where they are not known."""
    if pd.isna(first):
        return ""
    if first == last:
        return f"on {_day(last)}"
    return f"from {first.day if first.month == last.month else _day(first)} to {_day(last)}"


#: Columns with fish found dead per stage, and the stage they stand for.
DEAD_COLUMNS = {"dead_egg": "egg", "dead_alevin": "alevin", "dead_fry": "fry", "unaccounted": "unaccounted"}
#: Stage of the outcomes that cover only part of the time in the tank.
OUTCOME_STAGES = {"hatch": "egg", "hatch_to_release": "after_hatch"}

_TANK = ["season", "tank_id"]


def losing_stage(rows: pd.DataFrame) -> pd.Series:
    """egg, alevin, fry, after_hatch, unaccounted, or empty where the records do not tell; one per row.

    Between hatch and later: the outcome with the larger number of fish below expected (eggs x (expected -
    observed)). After hatch: the dead counts that exceed the season's median share most, where stage counts
    are given. rows needs season, tank_id, outcome, eggs, survivors, expected_pct.
    """
    stage, by_count = _largest(_shortfalls(rows)), _excess_dead(rows)  # of the same tanks
    later = _largest(by_count.drop(columns="egg")).reindex(stage.index)
    stage = stage.where(stage != "after_hatch", later.replace("", "after_hatch"))
    stage = stage.where(stage != "", _largest(by_count).reindex(stage.index))
    keys = pd.MultiIndex.from_frame(rows[_TANK])
    return pd.Series(stage.reindex(keys).to_numpy(), index=rows.index, dtype=object)


def _shortfalls(rows: pd.DataFrame) -> pd.DataFrame:
    """Fish below expected per tank (rows) and stage (columns), from the outcomes that cover one stage."""
    short = rows["eggs"] * rows["expected_pct"] / 100.0 - rows["survivors"]
    tables = {
        stage: rows[_TANK].assign(short=short)[rows["outcome"] == outcome].dropna().groupby(_TANK)["short"].sum()
        for outcome, stage in OUTCOME_STAGES.items()
    }
    return pd.DataFrame(tables).reindex(pd.MultiIndex.from_frame(rows[_TANK].drop_duplicates()))


def _excess_dead(rows: pd.DataFrame) -> pd.DataFrame:
    """Dead beyond the season's median share of the eggs, per tank and stage; blank without counts.

    Running totals say nothing about a stage, so tanks whose counts look like them are left blank.
    """
    tanks = rows.sort_values("eggs", ascending=False).drop_duplicates(_TANK)
    dead = tanks.reindex(columns=list(DEAD_COLUMNS)).apply(pd.to_numeric, errors="coerce").astype(float)
    share = dead.where(dead_believed(tanks)).div(tanks["eggs"], axis=0)
    excess: pd.DataFrame = (share - share.groupby(tanks["season"]).transform("median")).mul(tanks["eggs"], axis=0)
    return excess.set_axis(pd.MultiIndex.from_frame(tanks[_TANK])).rename(columns=DEAD_COLUMNS)


def _largest(table: pd.DataFrame) -> pd.Series:
    """Column name of the largest positive value per row; empty where there is none."""
    positive = table.where(table > 0.0).dropna(how="all")
    return positive.idxmax(axis=1).astype(object).reindex(table.index, fill_value="")
