"""Survival regression for counts of eggs and fish.

Others call `fit_survival` (methods in `marginal.py` and `mixed/`, rows and columns in `design`, the result in
`result.py`), `effects_report` (all practices in one fit, `practices/`) and `tank_frame.prepare`.
"""

from __future__ import annotations

from broodyear.survival.fit import METHODS, fit_survival
from broodyear.survival.practices import EffectsReport, effects_report
from broodyear.survival.result import SurvivalFit

__all__ = ["METHODS", "EffectsReport", "SurvivalFit", "effects_report", "fit_survival"]
