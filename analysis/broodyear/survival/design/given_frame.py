"""Whatever table a caller holds, as a pandas frame."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from broodyear.errors import UsageError


def as_frame(given: Any) -> pd.DataFrame:
    """A pandas frame of a table given as one, as a dict of columns, a list of records, or another library's.

    Frames of other libraries are read through their own `to_pandas` (polars, pyarrow and their kin) or `df`
    (a DuckDB relation). Raises UsageError for anything else, and for columns of unequal length.
    """
    if isinstance(given, pd.DataFrame):
        return given
    if hasattr(given, "collect") and not hasattr(given, "to_pandas"):
        given = given.collect()  # a lazy frame
    if hasattr(given, "to_pandas"):
        return _from_library(given)
    if callable(getattr(given, "df", None)):
        return pd.DataFrame(given.df())
    if isinstance(given, Mapping) or _holds_records(given):
        try:
            return pd.DataFrame(given)
        except ValueError as error:
            raise UsageError(f"The table given cannot be read as columns of one length: {error}.") from error
    raise UsageError(
        f"frame must be a table with one row per tank-season, such as a pandas frame or a dict of columns, but"
        f" a {type(given).__name__} was passed: read the file into a frame first."
    )


def _from_library(given: Any) -> pd.DataFrame:
    try:
        return pd.DataFrame(given.to_pandas())
    except ImportError:  # some libraries convert only where pyarrow is installed; plain lists always work
        return pd.DataFrame({name: given[name].to_list() for name in given.columns})


def _holds_records(given: Any) -> bool:
    if isinstance(given, np.ndarray):
        return given.dtype.names is not None
    return isinstance(given, (list, tuple)) and all(isinstance(row, Mapping) for row in given) and len(given) > 0
