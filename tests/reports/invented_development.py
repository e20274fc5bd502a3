"""Invented results of the development report: one published model biased, one not, cold water unknown."""

from __future__ import annotations

from typing import Any

import pandas as pd

from broodyear.claims import Claim, ClaimKind, Reason
from broodyear.development.models.sources import references
from broodyear.development.scoring.assessment import pit_histogram
from broodyear.reports.development.results import DevelopmentResults, results_of
from broodyear.reports.sentences import state
from broodyear.settings import Settings

PLACE = {"species": "coho", "stage": "hatch_half"}
MODELS = ("own_log_inverse", "Crisp1981_coho")


def score(model: str, band: str, bias: float | None, half: float = 1.0, **changes: Any) -> dict[str, Any]:
    """One cell of scores; without a bias it was suppressed."""
    known = bias is not None
    return {
        **PLACE, "model": model, "scheme": "batch_out", "band": band, "tanks": 30 if known else 2,
        "batches": 8 if known else 1, "bias_days": bias, "bias_low": bias - half if known else None,
        "bias_high": bias + half if known else None, "mae_days": 2.0 if known else None,
        "coverage_50": 51.0 if known else None, "coverage_80": 79.0, "coverage_95": 94.0, "log_score": -1.5,
        "skill_vs_constant": 0.1, "note": "" if known else "suppressed: fewer than 3 batches (1)",
    } | changes  # fmt: skip


def scores() -> pd.DataFrame:
    """Both models and constant units over all temperatures and by band."""
    rows = [
        score("own_log_inverse", "all", 0.1), score("own_log_inverse", "<5", None),
        score("own_log_inverse", "5-7", -0.3), score("Crisp1981_coho", "all", 2.5),
        score("Crisp1981_coho", "<5", None, unscored="spreads_unknown"),
        score("Crisp1981_coho", "5-7", 4.0), score("own_constant_units", "all", 0.0),
        score("own_constant_units", "<5", None), score("own_constant_units", "5-7", 1.0, half=9.0),
    ]  # fmt: skip
    return pd.DataFrame(rows)


def statements() -> pd.DataFrame:
    """One sentence of every topic."""
    said = {
        "suspects": "coho: 1 date is probably wrong",
        "data": "coho: 30 tanks", "band": "coho: the tanks lie in 6-10 °C", "intervals": "coho: intervals hold",
        "first_seen": "coho: -0.9 d by first-seen dates", "copied": "coho: 12 dates agree with 470 units",
        "survivors": "Only survivors have a date.",
    }  # fmt: skip
    return pd.DataFrame([{"topic": topic, **PLACE, "sentence": sentence} for topic, sentence in said.items()])


def claims() -> list[Claim]:
    """The published model is late as a whole and at 5 to 7 °C; the own fit is not counted."""
    late = {"level": "coho hatch_half", "estimate": 2.5, "low": 1.5, "high": 3.5, "unit": "days"}
    band = {"level": "coho hatch_half 5-7", "estimate": 4.0, "low": 3.0, "high": 5.0, "unit": "days"}
    reader = {"level": "coho hatch_half", "estimate": -0.2, "low": -1.0, "high": 0.6, "unit": "days"}
    return [
        Claim(ClaimKind.MODEL_BIASED, MODELS[0], Reason.OWN_FIT, level="coho hatch_half", unit="days"),
        Claim(ClaimKind.MODEL_BIASED, MODELS[1], Reason.CLEAR, p_family=0.001, section="answer", **late),
        Claim(ClaimKind.MODEL_BIASED, MODELS[1], Reason.CLEAR, p_family=0.001, section="where", **band),
        Claim(ClaimKind.MODEL_BETTER, MODELS[1], Reason.NOT_CLEAR, level="coho hatch_half", reference=MODELS[0]),
        Claim(ClaimKind.THERMOMETER, MODELS[1], Reason.NOT_CLEAR, section="answer", **reader),
    ]


def predictions() -> pd.DataFrame:
    """Six tanks for each model; the last ended before the stage."""
    rows = []
    for model in MODELS:
        for place in range(6):
            seen = 30.0 + place if place < 5 else None
            rows.append(
                {**PLACE, "model": model, "season": 2023, "tank_id": f"T-{place}", "mean_temp_c": 6.0 + place,
                 "predicted_day": 29.0 + place, "absent_day": 27.0 + place, "seen_day": seen,
                 "equivalent_low_days": 60.0 - 4 * place, "equivalent_high_days": seen and 64.0 - 4 * place,
                 "error_low_days": seen and 29.0 + place - seen, "error_high_days": 2.0, "donor_stock": "DS-1",
                 "pit": 0.1 + 0.15 * place}
            )  # fmt: skip
    return pd.DataFrame(rows)


