"""Typed columns as the text people upload: ISO dates, short numbers, blanks for what was not recorded."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.schemas import Column

Texts = np.ndarray
"""(rows,) object array of str; a blank is an empty string."""


def as_text(frame: pd.DataFrame, column: Column) -> Texts:
    """One declared column of a frame as text."""
    values = frame[column.name]
    if column.kind == "date":
        return _dates(values.to_numpy(), "D")
    if column.kind == "moment":
        return _moments(values.to_numpy(), frame[f"{column.name}_has_hour"].to_numpy(dtype=bool))
    if isinstance(values.dtype, pd.CategoricalDtype):
        return np.array([*values.cat.categories, ""], dtype=object)[values.cat.codes.to_numpy()]
    if column.kind == "boolean":
        return _labels(values, {True: "true", False: "false"})
    if column.is_number:
        return _numbers(values.to_numpy(dtype=float, na_value=np.nan))
    return values.astype(object).where(values.notna(), "").to_numpy(dtype=object)


def _dates(values: np.ndarray, unit: str) -> Texts:
    text = np.datetime_as_string(values.astype(f"datetime64[{unit}]")).astype(object)
    text[np.isnat(values)] = ""
    return text


def _moments(values: np.ndarray, has_hour: np.ndarray) -> Texts:
    text = _dates(values, "m")
    text[~has_hour] = _dates(values[~has_hour], "D")
    return text


def _labels(values: pd.Series, names: dict[bool, str]) -> Texts:
    flags = values.astype("boolean")
    text = np.where(flags.fillna(False).to_numpy(dtype=bool), names[True], names[False]).astype(object)
    text[flags.isna().to_numpy()] = ""
    return text


def _numbers(values: np.ndarray) -> Texts:
    """Shortest decimal text of each number; whole numbers without a point."""
    distinct, place = np.unique(values, return_inverse=True)
    words = ["" if np.isnan(v) else str(int(v)) if v == int(v) else repr(float(v)) for v in distinct]
    return np.array(words, dtype=object)[place]
