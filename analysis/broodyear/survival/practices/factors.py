"""Practices that can be changed, and how they are coded as factors over the rows of a model: bands of numbers,
sparse levels merged, what was not recorded kept as a level."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import Reason
from broodyear.statistics.numbers import BoolArray, FloatArray, IntArray, connected_parts
from broodyear.survival.tank_frame import NOT_RECORDED

#: A level with fewer tanks is merged with other sparse ones; with fewer batches it is in the model, not compared.
FEWEST_TANKS = 5
FEWEST_BATCHES = 2
MERGED = "other (few tanks)"
#: Code of rows whose level too few share to have an effect of its own: they are taken at the mean of the others.
UNKNOWN = -1
#: Tank-seasons there must be for every coefficient of a practice; later practices wait for more (common practice).
TANKS_PER_COEFFICIENT = 5

COUNT_COLUMNS = ["level", "tanks", "batches", "seasons", "eggs", "raw_pct"]


@dataclass(frozen=True)
class Practice:
    """A practice as practices.toml declares it, where its fields are explained."""

    name: str
    column: str
    words: str
    reference: str = ""
    care: Sequence[str] = ()
    edges: Sequence[float] = ()
    bands: Sequence[str] = ()

    def make(self, rows: pd.DataFrame) -> pd.Series:
        """The level of each row, None where not recorded."""
        values = rows[self.column]
        if self.edges:
            number = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float)
            band = np.where(np.isnan(number), len(self.edges) + 1, np.searchsorted(self.edges, number, "right"))
            return pd.Series(np.array([*self.bands, None], dtype=object)[band], index=rows.index, dtype=object)
        if self.care == ["no", "yes"]:
            values = values.astype(object).map({True: "yes", False: "no"})
        return _known(values)

    def is_less_care(self, proposed: str, replaced: str) -> bool:
        """Whether a change from `replaced` to `proposed` would mean less care for the animals."""
        known = proposed in self.care and replaced in self.care
        return known and self.care.index(proposed) < self.care.index(replaced)


def _known(values: pd.Series) -> pd.Series:
    blank = values.isna() | values.astype(str).isin(["", NOT_RECORDED])
    return values.astype(object).where(~blank, None)


SET_POINT = "set_point_band"
_DECLARED: dict[str, Any] = tomllib.loads(Path(__file__).with_name("practices.toml").read_text(encoding="utf-8"))
PRACTICES: dict[str, Practice] = {one["name"]: Practice(**one) for one in _DECLARED["practices"]}
#: Column of the set-ups -> the value that no trial gives to live animals.
NEVER_ASSIGNED: dict[str, str | float] = _DECLARED["never_assigned"]


def in_words(name: str) -> str:
    """A column or factor as sentences say it."""
    words = {practice.name: practice.words for practice in PRACTICES.values()} | _DECLARED["called"]
    return str(words.get(name, name.replace("_", " ")))


def available(rows: pd.DataFrame) -> tuple[Practice, ...]:
    """Practices whose column is in the frame with at least one value."""
    return tuple(
        one for one in PRACTICES.values() if one.column in rows and _known(rows[one.column]).notna().any()
    )


@dataclass(frozen=True, eq=False)
class Factor:
    """One factor over the rows of a model.

    levels: the reference first; codes: index of each row's level, or UNKNOWN; compared: levels that may be
    compared, reference included; refused: level -> why it may not; counts: COUNT_COLUMNS, one row per level as
    recorded, in alphabetical order; blank: rows where it was not recorded; parts: level -> its connected part of
    the graph of levels and batches.
    """

    name: str
    levels: tuple[str, ...]
    codes: IntArray
    compared: tuple[str, ...] = ()
    refused: Mapping[str, Reason] = field(default_factory=dict)
    counts: pd.DataFrame = field(default_factory=pd.DataFrame)
    blank: int = 0
    parts: Mapping[str, int] = field(default_factory=dict)

    @property
    def reference(self) -> str:
        """The level that the others are compared with; blank when none can be."""
        return self.compared[0] if self.compared else ""

    @cached_property
    def dummies(self) -> FloatArray:
        """One row per level (the reference's is zero), one column per level but the reference."""
        return np.eye(len(self.levels))[:, 1:]

    @cached_property
    def columns(self) -> FloatArray:
        """Columns of the design, shape (rows, levels − 1); unknown rows at the mean of the others."""
        known = self.codes != UNKNOWN
        columns = self.dummies[np.where(known, self.codes, 0)]
        columns[~known] = columns[known].mean(axis=0) if known.any() else 0.0
        return columns

    def coding(self, level: str) -> FloatArray:
        """The row of `dummies` of a level."""
        return np.asarray(self.dummies[self.levels.index(level)], dtype=float)

    def tanks_of(self, levels: Iterable[str]) -> FloatArray:
        """Rows of the model with each of these levels."""
        return np.array([(self.codes == self.levels.index(level)).sum() for level in levels], dtype=float)

    @cached_property
    def sizes(self) -> dict[str, tuple[int, int]]:
        """Tanks and batches of each level as recorded."""
        return {level: (int(tanks), int(batches)) for level, tanks, batches in self.counts.iloc[:, :3].to_numpy()}

    @property
    def is_comparable(self) -> bool:
        """Whether there are two levels to compare."""
        return len(self.compared) > 1

    def shares_batches(self, level: str) -> bool:
        """Whether a level and the reference occur in the same batches, directly or through other levels."""
        return self.parts.get(level) == self.parts.get(self.reference)


def coded(values: pd.Series) -> tuple[IntArray, list[str]]:
    """The index of each value among all as text, in alphabetical order (−1 where missing), and these."""
    codes, found = pd.factorize(values.to_numpy(dtype=object))
    levels, indices = np.unique(np.array([str(one) for one in found], dtype=object), return_inverse=True)
    return np.append(indices, UNKNOWN)[codes].astype(np.int64), [str(level) for level in levels]


def with_blanks(values: pd.Series) -> tuple[IntArray, list[str]]:
    """The same with what was not recorded as a level."""
    return coded(values.astype(object).where(values.notna(), NOT_RECORDED))


def level_counts(rows: pd.DataFrame, values: pd.Series) -> pd.DataFrame:
    """COUNT_COLUMNS per level recorded, in alphabetical order; raw_pct is survivors over eggs."""
    codes, levels = coded(values)
    size = len(levels)
    tanks, (eggs, survivors) = np.bincount(codes[codes != UNKNOWN], minlength=size), _sums(rows, codes, size)
    counted: dict[str, Any] = {"level": np.array(levels, dtype=object), "tanks": tanks}
    for name, column in (("batches", "batch_id"), ("seasons", "season")):
        other, found = pd.factorize(rows[column])
        pairs = np.unique((codes * (len(found) + 1) + other)[(codes != UNKNOWN) & (other >= 0)])
        counted[name] = np.bincount(pairs // (len(found) + 1), minlength=size).astype(np.int64)
    counted |= {"eggs": eggs, "raw_pct": 100.0 * survivors / np.where(eggs > 0, eggs, np.nan)}
    return pd.DataFrame(counted, columns=COUNT_COLUMNS)


def _sums(rows: pd.DataFrame, codes: IntArray, size: int) -> list[FloatArray]:
    """Eggs and survivors by code."""
    known = codes != UNKNOWN
    columns = (rows[name].to_numpy(dtype=float) for name in ("eggs", "survivors"))
    return [np.bincount(codes[known], column[known], size).astype(float) for column in columns]


def separated_rows(rows: pd.DataFrame, values: pd.Series) -> BoolArray:
    """Rows of levels in which every fish lived or every fish died: a coefficient of theirs has no end."""
    codes, levels = with_blanks(values)
    eggs, survivors = _sums(rows, codes, len(levels))
    apart = (np.bincount(codes, minlength=len(levels)) >= FEWEST_TANKS) & ((survivors == 0) | (survivors == eggs))
    return np.asarray(apart[codes] & (len(levels) > 1), dtype=bool)


def code_factor(
    rows: pd.DataFrame,
    name: str,
    values: pd.Series,
    counts: pd.DataFrame | None = None,
    *,
    reference: str = "",
    fewest_batches: int = FEWEST_BATCHES,
) -> Factor:
    """Code a factor's values (None: not recorded) over the rows of a model.

    counts: `level_counts` before rows were left out, so that levels that are gone are accounted for; by default
    none were.
    """
    counts = level_counts(rows, values) if counts is None else counts
    level, names = with_blanks(values)
    tanks = dict(zip(names, map(int, np.bincount(level, minlength=len(names))), strict=True))
    refused = _refused(counts, tanks, fewest_batches)
    sparse = [one for one in tanks if one != NOT_RECORDED and tanks[one] < FEWEST_TANKS]
    known = [one for one in tanks if one not in (NOT_RECORDED, *sparse)]
    batch, batches = pd.factorize(rows["batch_id"])
    parts = connected_parts(level, batch, len(names), len(batches)) if len(rows) else level
    part = dict(zip(tanks, map(int, parts), strict=True))
    compared = _compared([one for one in known if one not in refused], tanks, part, reference)
    aside = {NOT_RECORDED: tanks.get(NOT_RECORDED, 0), MERGED: sum(tanks[one] for one in sparse)}
    first = compared or sorted(known)[:1]
    many_aside = [one for one, size in aside.items() if size >= FEWEST_TANKS]
    levels = (*first, *sorted(set(known) - set(first)), *many_aside)
    merged = pd.Index([MERGED if one in sparse else one for one in tanks], dtype=object)
    codes = pd.Index(levels, dtype=object).get_indexer(merged).astype(np.int64)[level]  # UNKNOWN without one
    return Factor(name, levels, codes, tuple(compared), refused, counts, aside[NOT_RECORDED], part)


def varying(rows: pd.DataFrame, names: Iterable[str]) -> list[Factor]:
    """Practices and columns of these names as factors to allow for, without those of one level."""
    values = {name: PRACTICES[name].make(rows) if name in PRACTICES else rows[name] for name in names}
    found = [code_factor(rows, name, one, fewest_batches=1) for name, one in values.items()]
    return [factor for factor in found if len(factor.levels) > 1]


def batch_factor(batch: pd.Series) -> Factor:
    """Batches as a factor to allow for, none of them compared."""
    codes, levels = coded(batch)
    return Factor("batch_id", tuple(levels), codes)


def _refused(counts: pd.DataFrame, tanks: Mapping[str, int], fewest_batches: int) -> dict[str, Reason]:
    had, left = counts["tanks"], counts["level"].map(tanks).astype(float)
    tests = [had < FEWEST_TANKS, counts["batches"] < fewest_batches, left.isna(), left < FEWEST_TANKS]
    reasons = [Reason.TOO_FEW_TANKS, Reason.TOO_FEW_BATCHES, Reason.SEPARATED, Reason.TOO_FEW_TANKS]
    found = np.select(tests, reasons, Reason.ONE_LEVEL if len(counts) == 1 else "")
    return {str(level): Reason(reason) for level, reason in zip(counts["level"], found, strict=True) if reason}


def _compared(
    open_levels: list[str], tanks: Mapping[str, int], parts: Mapping[str, int], reference: str
) -> list[str]:
    """The levels to compare, the reference first: the one named, or the one with most tanks."""
    main = [one for one in open_levels if parts[one] == 1] or open_levels
    chosen = reference if reference in main else min(main, key=lambda one: (-tanks[one], one), default="")
    return [chosen, *sorted(set(open_levels) - {chosen})] if open_levels else []


@dataclass(frozen=True, eq=False)
class OutcomeRows:
    """The tank-seasons of one outcome.

    given: every row with eggs, used or silent; used: those of the model; values: practice recorded -> level a row
    of `used`; factors: coded over it; waiting: factors that too few tanks leave no room for; left_out: reason ->
    rows.
    """

    outcome: str
    given: pd.DataFrame
    used: pd.DataFrame
    values: dict[str, pd.Series]
    factors: dict[str, Factor]
    waiting: tuple[str, ...]
    left_out: dict[str, int]


def outcome_rows(given: pd.DataFrame, outcome: str) -> OutcomeRows:
    """Rows of one outcome with their practices coded; given: prepared rows (`is_used`, `why_left_out`)."""
    used = given[given["is_used"]].reset_index(drop=True)
    left_out = dict(given.loc[~given["is_used"], "why_left_out"].astype(str).value_counts().map(int))
    practices = available(used)
    counts = {practice.name: level_counts(used, practice.make(used)) for practice in practices}
    for practice in practices:
        apart = separated_rows(used, practice.make(used))
        if apart.any():
            left_out[f"{practice.words} with which every fish lived or every fish died"] = int(apart.sum())
            used = used[~apart].reset_index(drop=True)
    values = {practice.name: practice.make(used) for practice in practices}
    factors, waiting, columns = {}, [], 0
    for name, reference in ((practice.name, practice.reference) for practice in practices):
        factors[name] = factor = code_factor(used, name, values[name], counts[name], reference=reference)
        with_it = columns + max(len(factor.levels) - 1, 0)
        if factor.is_comparable and with_it * TANKS_PER_COEFFICIENT > len(used):
            waiting.append(name)
        else:
            columns = with_it
    return OutcomeRows(outcome, given, used, values, factors, tuple(waiting), left_out)
