"""At which stage a flagged tank lost fish, and what was on record then."""

from __future__ import annotations

import numpy as np
import pandas as pd
from tests.setups.programmes import SMALL_SPREADS, programme

from broodyear.setups import compare_setups
from broodyear.setups.circumstances import (
    CIRCUMSTANCES,
    NOTHING_ON_RECORD,
    circumstance_shares,
    circumstances,
    losing_stage,
)


def tanks(**columns: object) -> pd.DataFrame:
    """Four tanks of one season, 100 eggs each, expected at 90 %."""
    frame = pd.DataFrame(
        {
            "season": 2024,
            "tank_id": ["A", "B", "C", "D"],
            "outcome": "delivered_to_release",
            "eggs": 100.0,
            "survivors": [60.0, 90.0, 90.0, 90.0],
            "expected_pct": 90.0,
        }
    )
    return frame.assign(**columns)


def test_stage_from_the_outcomes_between() -> None:
    hatch = tanks(outcome="hatch", survivors=[70.0, 98.0, 97.0, 98.0], expected_pct=97.0)
    later = tanks(outcome="hatch_to_release", eggs=[70.0, 98.0, 97.0, 98.0], survivors=[60.0, 90.0, 90.0, 90.0])
    stages = losing_stage(pd.concat([tanks(), hatch, later], ignore_index=True))
    assert stages.iloc[[0, 4, 8]].tolist() == ["egg", "egg", "egg"]


def test_stage_after_hatch_is_refined_by_the_dead_found() -> None:
    dead = {"dead_egg": [2, 2, 3, 2], "dead_alevin": [3, 2, 2, 2], "dead_fry": [25, 4, 4, 5]}
    hatch = tanks(outcome="hatch", survivors=[97.0, 98.0, 97.0, 98.0], expected_pct=97.0, **dead)
    later = tanks(outcome="hatch_to_release", survivors=[60.0, 90.0, 90.0, 90.0], **dead)
    assert losing_stage(pd.concat([hatch, later], ignore_index=True)).iloc[0] == "fry"


def test_stage_after_hatch_without_a_count_of_the_dead_is_all_of_it() -> None:
    hatch = tanks(outcome="hatch", survivors=[97.0, 98.0, 97.0, 98.0], expected_pct=97.0)
    later = tanks(outcome="hatch_to_release", survivors=[60.0, 90.0, 90.0, 90.0])
    assert losing_stage(pd.concat([hatch, later], ignore_index=True)).iloc[0] == "after_hatch"


def test_running_totals_say_nothing_about_a_stage() -> None:
    frame = tanks(dead_alevin=[30, 3, 2, 3], losses_look_cumulative=[True, False, False, None])
    assert losing_stage(frame).tolist()[0] == ""
    assert losing_stage(frame.assign(losses_look_cumulative=False)).tolist()[0] == "alevin"


def test_counts_that_may_be_a_record_error_are_on_record() -> None:
    frame = tanks(losses_look_cumulative=[True, False, False, False])
    said = circumstances(frame, pd.Series([True, True, False, False]))["circumstances"]
    assert said.tolist()[:2] == ["consistent with dead counts that look like running totals", NOTHING_ON_RECORD]


def test_stage_from_the_dead_alone() -> None:
    frame = tanks(dead_egg=[3, 2, 2, 3], dead_alevin=[30, 3, 2, 3], dead_fry=[2, 3, 3, 2])
    assert losing_stage(frame).iloc[0] == "alevin"


def test_fish_nobody_found_are_unaccounted() -> None:
    frame = tanks(dead_egg=[3, 2, 2, 3], dead_alevin=[3, 3, 2, 3], unaccounted=[35, 1, 2, 0])
    assert losing_stage(frame).iloc[0] == "unaccounted"


def test_stage_is_blank_without_records() -> None:
    assert losing_stage(tanks()).tolist() == ["", "", "", ""]


def test_circumstances_of_flagged_tanks_are_named_and_common_ones_with_how_common_they_are() -> None:
    frame = tanks(
        room_type=["hallway", "classroom", "classroom", "classroom"],
        light_cover=[False, False, False, True],
        hours_interrupted=[14.0, 0.0, None, 0.0],
        dead_on_arrival=[20, 0, 0, 0],
    )
    said = circumstances(frame, pd.Series([True, True, False, False]))["circumstances"]
    assert said.iloc[0] == (
        "consistent with 14 h of interrupted cooling or water movement; 17 % dead on arrival; a hallway as room;"
        " no light cover (as 3 of 4 tanks)"
    )
    assert said.iloc[1:].tolist() == ["consistent with no light cover (as 3 of 4 tanks)", "", ""]


def test_water_incidents_and_the_hand_over_are_named_where_they_lie_beyond_their_limits() -> None:
    frame = tanks(
        ammonia_beyond_mg_l=[3.04, None, None, None],
        ammonia_latest_mg_l=[0.5, 0.2, None, None],
        incident_warm_c=[17.5, None, None, None],
        handover_step_c=[-4.2, 3.5, 1.0, None],
        gravel_practice=["bare", "gravel", "gravel", "gravel"],
        conditioning_days=[3, 20, 20, 20],
    )
    table = circumstances(frame, pd.Series([True, True, True, False]))
    assert table["circumstances"].tolist() == [
        "consistent with 17.5 °C reached in an incident; total ammonia of 3 mg/L as N, above the limit"
        " (latest 0.5); a tank 4.2 °C colder than the box; gravel practice: bare; 3 days between filling and"
        " delivery",
        "consistent with a tank 3.5 °C warmer than the box",
        NOTHING_ON_RECORD,
        "",
    ]
    assert table["evidence"].tolist() == ["incident_warm ammonia handover gravel conditioning", "handover", "", ""]


