"""Whether predictions are calibrated: how probability transforms spread, and how often intervals held, by band.

A transform is where an event lay in its predicted distribution, 0 the earliest and 1 the latest end. Calibrated
predictions spread evenly over 0 to 1 (Dawid 1984, J R Stat Soc A 147:278); too many at the ends means intervals
too narrow, too many on one side a bias.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import bdtr, bdtrik

from broodyear.development.scoring.cross_validation import MAIN_SCHEME
from broodyear.development.scoring.score_cells import LEVELS

# Eight bars of a histogram hold five tanks or more each where forty were scored.
PIT_BARS = 8
PIT_COLUMNS = (
    "species", "stage", "model", "pit_low", "pit_high", "tanks", "expected", "likely_low", "likely_high",
)  # fmt: skip
CALIBRATION_COLUMNS = ("species", "stage", "model", "band", "tanks", "stated_pct", "held_pct")


def pit_histogram(predictions: pd.DataFrame) -> pd.DataFrame:
    """Tanks by where the event lay in its prediction, in PIT_BARS equal bars: PIT_COLUMNS.

    predictions: species, stage, model, pit (0–1; NaN is not counted). expected: tanks a bar would hold by
    calibrated predictions; likely_low, likely_high: what 95 of 100 bars would (binomial).
    """
    edges = np.linspace(0.0, 1.0, PIT_BARS + 1)
    parts = []
    for (species, stage, model), rows in predictions.groupby(["species", "stage", "model"], sort=False):
        known = rows["pit"].dropna().to_numpy(dtype=float)
        low, high = (_binomial_quantile(p, len(known), 1.0 / PIT_BARS) for p in (0.025, 0.975))
        bars = {
            "pit_low": edges[:-1], "pit_high": edges[1:], "tanks": np.histogram(known, edges)[0],
            "expected": len(known) / PIT_BARS, "likely_low": low, "likely_high": high,
        }  # fmt: skip
        parts.append(pd.DataFrame({"species": species, "stage": stage, "model": model, **bars}))
    return _joined(parts, PIT_COLUMNS)


def calibration_by_band(scores: pd.DataFrame) -> pd.DataFrame:
    """Stated and held shares (%) of the 50, 80 and 95 % intervals by band of temperature: CALIBRATION_COLUMNS.

    scores: rows of scores.csv; those of the main scheme over all stocks that could be told are used.
    """
    is_used = (scores["scheme"] == MAIN_SCHEME) & (scores["donor_stock"].fillna("") == "")
    chosen = scores[is_used & scores["coverage_50"].notna()]
    place = chosen[["species", "stage", "model", "band", "tanks"]]
    parts = [
        place.assign(stated_pct=float(level), held_pct=chosen[f"coverage_{level}"].astype(float))
        for level in LEVELS
    ]
    return pd.concat(parts).sort_index(kind="stable").reset_index(drop=True).loc[:, list(CALIBRATION_COLUMNS)]


def _binomial_quantile(p: float, n: int, chance: float) -> float:
    """The least count that p of all binomial ones do not pass; scipy.stats has it too, and loads slowly."""
    if n == 0:
        return 0.0
    above = float(np.ceil(bdtrik(p, n, chance)))
    return above - 1.0 if above > 0 and bdtr(above - 1.0, n, chance) >= p else above


def _joined(parts: list[pd.DataFrame], columns: tuple[str, ...]) -> pd.DataFrame:
    return pd.concat(parts, ignore_index=True)[list(columns)] if parts else pd.DataFrame(columns=list(columns))
