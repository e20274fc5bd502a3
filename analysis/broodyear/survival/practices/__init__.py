"""One adjusted-survival fit per outcome, from which effects, practices, changes and regions are read.

All practices stand in one model together (METHODS: one model, one family); every contrast of an outcome belongs to
one family, and is claimed or not by one rule. Others call `effects_report`, or `begin_effects`
to share its fits out; regions fit a factor of their own by `code_factor`, `fit_adjusted` and `within_batches`.
"""

from __future__ import annotations

from broodyear.survival.practices.factors import PRACTICES, Practice, available
from broodyear.survival.practices.outcome import EffectsReport, begin_effects, effects_report

__all__ = ["PRACTICES", "EffectsReport", "Practice", "available", "begin_effects", "effects_report"]
