"""What would have kept a stage that was left out for days without readings."""

from __future__ import annotations

import pandas as pd

from broodyear.development.scoring.record_checks import GAP_COLUMNS, GAP_REASON, left_out_for_gaps


def test_each_is_told_with_its_days() -> None:
    rows = pd.DataFrame(
        {
            "tank_id": ["2024/A", "2024/B", "2024/C", "2024/D"],
            "tank_label": ["A", "B", "C", "D"],
            "gap_from": pd.to_datetime(["2024-12-20", "2024-12-20", None, None]),
            "gap_to": pd.to_datetime(["2025-01-06", "2025-01-06", None, None]),
            "gap_se_days": [2.2, 4.1, None, 0.0],
            "readings_wanted": [1, 4, None, 0],
            "why_not": [GAP_REASON, GAP_REASON, GAP_REASON, None],
        }
    )
    found = left_out_for_gaps(rows)
    assert tuple(found.columns) == GAP_COLUMNS
    assert found[["tank_id", "would_have_kept"]].to_numpy().tolist() == [
        ["A", "one reading between 2024-12-20 and 2025-01-06"],
        ["B", "4 readings, spread between 2024-12-20 and 2025-01-06"],
        ["C", "a reading on some days, or the set point"],
    ]
