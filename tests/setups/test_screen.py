"""compare_setups: columns, verdicts, what is left out, and bad input answered in sentences."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from tests.setups.programmes import SMALL_SPREADS, programme, with_poor_tanks

from broodyear import compare_setups
from broodyear.claims import ClaimKind, Reason
from broodyear.errors import NothingToAnalyse, UsageError
from broodyear.regions import region_comparison
from broodyear.setups import screen, screen_setups, tank_claims
from broodyear.setups.screen import SETUP_COLUMNS
from broodyear.statistics.multiplicity import benjamini_hochberg

#: Names and order that people's scripts read.
CONTRACT = [
    "season",
    "tank_id",
    "site_id",
    "region",
    "batch_id",
    "room_type",
    "gravel_practice",
    "outcome",
    "eggs",
    "survivors",
    "observed_pct",
    "expected_pct",
    "shrunken_pct",
    "shrunken_low",
    "shrunken_high",
    "fish_below_expected",
    "p_value",
    "q_value",
    "verdict",
    "losing_stage",
    "circumstances",
]
VERDICTS = {"below_expected", "watch", "as_expected", "above_expected", "too_few_records"}
MINIMAL = ["season", "tank_id", "site_id", "batch_id", "eggs", "survivors"]


@pytest.fixture(scope="module")
def drawn() -> pd.DataFrame:
    return programme(5, seasons=3)


@pytest.fixture(scope="module")
def rows(drawn: pd.DataFrame) -> pd.DataFrame:
    return compare_setups(drawn)


def test_columns_begin_with_the_contract(rows: pd.DataFrame) -> None:
    assert list(rows.columns) == SETUP_COLUMNS
    assert SETUP_COLUMNS[: len(CONTRACT)] == CONTRACT


def test_one_row_per_row_given(drawn: pd.DataFrame, rows: pd.DataFrame) -> None:
    assert len(rows) == len(drawn)
    assert not rows.duplicated(["season", "tank_id", "outcome"]).any()
    assert set(rows["verdict"]) <= VERDICTS


def test_q_values_belong_to_the_season(rows: pd.DataFrame) -> None:
    for _, season in rows.groupby("season"):
        np.testing.assert_allclose(season["q_value"], benjamini_hochberg(season["p_value"]))


def test_fish_below_expected_follow_from_the_shrunken_rate(rows: pd.DataFrame) -> None:
    fish = rows["eggs"].astype(float) * (rows["expected_pct"] - rows["shrunken_pct"]) / 100.0
    np.testing.assert_allclose(rows["fish_below_expected"], fish)


def test_shrunken_rates_lie_between_observed_and_expected_or_near(rows: pd.DataFrame) -> None:
    spread = rows["observed_pct"].std()
    assert rows["shrunken_pct"].std() < spread
    assert (rows["shrunken_low"] < rows["shrunken_pct"]).all()
    assert (rows["shrunken_pct"] < rows["shrunken_high"]).all()


def test_verdicts_follow_q_and_the_limits(rows: pd.DataFrame) -> None:
    below = rows["verdict"] == "below_expected"
    assert ((rows["q_value"] <= 0.10) & (rows["z_score"] < 0) == below).all()
    single = rows["watch_reason"] == "watch"
    assert single.any() and (rows.loc[single, "p_value"] <= 0.05).all()


def test_minimal_columns_are_enough_and_give_the_same_numbers(drawn: pd.DataFrame) -> None:
    plain = drawn[MINIMAL]
    with_outcome = drawn[[*MINIMAL, "outcome", "region"]]
    pd.testing.assert_series_equal(
        compare_setups(plain)["expected_pct"], compare_setups(with_outcome)["expected_pct"]
    )


def test_the_frame_given_is_not_changed(drawn: pd.DataFrame) -> None:
    before = drawn.copy(deep=True)
    compare_setups(drawn)
    pd.testing.assert_frame_equal(drawn, before)


def test_same_input_gives_same_bytes(drawn: pd.DataFrame) -> None:
    assert compare_setups(drawn).to_csv() == compare_setups(drawn).to_csv()


def test_what_is_judged_does_not_enter_the_expectation(drawn: pd.DataFrame) -> None:
    changed = drawn.assign(room_type="hallway", gravel_practice="bare", mean_water_temp_c=12.0)
    for name in ("expected_pct", "p_value"):
        np.testing.assert_allclose(compare_setups(changed)[name], compare_setups(drawn)[name])


def test_counts_above_the_eggs_are_capped_and_counted(drawn: pd.DataFrame) -> None:
    frame = drawn.copy()
    frame.loc[3, "survivors"] = frame.loc[3, "eggs"] + 4
    screen = screen_setups(frame)
    assert screen.capped == 1
    assert (screen.rows["observed_pct"] <= 100.0).all()


def test_rows_left_out_are_counted_with_their_reasons(drawn: pd.DataFrame) -> None:
    frame = drawn.astype({"survivors": float})
    frame.loc[:4, "survivors"] = np.nan
    frame.loc[5, "usable"] = False
    spreads = screen_setups(frame).spreads.iloc[0]
    assert (spreads["rows_given"], spreads["rows_used"]) == (len(frame), len(frame) - 6)
    assert spreads["left_out"] == "1 marked as not usable; 5 survivors not recorded yet"


def test_poor_tanks_are_found_and_pointed_at(drawn: pd.DataFrame) -> None:
    frame = programme(21, seasons=3, eggs_low=150, eggs_high=151, **SMALL_SPREADS)
    screen = screen_setups(with_poor_tanks(frame, 1, ["T0004", "T0031"]))
    poor = screen.rows[screen.rows["tank_id"].isin(["T0004", "T0031"])]
    assert poor["verdict"].isin(["below_expected", "watch"]).all()
    assert (poor["fish_below_expected"] > 2.0).all()
    assert (poor["circumstances"] != "").all()


# Bad input: an answer in a sentence, no crash, no warning (warnings are errors in this suite).


def test_a_tank_far_outside_is_not_drawn_to_the_others() -> None:
    """Spreads are small, so ordinary tanks lie close; one that lost every fish is none of them."""
    lost = programme(5, seasons=3, **SMALL_SPREADS)
    lost.loc[0, ["eggs", "survivors"]] = [150, 0]
    row = compare_setups(lost).iloc[0]
    assert row["verdict"] == "below_expected"
    assert row["shrunken_high"] < 5.0  # 43 % when it was drawn to their spread


def test_what_may_all_be_chance_is_not_called_clear(drawn: pd.DataFrame, monkeypatch: pytest.MonkeyPatch) -> None:
    """At any discovery rate: a tank is below or above only where its shrunken interval is."""
    monkeypatch.setattr(screen, "FALSE_DISCOVERY_RATE", 1.0)
    found = compare_setups(drawn)
    below, above = (found["verdict"] == f"{side}_expected" for side in ("below", "above"))
    assert below.any() and (found["shrunken_high"] < found["expected_pct"])[below].all()
    assert above.any() and (found["shrunken_low"] > found["expected_pct"])[above].all()
    assert (~below & ~above).any()


@pytest.mark.parametrize(("dead", "verdict"), [(13, "above_expected"), (17, "too_few_records")])
def test_a_tank_whose_counts_are_more_than_its_eggs_is_not_praised(dead: int, verdict: str) -> None:
    """Of 150 eggs: 149 left alive, and so many dead counted; a tenth more than the eggs is miscounting."""
    frame = programme(5, seasons=3, **SMALL_SPREADS).assign(dead_egg=0.0)
    frame.loc[0, ["eggs", "survivors", "dead_egg"]] = [150, 149, dead]
    screened = screen_setups(frame)
    row = screened.rows.iloc[0]
    assert row["verdict"] == verdict
    claim = tank_claims(screened.rows)[0]
    if dead == 17:
        assert (claim.reason, row["note"]) == (Reason.COUNTS_DISAGREE, Reason.COUNTS_DISAGREE.meaning)
    else:
        assert (claim.kind, claim.reason) == (ClaimKind.TANK_ABOVE, Reason.CLEAR)


def test_counts_that_are_more_than_the_eggs_leave_an_ordinary_tank_as_it_is(drawn: pd.DataFrame) -> None:
    found = compare_setups(drawn)
    ordinary = found[(found["verdict"] == "as_expected") & (found["z_score"] > 0.0)].iloc[0]
    is_it = (drawn["season"] == ordinary["season"]) & (drawn["tank_id"] == ordinary["tank_id"])
    again = compare_setups(drawn.assign(dead_egg=np.where(is_it, 2.0 * drawn["eggs"], 0.0)))
    assert again["verdict"].tolist() == found["verdict"].tolist()


def test_missing_columns_are_named(drawn: pd.DataFrame) -> None:
    with pytest.raises(UsageError, match=r"lacks batch_id; it needs season, tank_id, site_id, batch_id"):
        compare_setups(drawn.drop(columns="batch_id"))


def test_no_rows_are_refused(drawn: pd.DataFrame) -> None:
    with pytest.raises(
        NothingToAnalyse,
        match="no tank of any season has a delivery of eggs on record, so no set-up can be compared: load",
    ):
        compare_setups(drawn.iloc[:0])


def test_one_tank(drawn: pd.DataFrame) -> None:
    screen = screen_setups(drawn.iloc[:1])
    assert screen.rows["verdict"].tolist() == ["too_few_records"]
    assert "too few to know how much ordinary tanks differ" in screen.spreads["sentence"].iloc[0]


def test_one_batch_is_judged_within_itself(drawn: pd.DataFrame) -> None:
    one = drawn.assign(batch_id="B1", season=2023, tank_id=[f"T{index}" for index in range(len(drawn))])
    rows = compare_setups(one)
    assert (rows["verdict"] != "too_few_records").all()
    assert rows["expected_pct"].std() < 2.0


def test_the_only_tank_of_its_batch_gets_no_verdict(drawn: pd.DataFrame) -> None:
    frame = drawn.copy()
    frame.loc[0, "batch_id"] = "ALONE"
    alone = compare_setups(frame).set_index("batch_id").loc["ALONE"]
    assert alone["verdict"] == "too_few_records"
    assert alone["note"] == "the only tank of its batch: tank and batch cannot be told apart"


def test_a_season_without_exits_yet(drawn: pd.DataFrame) -> None:
    frame = drawn.astype({"survivors": float})
    frame.loc[frame["season"] == 2022, "survivors"] = np.nan
    rows = compare_setups(frame).set_index("season")
    assert (rows.loc[2022, "verdict"] == "too_few_records").all()
    assert (rows.loc[2022, "note"] == "survivors not recorded yet").all()
    assert (rows.loc[2021, "verdict"] != "too_few_records").any()


def test_no_exits_at_all(drawn: pd.DataFrame) -> None:
    rows = compare_setups(drawn.assign(survivors=np.nan))
    assert (rows["verdict"] == "too_few_records").all()


@pytest.mark.parametrize(("share", "word"), [(1.0, "survived"), (0.0, "died")])
def test_all_alike(drawn: pd.DataFrame, share: float, word: str) -> None:
    screen = screen_setups(drawn.assign(survivors=(drawn["eggs"] * share).astype(int)))
    assert set(screen.rows["verdict"]) == {"as_expected"}
    assert screen.spreads["sentence"].iloc[0] == f"every fish {word}, so no tank stands out"


def test_nearly_all_survive(drawn: pd.DataFrame) -> None:
    survivors = drawn["eggs"].copy()
    survivors.iloc[4] -= 1
    rows = compare_setups(drawn.assign(survivors=survivors))
    assert set(rows["verdict"]) == {"as_expected"}
    assert rows["expected_pct"].between(99.0, 100.0).all()


def test_a_batch_in_which_every_fish_died(drawn: pd.DataFrame) -> None:
    dead = drawn["batch_id"] == drawn["batch_id"].iloc[0]
    rows = compare_setups(drawn.assign(survivors=drawn["survivors"].where(~dead, 0)))
    lost = rows[rows["batch_id"] == drawn["batch_id"].iloc[0]]
    assert (lost["verdict"] == "as_expected").mean() > 0.9
    assert (lost["expected_pct"] < 10.0).all()


def test_mixed_kinds_of_codes_and_blanks(drawn: pd.DataFrame) -> None:
    frame = drawn.assign(species=None, site_id=drawn["site_id"].where(drawn.index % 9 != 0, None))
    assert compare_setups(frame)["p_value"].notna().all()


def test_rows_without_a_season_or_an_outcome_are_left_out_and_say_so() -> None:
    frame = programme(1, seasons=3).astype({"season": float}).assign(outcome="delivered_to_release")
    frame.loc[0, "season"], frame.loc[1, "outcome"] = np.nan, None
    rows = screen_setups(frame).rows
    left = rows[rows["verdict"] == "too_few_records"]
    assert len(rows) == len(frame)
    assert sorted(left["note"]) == ["no outcome recorded", "no season recorded"]


@pytest.mark.parametrize("judging", [screen_setups, region_comparison])
def test_a_frame_in_which_no_tank_has_an_outcome_is_refused(judging: Callable[[pd.DataFrame], object]) -> None:
    with pytest.raises(NothingToAnalyse, match="no tank-season has an outcome"):
        judging(programme(1, seasons=1).assign(outcome=None))
