"""Sentences of the development report that are made from numbers, and those that are left out."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from broodyear.reports.development.gathering import statements_table

KEY, MODEL = ("chinook", "hatch_half"), "own_log_inverse"
PLACE = {"species": KEY[0], "stage": KEY[1], "model": MODEL}
SCORE: dict[str, Any] = {
    **PLACE, "scheme": "batch_out", "band": "all", "tanks": 40, "batches": 1, "unscored": "", "note": "",
    "mae_days": 2.04, "bias_days": -0.44, "suspects": 0.0, "mae_without_suspects": np.nan,
    "bias_without_suspects": np.nan, "coverage_50": 50.4, "coverage_80": 79.6, "coverage_95": 95.0,
}  # fmt: skip


def told(topic: str, score: dict[str, Any], **changes: Any) -> list[str]:
    """The sentences of a topic on one model of one stage; every other frame is empty but for changes."""
    nothing = pd.DataFrame(columns=["species", "stage", "model", "against", "rows", "reason", "readings_wanted"])
    frames = dict.fromkeys(("comparisons", "first_seen", "left_out", "gaps", "copied_sheets"), nothing) | changes
    records = SimpleNamespace(gap_se_days=np.array([0.0, 0.1, 0.8]))
    found = SimpleNamespace(
        scores=pd.DataFrame([SCORE | score]), shown={KEY: (MODEL,)}, data={KEY: SimpleNamespace(records=records)},
        **frames,
    )  # fmt: skip
    table = statements_table(found)
    assert table["topic"].iloc[-1] == "survivors"
    return table.loc[table["topic"] == topic, "sentence"].tolist()


def test_what_is_used_left_out_and_not_read_is_counted() -> None:
    left_out = pd.DataFrame(
        [{**PLACE, "reason": "no date", "rows": 2}, {**PLACE, "reason": "no units", "rows": 1}]
    )
    gaps = pd.DataFrame([{**PLACE, "readings_wanted": wanted} for wanted in (1, 1, 4, pd.NA)])
    assert told("data", {}, left_out=left_out, gaps=gaps) == [
        "Chinook, half hatched: 40 tanks of 1 batch are used, 3 are left out (no date: 2; no units: 1).",
        "Chinook, half hatched: 1 tank was not read for long, over holidays say, or the readings are in doubt; "
        "these days are modelled, and their error, up to 0.8 d, is carried in every fit, score and interval.",
        "Chinook, half hatched: of 4 stages left out for days without readings, one reading in the longest gap "
        "would have kept 2; tables/long_gaps.csv says which days, tank by tank.",
    ]
    refused = told("data", {"tanks": 1, "unscored": "not_converged", "note": "refused: <3 batches & 1 site"})
    assert refused[0] == "Chinook, half hatched: 1 tank of 1 batch is used, 0 are left out."
    assert refused[-1].endswith("own fit, log-inverse is refused: <3 batches & 1 site.")


def test_coverage_that_cannot_be_told_is_said_so_and_one_far_off_is_said_to_differ() -> None:
    whose = "intervals of this programme's own fit, log-inverse"
    assert told("intervals", dict.fromkeys(("coverage_50", "coverage_80", "coverage_95"), np.nan)) == [
        f"Chinook, half hatched: whether {whose} hold what they state cannot be told from these tanks."
    ]
    held = f"Chinook, half hatched: the 50, 80 and 95 % {whose} held 50, 80 and {{}} % of 40 tanks of {{}} that "
    assert told("intervals", {})[0].startswith(held.format(95, "1 batch") + "were left out; not shown to differ")
    # With 25 batches 95 % may be off by 2.394 times the root of 95 · 5 / 25, 10.4: 84 is more, 85 is not.
    for covered, verdict in ((84.0, "shown"), (85.0, "not shown")):
        (said,) = told("intervals", {"batches": 25, "coverage_95": covered})
        assert said.startswith(held.format(f"{covered:.0f}", "25 batches") + f"were left out; {verdict} to differ")


def test_suspects_bands_and_first_seen_dates_are_told_where_there_are_some() -> None:
    assert told("suspects", {}) == told("band", {}) == told("first_seen", {}) == told("copied", {}) == []
    assert told("suspects", {"suspects": 3.0, "mae_without_suspects": 1.5, "bias_without_suspects": 0.2}) == [
        "Chinook, half hatched: 3 dates are probably wrong ones, day and month swapped or another week; they are "
        "scored and named. Without them the mean error is 1.5 d instead of 2.0, the bias +0.2 d instead of -0.4."
    ]
    (said,) = told("suspects", {"suspects": 3.0, "mae_without_suspects": 1.5, "bias_without_suspects": -0.43})
    assert said.endswith("the mean error is 1.5 d instead of 2.0, the bias -0.4 d as with them.")
    band = {
        **PLACE,
        "against": "own_constant_units",
        "band_low_c": 7.0,
        "band_high_c": 9.9,
        "is_told_apart": False,
    }
    for high, end in ((9.9, " and cannot tell a curved model from constant units;"), (10.0, ".")):
        (said,) = told("band", {}, comparisons=pd.DataFrame([band | {"band_high_c": high}]))
        assert said.startswith(f"Chinook, half hatched: four tanks in five lie in 7.0 to {high:.1f} °C{end}")
    days = {"bias_first_seen_days": -1.26, "bias_days": -0.44, "shift_days": -0.82}
    (said,) = told("first_seen", {}, first_seen=pd.DataFrame([PLACE | days]))
    assert "would look -1.3 d off; between the looks it is -0.4 d. The difference of -0.8 d" in said
    sheet = PLACE | {"agreeing": 12, "tanks": 40, "units_c_days": 470.0, "expected_by_chance": 1.0}
    (said,) = told("copied", {}, copied_sheets=pd.DataFrame([sheet]))
    assert said.startswith(
        "Chinook, half hatched: 12 of 40 dates without an earlier look agree exactly with 470 units"
    )
