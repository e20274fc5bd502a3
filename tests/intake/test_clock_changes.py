"""Hours that a change of the clocks skips or doubles: counted over the rows that were kept."""

from __future__ import annotations

import pytest
from tests.intake.conftest import Write

from broodyear.intake import check_paths

HEADER = "tank_id,read_at,water_temp\n"
#: On 10 March 2024 clocks in North America went from 02:00 to 03:00.
SKIPPED = "T-001,2024-03-10T02:30,8.0\n"
ORDINARY = "T-001,2024-03-10T01:30,8.0\n"


@pytest.mark.parametrize(
    ("rows", "said", "line"),
    [
        ([ORDINARY, SKIPPED], "1 time lies", 3),
        ([SKIPPED, ORDINARY, SKIPPED], "1 time lies", 2),
        ([SKIPPED, "T-001,2024-03-10T02:40,warm\n", "T-002,2024-03-10T02:50,8.0\n"], "2 times lie", 2),
    ],
    ids=["one", "a repeat that is left out", "a row with an error"],
)
def test_kept_rows_are_counted(rows: list[str], said: str, line: int, write: Write) -> None:
    file = write("temperatures.csv", HEADER + "".join(rows))
    result = check_paths([file.parent])
    told = [(finding.line, finding.message) for finding in result.findings if finding.rule == "clock_change"]
    assert told == [
        (line, f"{said} in an hour that the change to or from summer time skips or doubles; kept as written")
    ]


@pytest.mark.parametrize("moment", ["2024-03-10T01:59", "2024-03-10T03:00", "2024-03-10"])
def test_other_hours_are_passed_over(moment: str, write: Write) -> None:
    file = write("temperatures.csv", f"{HEADER}T-001,{moment},8.0\n")
    assert "clock_change" not in {finding.rule for finding in check_paths([file.parent]).findings}


def test_one_very_old_date_hides_no_other(write: Write) -> None:
    old = "T-001,1950-03-12T02:30,8.0\n"
    file = write("temperatures.csv", HEADER + ORDINARY + SKIPPED + old)
    told = [finding for finding in check_paths([file.parent]).findings if finding.rule == "clock_change"]
    assert [(finding.line, finding.message[:12]) for finding in told] == [(3, "2 times lie ")]
