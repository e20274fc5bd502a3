"""Which set-ups lose more than expected, and how sure that is; what practices and sites have to do with it."""

from __future__ import annotations

from broodyear.setups.detectable import smallest_detectable_shortfall
from broodyear.setups.screen import SETUP_COLUMNS, SetupScreen, compare_setups, screen_setups

__all__ = ["SETUP_COLUMNS", "SetupScreen", "compare_setups", "screen_setups", "smallest_detectable_shortfall"]
