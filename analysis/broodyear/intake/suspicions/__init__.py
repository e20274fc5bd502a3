"""Checks beyond one cell: what may be wrong although every row by itself is possible.

Each rule is one file of queries/suspicions: it finds the cases and the numbers that speak for them. sentences.txt
says in plain words what each case means and what to do; searching.py runs the queries a set of uploads calls for.
Nothing is changed: a suspicion is a warning about rows that were taken.
"""

from __future__ import annotations

from broodyear.intake.suspicions.searching import (
    ACKNOWLEDGED,
    RULES,
    OpenSuspicion,
    cases_now,
    count_suspicions,
    find_suspicions,
    open_cases,
    open_suspicions,
)

__all__ = [
    "ACKNOWLEDGED",
    "RULES",
    "OpenSuspicion",
    "cases_now",
    "count_suspicions",
    "find_suspicions",
    "open_cases",
    "open_suspicions",
]
