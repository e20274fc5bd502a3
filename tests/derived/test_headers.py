"""Reading the header of a query file."""

from __future__ import annotations

from pathlib import Path

import pytest

from broodyear.derived import ReturnedColumn, read_query
from broodyear.errors import BroodyearError

HEADER = """-- warm_days
--
-- purpose: days that were warm,
--     and how warm.
-- grain: one row per tank and day.
-- reads: daily_temperature, settings
-- key: tank_id, day
-- returns:
--   tank_id [code]: tank
--   water_temp_c [°C]: mean of the day,
--     as observed
SELECT 1
-- a comment of its own
"""


def written(folder: Path, text: str, name: str = "warm_days") -> Path:
    path = folder / f"{name}.sql"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_header_is_taken_apart(tmp_path: Path) -> None:
    query = read_query(written(tmp_path, HEADER))
    assert query.name == "warm_days"
    assert query.purpose == "days that were warm, and how warm."
    assert query.grain == "one row per tank and day."
    assert query.reads == ("daily_temperature", "settings")
    assert query.key == ("tank_id", "day")
    assert query.kept_as == "table"
    assert query.returns == (
        ReturnedColumn("tank_id", "code", "tank"),
        ReturnedColumn("water_temp_c", "°C", "mean of the day, as observed"),
    )
    assert query.text == HEADER


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            HEADER.replace("-- warm_days", "-- warm_day"),
            "warm_days.sql is headed 'warm_day'; expected",
        ),
        (HEADER.replace("-- grain: one row per tank and day.\n", ""), "the header of warm_days.sql lacks 'grain'"),
        (HEADER.replace("-- key:", "-- keys:"), "has the line 'keys: tank_id, day', which is no known field"),
        (HEADER.replace("-- key:", "-- kept as:"), "is kept as 'tank_id, day'; expected one of table, view"),
        (HEADER.replace(" [code]", ""), "returns 'tank_id: tank'; expected the form 'name [unit]: meaning'"),
        ("SELECT 1", "warm_days.sql is headed ''"),
    ],
)
def test_a_header_that_does_not_fit_is_refused(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(BroodyearError, match="warm_days") as refusal:
        read_query(written(tmp_path, text))
    assert message in str(refusal.value)
