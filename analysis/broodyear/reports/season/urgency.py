"""Which tanks come first: by verdict, then by fish below expected, then by label."""

from __future__ import annotations

from typing import Any

from broodyear.reports.numbers import known
from broodyear.reports.tables import ReportTable
from broodyear.reports.vocabulary import MAIN_OUTCOME

_URGENCY = {"below_expected": 0, "watch": 1}


def is_flagged(setups: ReportTable, row: int) -> bool:
    """Whether a row's verdict asks for attention."""
    return str(setups.value(row, "verdict")) in _URGENCY


def main_rows(setups: ReportTable) -> list[int]:
    """Rows that judge the whole stay, from delivery to release."""
    return setups.rows(outcome=MAIN_OUTCOME) if len(setups) else []


def visiting_order(setups: ReportTable) -> list[int]:
    """Rows of judged tanks, most urgent first."""

    def urgency(row: int) -> tuple[Any, ...]:
        fish = setups.value(row, "fish_below_expected")
        lost = -float(fish) if known(fish) else 0.0
        return _URGENCY.get(str(setups.value(row, "verdict")), 2), lost, str(setups.value(row, "tank_id"))

    judged = [row for row in main_rows(setups) if str(setups.value(row, "verdict")) != "too_few_records"]
    return sorted(judged, key=urgency)


def flagged_rows(setups: ReportTable) -> list[int]:
    """Rows of tanks below expected or to watch, most urgent first."""
    return [row for row in visiting_order(setups) if is_flagged(setups, row)]