def bars() -> pd.DataFrame:
    """Where the events of six tanks lay in their predictions."""
    return pit_histogram(predictions())


def constants() -> pd.DataFrame:
    """One constant of an own fit and one of a published model."""
    place = {**PLACE, "form": "constant_units", "constant": "K"}
    cited = (
        "Crisp DT 1988. Prediction, from temperature, of eyeing, hatching and 'swim-up' times for salmonid"
        " embryos. Freshwater Biology 19:41-48"
    )
    own = {
        **place,
        "model": MODELS[0],
        "estimate": 470.1234567890123,
        "std_error": 3.25,
        "tanks": 30,
        "batches": 8,
    }
    return pd.DataFrame(
        [
            {**own, "tested_low_c": 5.0, "tested_high_c": 11.0, "source": "fitted to these records", "note": ""},
            {**place, "model": MODELS[1], "estimate": 466.0, "source": cited, "note": "from memory"},
        ]
    )


def curves() -> pd.DataFrame:
    """Two curves over five temperatures."""
    rows = [
        {**PLACE, "model": model, "temp_c": float(temp), "days": 500.0 / temp + shift,
         "low": 500.0 / temp - 3 if model == MODELS[0] else None,
         "high": 500.0 / temp + 3 if model == MODELS[0] else None}
        for model, shift in zip(MODELS, (0.0, 4.0), strict=True)
        for temp in (5, 6, 8, 10, 12)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def fan() -> pd.DataFrame:
    """Sixty days of one tank, the first twenty of them read."""
    days = range(60)
    frame = pd.DataFrame(
        {"day": days, "done_pct": [40.0 + day for day in days], "is_recorded": [d < 20 for d in days]}
    )
    for name, shift in (("low_95", -8), ("low_80", -5), ("high_80", 5), ("high_95", 8)):
        frame[name] = frame["done_pct"] + shift
    return frame.assign(date=pd.date_range("2023-11-10", periods=60), tank_id="T-1", stage=PLACE["stage"])


def results(**changes: Any) -> DevelopmentResults:
    """A whole report; `changes` replace frames by name."""
    one = {**PLACE, "model": MODELS[1]}
    frames: dict[str, pd.DataFrame] = {
        "scores": scores(), "statements": statements(), "predictions": predictions(), "curves": curves(),
        "pairs": pd.DataFrame([{**PLACE, "temp_c": 8.0, "days": 62.0}]), "fan": fan(),
        "site_offsets": pd.DataFrame([{**one, "site_id": "S-3", "tanks": 4, "batches": 3, "offset_days": -4.0}]),
        "stocks": pd.DataFrame(
            [{**one, "donor_stock": "A", "other_stock": "B", "later_days": 6.0, "reason": "clear"}]
        ),
        "thermometers": pd.DataFrame([{**one, "read_by": "logger", "tanks": 12, "sites": 4, "bias_days": 2.4}]),
        "comparisons": pd.DataFrame([{**one, "against": "own_constant_units", "is_told_apart": False}]),
        "suspects": pd.DataFrame([{**PLACE, "season": 2023, "tank_id": "T-9", "days_off": 30.0}]),
        "first_seen": pd.DataFrame([{**one, "tanks": 30, "bias_days": 0.1, "bias_first_seen_days": -0.8}]),
        "copied": pd.DataFrame([{**PLACE, "units_c_days": 470.0, "tanks": 40, "agreeing": 12, "left_out": 12}]),
        "gaps": pd.DataFrame([{**PLACE, "season": 2023, "tank_id": "T-8", "would_have_kept": "one reading"}]),
        "left_out": pd.DataFrame([{**PLACE, "reason": "too many days without readings", "rows": 5}]),
        "disagreements": pd.DataFrame([{**one, "temp_c": 3.0, "published_days": 120.0, "error_pct": 12.0}]),
        "coefficients": constants(), "works": references(constants()["source"][1:]), "pit": bars(),
        "covariance": pd.DataFrame(
            [{**PLACE, "model": MODELS[0], "constant": "K", "with_constant": "K", "covariance": 3.25**2}]
        ),
        "calibration": pd.DataFrame(
            [{**PLACE, "model": MODELS[0], "band": "all", "tanks": 30, "stated_pct": 50.0, "held_pct": 51.0}]
        ),
    } | changes  # fmt: skip
    stated = state(claims() if frames["scores"]["bias_days"].notna().any() else [])
    shown = {("coho", "hatch_half"): MODELS}
    return results_of(frames, settings=Settings(), seed=1, shown=shown, claims=stated)
