"""Whether the records can tell two models apart, and the pitfall of first-seen dates."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from broodyear.development.scoring.cross_validation import MAIN_SCHEME, HeldOut
from broodyear.development.scoring.held_out_scores import DevelopmentScores, StageData
from broodyear.development.scoring.score_cells import tank_log_scores

Floats = NDArray[np.float64]

# The middle 80 % of the tanks' mean temperatures must spread this wide before curvature can show: within 7–9 °C
# published curves and constant units differ by under a day (Crisp 1981 against units tuned at 8 °C).
NARROW_BAND_C = 3.0
COMPARED = ("own_log_inverse", "own_exponential")
COMPARISON_COLUMNS = (
    "species", "stage", "model", "against", "tanks", "batches", "log_score_gain", "gain_low", "gain_high",
    "band_low_c", "band_high_c", "is_told_apart",
)  # fmt: skip
FIRST_SEEN_COLUMNS = (
    "species", "stage", "model", "tanks", "batches", "bias_days", "bias_low", "bias_high", "bias_first_seen_days",
    "mae_days", "mae_first_seen_days", "shift_days",
)  # fmt: skip


def model_comparisons(scores: DevelopmentScores) -> pd.DataFrame:
    """Curved own fits against constant units, by log score of held-out batches: COMPARISON_COLUMNS.

    log_score_gain: mean gain per tank, positive when the curve predicts better; gain_low, gain_high: 95 % limits
    over batches (t); is_told_apart: the limits leave out 0; band: 10th and 90th per cent of the tanks' means (°C).
    """
    rows = []
    for (species, stage), one in scores.data.items():
        base = scores.held_out.get((species, stage, "own_constant_units", MAIN_SCHEME))
        for model in COMPARED:
            held = scores.held_out.get((species, stage, model, MAIN_SCHEME))
            if base is not None and held is not None:
                rows.append({"species": species, "stage": stage, "model": model, **_compared(one, held, base)})
    return pd.DataFrame(rows, columns=list(COMPARISON_COLUMNS))


def _compared(one: StageData, held: HeldOut, base: HeldOut) -> dict[str, Any]:
    gain = tank_log_scores(held) - tank_log_scores(base)
    is_known = np.isfinite(gain)
    by_batch = pd.Series(gain[is_known]).groupby(one.records.batch[is_known]).mean()
    batches = len(by_batch)
    mean = float(by_batch.mean()) if batches else float("nan")
    half = float("nan")
    if batches > 1:
        half = float(stdtrit(batches - 1, 0.975) * by_batch.std(ddof=1) / np.sqrt(batches))
    low_c, high_c = np.quantile(one.records.mean_temp_c, [0.1, 0.9])
    return {
        "against": "own_constant_units",
        "tanks": int(is_known.sum()),
        "batches": batches,
        "log_score_gain": mean,
        "gain_low": mean - half,
        "gain_high": mean + half,
        "band_low_c": float(low_c),
        "band_high_c": float(high_c),
        "is_told_apart": bool(mean - half > 0 or mean + half < 0),
    }


def first_seen_pitfall(scores: DevelopmentScores, models: Mapping[tuple[str, str], str]) -> pd.DataFrame:
    """What taking first-seen dates for the events would have said, beside the interval likelihood.

    models: the model to show by (species, stage). shift_days: bias by first-seen dates minus bias by intervals;
    negative, because an event is seen after it happened and every model then looks early.
    """
    table = scores.scores
    main = table[(table["scheme"] == MAIN_SCHEME) & (table["band"] == "all") & table["mae_days"].notna()]
    wanted = [(*key, model) for key, model in models.items()]
    is_wanted = pd.MultiIndex.from_frame(main[["species", "stage", "model"]]).isin(wanted)
    chosen = main[is_wanted]
    shift = chosen["bias_first_seen_days"] - chosen["bias_days"]
    return chosen.assign(shift_days=shift).loc[:, list(FIRST_SEEN_COLUMNS)].reset_index(drop=True)
