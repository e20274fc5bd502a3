"""Practices: counts, adjustment, and what the table refuses to say."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tests.setups.programmes import programme

from broodyear.setups import (
    CHANGE_COLUMNS,
    PRACTICE_COLUMNS,
    practice_counts,
    practices_table,
    what_to_change,
)
from broodyear.setups.adjusted import adjusted_levels, against_the_rest
from broodyear.setups.bands import PRACTICES
from broodyear.survival import fit_survival

CONTRACT = [
    "room_type",
    "gravel_practice",
    "outcome",
    "tanks",
    "batches",
    "seasons",
    "eggs",
    "adjusted_pct",
    "adjusted_low",
    "adjusted_high",
    "difference_points",
    "difference_low",
    "difference_high",
    "note",
]


@pytest.fixture(scope="module")
def drawn() -> pd.DataFrame:
    return programme(2, seasons=3)


@pytest.fixture(scope="module")
def table(drawn: pd.DataFrame) -> pd.DataFrame:
    return practices_table(drawn)


def test_columns_hold_the_contract(table: pd.DataFrame) -> None:
    assert list(table.columns) == PRACTICE_COLUMNS
    assert set(CONTRACT) <= set(PRACTICE_COLUMNS)


def test_every_combination_has_a_row_and_all_tanks_are_counted(drawn: pd.DataFrame, table: pd.DataFrame) -> None:
    combined = table[table["practice"] == "room_and_gravel"]
    assert len(combined) == len(drawn[["room_type", "gravel_practice"]].drop_duplicates())
    assert combined["tanks"].sum() == len(drawn)
    assert combined["eggs"].sum() == drawn["eggs"].sum()


def test_few_tanks_have_counts_and_a_note_but_no_estimate(drawn: pd.DataFrame) -> None:
    frame = drawn.copy()
    frame.loc[:2, "gravel_practice"] = "layered_stones"
    rows = practices_table(frame)
    few = rows[(rows["practice"] == "gravel_practice") & (rows["level"] == "layered_stones")].iloc[0]
    assert few["tanks"] == 3
    assert np.isnan(few["adjusted_pct"])
    assert few["note"].startswith("too few: 3 tanks in ")


def test_two_levels_differ_as_the_survival_model_says(drawn: pd.DataFrame) -> None:
    frame = drawn.assign(cover=np.where(np.arange(len(drawn)) % 2, "yes", "no"), row=np.arange(len(drawn)))
    got = adjusted_levels(frame, "cover").table.set_index("level")
    fit = fit_survival(
        frame, "cover + species", survived="survivors", trials="eggs", groups=["site_id", "batch_id", "row"]
    )
    want = fit.contrast("cover", reference="no").iloc[0]
    for name in ("difference_points", "difference_low", "difference_high"):
        assert got.loc["yes", name] == pytest.approx(want[name], abs=1e-6)
    assert got.loc["yes", "difference_points"] == pytest.approx(-got.loc["no", "difference_points"])
    adjusted = fit.adjusted("cover").set_index("level")
    np.testing.assert_allclose(got["adjusted_pct"], adjusted["adjusted_pct"])


def test_contrast_against_the_rest_is_weighted_by_tanks() -> None:
    np.testing.assert_allclose(
        against_the_rest(np.array([10, 20, 30])),
        [[1.0, -0.4, -0.6], [-0.25, 1.0, -0.75], [-1 / 3, -2 / 3, 1.0]],
    )


def test_a_practice_that_is_the_room_cannot_be_told_apart_from_it(drawn: pd.DataFrame) -> None:
    frame = drawn.assign(light_cover=drawn["room_type"] != "hallway")
    rows = practices_table(frame)
    cover = rows[(rows["practice"] == "light_cover") & (rows["level"] == "no")].iloc[0]
    assert "cannot be told apart from room type in these records" in cover["note"]
    advised = what_to_change(frame, rows)
    grades = advised.loc[advised["practice"] == "light_cover", "evidence"]
    assert grades.eq("none: it cannot be separated from what it goes together with").all()


def test_a_level_in_which_every_fish_survived_does_not_spoil_the_others(drawn: pd.DataFrame) -> None:
    frame = drawn.copy()
    chosen = frame.index[:8]
    frame.loc[chosen, "gravel_practice"] = "other"
    frame.loc[chosen, "survivors"] = frame.loc[chosen, "eggs"]
    rows = practices_table(frame)
    gravel = rows[rows["practice"] == "gravel_practice"].set_index("level")
    assert gravel.loc["other", "note"].startswith("no estimate: every fish survived")
    assert gravel.loc["bare", "adjusted_pct"] > 0.0


def test_missing_records_are_left_out_and_counted(drawn: pd.DataFrame) -> None:
    frame = drawn.assign(insulated=pd.Series([True, False, None] * (len(drawn) // 3), dtype=object))
    rows = practices_table(frame)
    insulated = rows[rows["practice"] == "insulated"]
    assert insulated["tanks"].sum() == len(drawn) * 2 // 3
    assert insulated["note"].str.contains("60 tank-seasons without this record left out").all()
    assert insulated["other_practice"].tolist() == ["insulation: no", "insulation: yes"]


@pytest.mark.parametrize(
    ("name", "values", "levels"),
    [
        ("set_point_band", [6.9, 7.0, 8.9, 9.0, 11.0, None], ["below 7 °C", *["7 to below 9 °C"] * 2,
                                                              "9 to below 11 °C", "11 °C or more", None]),
        ("media_band", [0.0, 10.0, 50.0, 100.0, 49.9, None], ["none", "below 50 %", *["50 % or more"] * 2,
                                                              "below 50 %", None]),
    ],
)  # fmt: skip
def test_bands(name: str, values: list[float | None], levels: list[str | None]) -> None:
    practice = next(practice for practice in PRACTICES if practice.name == name)
    made = practice.make(pd.DataFrame({practice.columns[0]: values}))
    assert [None if level is None else str(level) for level in made] == levels


def test_combinations_that_never_occur_are_listed(drawn: pd.DataFrame) -> None:
    frame = drawn[~((drawn["room_type"] == "hallway") & (drawn["gravel_practice"] == "bare"))]
    counted = practice_counts(frame).set_index(["room_type", "gravel_practice"])
    assert counted.loc[("hallway", "bare"), "tanks"] == 0
    assert len(counted) == 9


def test_changes_are_ordered_by_fish_and_graded(drawn: pd.DataFrame, table: pd.DataFrame) -> None:
    advised = what_to_change(drawn, table)
    assert list(advised.columns) == CHANGE_COLUMNS
    assert advised["fish_saved"].is_monotonic_decreasing
    assert advised["evidence"].str.match("good|fair|weak|none").all()
    assert (advised["difference_points"] < 0).all()


@pytest.mark.parametrize("case", ["one tank", "one batch", "all alive", "no exits", "no practices"])
def test_bad_input_gives_a_table_without_estimates(drawn: pd.DataFrame, case: str) -> None:
    frames = {
        "one tank": drawn.iloc[:1],
        "one batch": drawn.assign(batch_id="B", season=2024, tank_id=[f"T{place}" for place in range(len(drawn))]),
        "all alive": drawn.assign(survivors=drawn["eggs"]),
        "no exits": drawn.assign(survivors=np.nan),
        "no practices": drawn.drop(columns=["room_type", "gravel_practice"]),
    }
    table = practices_table(frames[case])
    assert list(table.columns) == PRACTICE_COLUMNS
    assert table["adjusted_pct"].isna().all()
    assert table["note"].ne("").all()
    assert what_to_change(frames[case], table).empty
