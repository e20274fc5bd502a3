"""Notes beside a fit to measured days at constant temperatures: of its rows and of its groups."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtr

from broodyear.development.arrays import Floats, Texts
from broodyear.development.likelihood.crossed import CrossedMean
from broodyear.development.likelihood.fit_result import BEND_AT_LIMIT
from broodyear.development.models.forms import Shape

# Columns that commonly name what shares a fate; noted when they are there and not used.
GROUP_COLUMNS = ("batch_id", "batch", "family", "sibship", "mother", "tray", "donor_stock")
# A row is named that chance puts so far off in fewer frames than this; of several, the first few.
_SO_UNLIKELY, _NAMED_ROWS = 0.01, 3
# Under this many degrees of freedom limits of 95 % are more than a third wider than normal ones.
_FEW_DF = 5.0


def frame_notes(
    frame: pd.DataFrame, used: pd.DataFrame, groups: tuple[str, ...], is_at_limit: bool
) -> tuple[str, ...]:
    ignored = [name for name in GROUP_COLUMNS if name in frame.columns and name not in groups]
    notes = [BEND_AT_LIMIT] if is_at_limit else []
    if ignored and not groups:
        notes.append(
            f"{' and '.join(ignored)} {'is' if len(ignored) == 1 else 'are'} not used and rows count as "
            "independent; name what shares a fate in groups= for the errors of groups"
        )
    repeated = int(frame.loc[used.index].duplicated().sum())
    if repeated:
        notes.append(
            f"{repeated} rows repeat another in every column and count as measurements of their own; leave out "
            "what was copied"
        )
    return tuple(notes)


def rows_far_off(shape: Shape, free: Floats, used: pd.DataFrame, named: Sequence[Any]) -> Iterator[str]:
    """Rows that lie further from the curve of the others than chance puts any of so many once in a hundred frames.

    By externally studentised residuals with their number allowed for (Cook & Weisberg 1982, Residuals and
    Influence in Regression, p. 20); groups are left aside, so that their spread counts as that of rows.
    """
    temps, days = used["temp_c"].to_numpy(dtype=float), used["days"].to_numpy(dtype=float)
    off, gradient = np.log(days) - shape.log_days(free, temps), shape.gradient(free, temps)
    df = len(off) - len(free) - 1
    if df < 1 or not off.any():
        return
    left = np.maximum(1.0 - np.sum(gradient @ np.linalg.pinv(gradient.T @ gradient) * gradient, axis=1), 1e-9)
    without = np.sqrt(np.maximum(off @ off - off**2 / left, 1e-300) / df)
    chance = 2.0 * stdtr(df, -np.abs(off) / (without * np.sqrt(left))) * len(off)
    rows = [row for row in np.argsort(chance, kind="stable") if chance[row] < _SO_UNLIKELY]
    for row in rows[:_NAMED_ROWS]:
        far = 100.0 * np.expm1(off[row] / left[row])
        yield (
            f"row {named[row]} ({temps[row]:g} °C, {days[row]:.4g} days) is {far:+.0f} % off the curve of the "
            f"others, whose SD of log days is {without[row]:.4f}; look it up, and leave it out where it is wrong"
        )
    if rows[_NAMED_ROWS:]:
        yield f"{len(rows) - _NAMED_ROWS} more rows are as unlikely"


def few_levels(labels: Mapping[str, Texts], crossed: CrossedMean) -> Iterator[str]:
    """Why limits are wide that rest on the spread between few levels, and which other fit would be narrower."""
    spread = {
        name: len(np.unique(values)) for name, values in labels.items() if crossed.group_sd.get(name, 0.0) > 0
    }
    df = float(crossed.df.min())
    if spread and df < _FEW_DF:
        name = min(spread, key=spread.__getitem__)
        yield (
            f"the limits are for {name} in general and rest on {spread[name]} of them (Student's t with {df:.1f} "
            f"degrees of freedom); to ask about these alone, fit the rows of each {name} by themselves"
        )
