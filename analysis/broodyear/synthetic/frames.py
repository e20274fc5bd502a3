"""Small helpers on frames and arrays that several parts of the simulator share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

Array = np.ndarray[Any, np.dtype[Any]]


def rows_by(frame: pd.DataFrame, columns: Sequence[str]) -> list[tuple[tuple[Any, ...], Array]]:
    """(values of the columns, positions of their rows) of each group, in order of the values."""
    grouped = frame.reset_index(drop=True).groupby(list(columns), sort=True, observed=True)
    indices: dict[Any, Any] = dict(grouped.indices)
    named = [(key if isinstance(key, tuple) else (key,), np.asarray(rows)) for key, rows in indices.items()]
    return sorted(named, key=lambda pair: pair[0])


def given(condition: Any, value: Any) -> Array:
    """An object array: `value` (one, or one per row) where the condition holds, None elsewhere."""
    chosen = np.full(len(condition), None, dtype=object)
    rows = np.asarray(condition, dtype=bool)
    chosen[rows] = value if np.isscalar(value) else np.asarray(value, dtype=object)[rows]
    return chosen


def coded(codes: Array, names: Iterable[str]) -> Any:
    """A categorical column from codes (−1 is blank): far smaller than half a million strings."""
    made: Any = pd.Categorical.from_codes(codes.astype(np.int64), categories=pd.Index(list(names), dtype=object))
    return made


def as_date(days: np.ndarray) -> np.ndarray:
    """Dates at the resolution the typed frames of the record set use."""
    return days.astype("datetime64[D]").astype("datetime64[us]")


def as_moment(moments: np.ndarray) -> np.ndarray:
    """Moments at the resolution the typed frames of the record set use."""
    return moments.astype("datetime64[us]")
