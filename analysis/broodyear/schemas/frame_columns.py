"""The columns of the frames that public functions take and give: what ``frames.frame_schema`` is made from.

A kind is the kind of the values; ``?`` behind it: they may be missing, ``-`` behind it: the column may be absent.
share: 0 to 1; pct: 0 to 100; size: 0 and above.
"""

from __future__ import annotations

from collections.abc import Mapping

_BIAS = {
    "bias_days": "number?", "bias_low": "number?", "bias_high": "number?", "mae_days": "size?",
    "coverage_50": "pct?", "coverage_80": "pct?", "coverage_95": "pct?", "log_score": "number?",
    "skill_vs_constant": "number?",
}  # fmt: skip

FRAMES: Mapping[str, Mapping[str, str]] = {
    "constant_temperatures": {"temp_c": "number", "days": "size"},
    "tank_records": {
        "tank_id": "any", "batch_id": "any-", "absent_day": "number?", "seen_day": "number?",
    },
    "tank_seasons": {
        "season": "whole", "tank_id": "any", "site_id": "any?", "batch_id": "any?", "eggs": "size?",
        "survivors": "size?", "outcome": "text-",
    },
    "scores": {
        "species": "text", "stage": "text", "model": "text", "scheme": "text", "band": "text", "tanks": "size",
        "batches": "size", **_BIAS, "donor_stock": "text?",
    },
    "setups": {
        "season": "whole", "tank_id": "any", "site_id": "any?", "batch_id": "any?", "outcome": "text",
        "eggs": "size?", "survivors": "size?", "observed_pct": "pct?", "expected_pct": "pct?",
        "shrunken_pct": "pct?", "shrunken_low": "pct?", "shrunken_high": "pct?", "fish_below_expected": "number?",
        "p_value": "share?", "q_value": "share?", "verdict": "text", "losing_stage": "text?",
        "circumstances": "any?",
    },
    "forecasts": {
        "season": "whole", "tank_id": "text", "stage": "text", "model": "text?", "headline": "boolean",
        "expected_on": "date?", "low_80": "date?", "high_80": "date?", "low_95": "date?", "high_95": "date?",
        "days_of_record": "size", "note": "text?",
    },
    "published_models": {
        "model": "text", "species": "text", "stage": "text", "form": "text", "coefficients": "any",
        "valid_low_c": "number?", "valid_high_c": "number?", "source": "text", "trust": "text",
        "is_default": "boolean", "spread_log_sd": "size",
    },
    "regions": {
        "region": "text", "outcome": "text", "tanks": "size", "batches": "size", "batches_shared": "size",
        "raw_pct": "pct?", "adjusted_pct": "pct?", "adjusted_low": "pct?", "adjusted_high": "pct?",
        "separable": "boolean", "note": "text?",
    },
    "practices": {
        "outcome": "text", "tanks": "size", "batches": "size", "seasons": "size", "eggs": "size",
        "adjusted_pct": "pct?", "adjusted_low": "pct?", "adjusted_high": "pct?", "difference_points": "number?",
        "difference_low": "number?", "difference_high": "number?", "note": "text?",
    },
    "sites": {
        "site_id": "text", "outcome": "text", "seasons": "size", "tank_seasons": "size",
        "difference_points": "number?", "difference_low": "number?", "difference_high": "number?",
        "p_value": "share?", "q_value": "share?", "verdict": "text",
    },
}  # fmt: skip
