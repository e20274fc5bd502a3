"""Comparisons by random assignment: planned with their power, drawn within blocks, and analysed as assigned.

Others call ``plan_trial`` (who gets what, and what it could find), ``analyse_trials`` (what came of it) and
``trial_claims`` (that, as claims). ``randomisation`` and ``power`` hold the arithmetic. TRIAL_CAUTIONS go with
every plan.
"""

from __future__ import annotations

from broodyear.trials.analysis import (
    COMPARISON_COLUMNS,
    analyse_trials,
    trial_claims,
)
from broodyear.trials.assignment import TRIAL_COLUMNS, Assignment, assign, candidates, checked_levels
from broodyear.trials.power import TRIAL_CAUTIONS, Power, Spreads, TrialPlan, plan_trial, power_of, spreads_of

__all__ = [
    "COMPARISON_COLUMNS",
    "TRIAL_CAUTIONS",
    "TRIAL_COLUMNS",
    "Assignment",
    "Power",
    "Spreads",
    "TrialPlan",
    "analyse_trials",
    "assign",
    "candidates",
    "checked_levels",
    "plan_trial",
    "power_of",
    "spreads_of",
    "trial_claims",
]
