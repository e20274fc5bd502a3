"""Do the methods tell one story? A sentence per effect, and why they may differ."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.survival.arrays import BoolArray, FloatArray

FAR_APART = 1.0  # typical standard errors between estimates before their sizes are said to differ
CLEAR = 0.05


def agreement_table(contrasts: pd.DataFrame) -> pd.DataFrame:
    """One row per factor and level: factor, level, agrees, sentence.

    contrasts: rows of factor, level, method, difference_points, difference_low, difference_high, p_value.
    Methods agree when all or none would call the difference shown and their sizes lie close together.
    """
    rows = []
    estimated = contrasts[contrasts["difference_points"].notna()]
    for (factor, level), part in estimated.groupby(["factor", "level"], sort=False):
        points = part["difference_points"].to_numpy(dtype=float)
        widths = (part["difference_high"] - part["difference_low"]).to_numpy(dtype=float)
        far_apart = bool(np.ptp(points) > FAR_APART * float(np.median(widths)) / (2.0 * 1.96))
        clear = part["p_value"].to_numpy(dtype=float) < CLEAR
        settled = bool(clear.all() or not clear.any())
        said = _sentence(part, points, clear, far_apart)
        rows.append({"factor": factor, "level": level, "agrees": settled and not far_apart, "sentence": said})
    return pd.DataFrame(rows, columns=["factor", "level", "agrees", "sentence"])


def _sentence(part: pd.DataFrame, points: FloatArray, clear: BoolArray, far_apart: bool) -> str:
    span = f"{points.min():+.1f} to {points.max():+.1f} points".replace("-", "−")
    if clear.any() and not clear.all():
        sure = ", ".join(part["method"].to_numpy()[clear])
        return f"The conclusion depends on the method ({span}): only {sure} would call it shown."
    verdict = "shown" if clear.all() else "not shown"
    size = "but not on its size " if far_apart else ""
    return f"All {len(part)} methods agree that a difference is {verdict} {size}({span})."
