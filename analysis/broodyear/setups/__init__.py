"""Which set-ups lose more than expected, how sure that is, and what practices and sites go with it."""

from __future__ import annotations

from broodyear.setups.advice import change_claims, what_to_change
from broodyear.setups.batches import batch_claims
from broodyear.setups.circumstances import SHARE_COLUMNS, circumstance_shares
from broodyear.setups.predictive import funnel_limits, smallest_detectable_shortfall
from broodyear.setups.screen import SetupScreen, compare_setups, screen_setups, tank_claims
from broodyear.setups.sites import place_claims, sites_table

__all__ = [
    "SHARE_COLUMNS", "SetupScreen", "batch_claims", "change_claims", "circumstance_shares", "compare_setups",
    "funnel_limits", "place_claims", "screen_setups", "sites_table", "smallest_detectable_shortfall",
    "tank_claims", "what_to_change",
]  # fmt: skip
