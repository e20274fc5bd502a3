"""The running season on one day: what is due, silent, warm, cold, losing fish, or out of limits.

Others call ``watchlist`` (a frame, one row per tank and reason to look), ``all_dead`` (whether all eggs of its
tank are counted dead) and ``last_record_on`` (the day it is about when none is named). What holds on a day stands
in the derived table watch_states; dates due come from forecasts.
"""

from __future__ import annotations

from broodyear.week.watchlist import ASKS_AFTER_FISH, KINDS, WATCH_COLUMNS, all_dead, last_record_on, watchlist

__all__ = ["ASKS_AFTER_FISH", "KINDS", "WATCH_COLUMNS", "all_dead", "last_record_on", "watchlist"]
