"""Several contrasts at once: planned ones adjusted after Holm, screens after Benjamini and Hochberg."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from broodyear.errors import UsageError
from broodyear.survival.multiplicity import benjamini_hochberg, holm
from broodyear.survival.result import SurvivalFit


def planned_contrasts(fit: SurvivalFit, planned: Mapping[str, tuple[str, Any, Any]]) -> pd.DataFrame:
    """Contrasts decided before looking, with Holm-adjusted p values.

    planned: name -> (factor, level, reference). One row per name: contrast, factor, then the columns of
    SurvivalFit.contrast, then p_holm.
    """
    rows = []
    for name, (factor, level, reference) in planned.items():
        table = fit.contrast(factor, reference)
        chosen = table[table["level"] == level]
        if chosen.empty:
            have = ", ".join(map(str, table["level"]))
            raise UsageError(f"Factor {factor!r} has no level {level!r} besides the reference; it has {have}.")
        rows.append(chosen.assign(contrast=name, factor=factor))
    if not rows:
        raise UsageError("planned names no contrast: give at least one name -> (factor, level, reference).")
    frame = pd.concat(rows, ignore_index=True)
    frame["p_holm"] = holm(frame["p_value"].to_numpy(dtype=float))
    rest = [name for name in frame.columns if name not in ("contrast", "factor")]
    ordered: pd.DataFrame = frame.reindex(columns=["contrast", "factor", *rest])
    return ordered


def screen_contrasts(fit: SurvivalFit, factors: Sequence[str]) -> pd.DataFrame:
    """Every level of every factor against its reference, with q values (Benjamini–Hochberg).

    Columns: factor, the columns of SurvivalFit.contrast, q_value. For looking around, not for claims.
    """
    parts = [fit.contrast(factor).assign(factor=factor) for factor in factors]
    if not parts:
        raise UsageError("factors names none: give at least one factor of the formula.")
    frame = pd.concat(parts, ignore_index=True)
    frame["q_value"] = benjamini_hochberg(frame["p_value"].to_numpy(dtype=float))
    return frame.reindex(columns=["factor", *[name for name in frame.columns if name != "factor"]])
