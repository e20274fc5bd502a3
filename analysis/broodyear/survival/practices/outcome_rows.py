"""The tank-seasons of one outcome, with their practices coded."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from broodyear.survival.practices.coding import Factor, code_factor, level_counts, separated_rows
from broodyear.survival.practices.factors import available

#: Tank-seasons there must be for every coefficient of a practice; later practices wait for more (common practice).
TANKS_PER_COEFFICIENT = 5


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
    left_out = {
        str(reason): int(number)
        for reason, number in given.loc[~given["is_used"], "why_left_out"].value_counts().items()
    }
    practices = available(used)
    values = {practice.name: practice.make(used) for practice in practices}
    counts = {name: level_counts(used, levels) for name, levels in values.items()}
    for practice in practices:
        apart = separated_rows(used, values[practice.name])
        if apart.any():
            left_out[f"{practice.words} with which every fish lived or every fish died"] = int(apart.sum())
            used = used[~apart].reset_index(drop=True)
            values = {name: levels[~apart].reset_index(drop=True) for name, levels in values.items()}
    factors, waiting, columns = {}, [], 0
    for practice in practices:
        name = practice.name
        factor = code_factor(used, name, values[name], counts[name], reference=practice.reference)
        factors[name] = factor
        columns += max(len(factor.levels) - 1, 0)
        if factor.is_comparable and columns * TANKS_PER_COEFFICIENT > len(used):
            waiting.append(name)
            columns -= len(factor.levels) - 1
    return OutcomeRows(outcome, given, used, values, factors, tuple(waiting), left_out)