def test_a_warm_reading_and_a_week_of_deaths_are_named_with_their_days() -> None:
    days = [pd.Timestamp("2025-01-13"), pd.Timestamp("2025-01-30"), pd.Timestamp("2025-02-03"), pd.NaT]
    frame = tanks(
        warm_read_c=[15.4, None, None, None], warm_read_on=[days[0], pd.NaT, pd.NaT, pd.NaT], warm_limit_c=13.0,
        spell_dead=[81, 20, 30, None], spell_of=[100, 22, 50, None], spell_from=days,
        spell_to=[pd.Timestamp("2025-01-17"), days[2], days[2], pd.NaT],
        room_type=["hallway", "den", "den", "den"],
    )  # fmt: skip
    table = circumstances(frame, pd.Series([True, True, True, True]))
    assert table["circumstances"].tolist() == [
        "consistent with 15.4 °C read on 13 Jan, above the limit of 13; 81 of 100 dead found from 13 to 17 Jan"
        " (as 3 of 4 tanks); a hallway as room",
        "consistent with 20 of 22 dead found from 30 Jan to 3 Feb (as 3 of 4 tanks)",
        "consistent with 30 of 50 dead found on 3 Feb (as 3 of 4 tanks)",
        NOTHING_ON_RECORD,
    ]
    assert table["evidence"].tolist() == ["warm_read spell room", "spell", "spell", ""]


def test_an_incident_is_named_with_its_dead_and_one_of_unknown_length_as_such() -> None:
    days = [pd.Timestamp("2025-01-06"), pd.Timestamp("2025-01-06"), pd.NaT, pd.NaT]
    frame = tanks(
        incident_kind=["pump_stopped", None, None, None], incident_on=[days[0], pd.NaT, pd.NaT, pd.NaT],
        incident_dead=[70, None, None, None], interrupted_on=days, hours_interrupted=[0.0, 0.0, 5.0, 0.0],
    )  # fmt: skip
    table = circumstances(frame, pd.Series([True, True, True, True]))
    assert table["circumstances"].tolist() == [
        "consistent with pump stopped on 6 Jan, 70 dead found in the seven days from it; cooling or water movement"
        " interrupted on 6 Jan, not written for how long (as 2 of 4 tanks)",
        "consistent with cooling or water movement interrupted on 6 Jan, not written for how long (as 2 of 4"
        " tanks)",
        "consistent with 5 h of interrupted cooling or water movement",
        NOTHING_ON_RECORD,
    ]
    assert table["evidence"].tolist() == ["incident interrupted", "interrupted", "interrupted", ""]


def test_shares_of_a_group_stand_beside_those_of_the_others() -> None:
    frame = pd.DataFrame(
        {"region": ["n"] * 20 + ["s"] * 30, "season": 2023, "outcome": "delivered_to_release", "eggs": 100,
         "light_cover": [False] * 15 + [True] * 5 + [False] * 3 + [True] * 27,
         "ph_below": [6.0] * 4 + [None] * 46, "ph_above": [9.5] + [None] * 48 + [9.4],
         "weekend_access": [False] * 2 + [None] * 48}
    )  # fmt: skip
    table = circumstance_shares(frame, "region").set_index(["region", "evidence"])
    cover, ph, weekends = (table.loc[("n", code)] for code in ("cover", "ph", "weekends"))
    assert (cover["tanks_with"], cover["tanks"], cover["share_pct"], cover["elsewhere_pct"]) == (15, 20, 75, 10)
    assert cover["stands_out"] and not table.loc[("s", "cover"), "stands_out"]
    # Four of twenty against one of thirty: the pooled share is a tenth, its error 0.087, the difference 0.167.
    assert (ph["tanks_with"], ph["tanks"], round(ph["elsewhere_pct"], 1)) == (4, 20, 3.3) and not ph["stands_out"]
    assert weekends["tanks"] == 2 and pd.isna(weekends["elsewhere_pct"]) and not weekends["stands_out"]


def test_circumstances_name_columns_of_the_records() -> None:
    """Where words name columns beside its own, they say the value of its own too."""
    for circumstance in CIRCUMSTANCES:
        says_its_own = "{:" in circumstance.words or "{}" in circumstance.words
        assert says_its_own or not circumstance.fields, circumstance.code


def test_no_cause_is_ever_claimed() -> None:
    frame = programme(9, seasons=2, eggs_low=150, eggs_high=151, **SMALL_SPREADS)
    frame.loc[frame["tank_id"] == "T0003", "survivors"] = 40
    frame["weekend_access"] = frame["tank_id"] != "T0003"
    rows = compare_setups(frame).set_index("tank_id").loc["T0003"]
    assert (rows["verdict"] == "below_expected").all()
    assert rows["circumstances"].str.startswith("consistent with").all()
    assert rows["circumstances"].str.contains("nobody looking on weekends").all()
    assert not rows["circumstances"].str.contains("caused|because|due to").any()


def test_a_yes_or_no_column_that_nobody_filled_in_is_no_circumstance() -> None:
    frame = pd.DataFrame({"season": [2024, 2024], "outcome": "hatch", "light_cover": [np.nan, np.nan]})
    said = circumstances(frame, pd.Series([True, True]))["circumstances"]
    assert (said == NOTHING_ON_RECORD).all()
