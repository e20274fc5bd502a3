"""Practices: counts, adjustment, and what the table refuses to say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.setups.programmes import programme, thinned

from broodyear.claims import ClaimKind
from broodyear.development import days_to_stage, default_model
from broodyear.errors import NothingToAnalyse
from broodyear.setups import change_claims, what_to_change
from broodyear.setups.advice import CHANGE_COLUMNS
from broodyear.survival import fit_survival
from broodyear.survival.practices import PRACTICES, effects_report
from broodyear.survival.practices.levels import PRACTICE_COLUMNS, against_the_rest

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
    return effects_report(drawn).practices


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
    rows = effects_report(frame).practices
    few = rows[(rows["practice"] == "gravel_practice") & (rows["level"] == "layered_stones")].iloc[0]
    assert few["tanks"] == 3
    assert np.isnan(few["adjusted_pct"])
    assert few["note"].startswith("too few: 3 tanks in ")


def test_two_levels_differ_as_the_survival_model_says(drawn: pd.DataFrame) -> None:
    frame = drawn.assign(light_cover=np.arange(len(drawn)) % 2 == 1, row=np.arange(len(drawn)))
    table = effects_report(frame).practices
    got = table[table["practice"] == "light_cover"].set_index("level")
    fit = fit_survival(
        frame, "light_cover + gravel_practice + room_type + species + C(season)", survived="survivors",
        trials="eggs", groups=["site_id", "batch_id", "row"], small_sample=True, spread_prior=True,
    )  # fmt: skip
    want = fit.contrast("light_cover").iloc[0]
    for name in ("difference_points", "difference_low", "difference_high", "p_value"):
        # The p of the table is of the difference in points, that of the model of the log-odds.
        assert got.loc["yes", name] == pytest.approx(want[name], abs=5e-3 if name == "p_value" else 1e-6)
    assert got.loc["yes", "difference_points"] == pytest.approx(-got.loc["no", "difference_points"])
    adjusted = fit.adjusted("light_cover")
    np.testing.assert_allclose(got["adjusted_pct"], adjusted["adjusted_pct"], rtol=1e-6)


def test_contrast_against_the_rest_is_weighted_by_tanks() -> None:
    np.testing.assert_allclose(
        against_the_rest(np.array([10, 20, 30])),
        [[1.0, -0.4, -0.6], [-0.25, 1.0, -0.75], [-1 / 3, -2 / 3, 1.0]],
    )


def test_a_practice_that_is_the_room_cannot_be_told_apart_from_it(drawn: pd.DataFrame) -> None:
    frame = drawn.assign(light_cover=drawn["room_type"] != "hallway")
    rows = effects_report(frame).practices
    cover = rows[(rows["practice"] == "light_cover") & (rows["level"] == "no")].iloc[0]
    assert "cannot be told apart from room type in these records" in cover["note"]
    assert not (what_to_change(frame)["practice"] == "light_cover").any()


def test_a_level_in_which_every_fish_survived_does_not_spoil_the_others(drawn: pd.DataFrame) -> None:
    frame = drawn.copy()
    chosen = frame.index[:8]
    frame.loc[chosen, "gravel_practice"] = "other"
    frame.loc[chosen, "survivors"] = frame.loc[chosen, "eggs"]
    rows = effects_report(frame).practices
    gravel = rows[rows["practice"] == "gravel_practice"].set_index("level")
    assert gravel.loc["other", "note"].startswith("no finite estimate: every fish lived or every fish died")
    assert gravel.loc["bare", "adjusted_pct"] > 0.0


def test_missing_records_have_a_level_of_their_own_and_lose_no_tank(drawn: pd.DataFrame) -> None:
    frame = drawn.assign(insulated=pd.Series([True, False, None] * (len(drawn) // 3), dtype=object))
    rows = effects_report(frame).practices
    insulated = rows[rows["practice"] == "insulated"]
    assert insulated["tanks"].sum() == len(drawn) * 2 // 3
    assert insulated["note"].str.contains("60 tank-seasons without this record have a level of their own").all()
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
    practice = PRACTICES[name]
    made = practice.make(pd.DataFrame({practice.column: values}))
    assert [None if level is None else str(level) for level in made] == levels


def test_changes_say_what_is_proposed_instead_of_what(drawn: pd.DataFrame) -> None:
    advised = what_to_change(drawn)
    assert list(advised.columns) == CHANGE_COLUMNS
    assert (advised["difference_points"] > 0).all() and (advised["proposed"] != advised["level"]).all()
    assert not advised.duplicated(["practice", "level"]).any()
    assert advised.loc[advised["decision"] != "claimed", "fish_saved"].isna().all()


def with_practice(seed: int, name: str, values: list[object], poor: object, points: float) -> pd.DataFrame:
    """A programme with one more practice, a level of which costs fish."""
    frame = programme(seed, seasons=4, batches_per_season=6)
    chosen = np.random.default_rng(seed + 100).integers(0, len(values), len(frame))
    frame[name] = pd.Series([values[index] for index in chosen], dtype=object)
    return thinned(frame, seed, frame[name] == poor, points)


def test_fish_to_gain_rest_on_the_shrunken_difference_and_on_the_eggs_of_the_last_season() -> None:
    frame = with_practice(1, "light_cover", [True, False], False, 9.0)
    report = effects_report(frame)
    top = what_to_change(frame, report).iloc[0]
    assert (top["practice"], top["level"], top["proposed"], top["decision"]) == (
        "light_cover", "no", "yes", "claimed",
    )  # fmt: skip
    last = frame[(frame["season"] == frame["season"].max()) & (frame["light_cover"] == False)]  # noqa: E712
    assert top["tanks_to_change"] == len(last) and top["eggs_to_change"] == last["eggs"].sum()
    effect = report.effects.set_index(["factor", "level"]).loc[("light_cover", "yes")]
    assert top["fish_saved"] == pytest.approx(last["eggs"].sum() / 100.0 * effect["shrunken_points"])
    # The limits are those of the shrunken difference: about it, and closer by the root of what is kept of it.
    assert top["fish_low"] + top["fish_high"] == pytest.approx(2.0 * top["fish_saved"])
    kept = effect["shrunken_points"] / effect["difference_points"]
    width = last["eggs"].sum() / 100.0 * (effect["difference_high"] - effect["difference_low"])
    assert 0.0 < kept < 1.0 and top["fish_high"] - top["fish_low"] == pytest.approx(width * np.sqrt(kept))
    claim = change_claims(what_to_change(frame, report))[0]
    assert (claim.kind, claim.level, claim.reference, claim.unit) == (ClaimKind.CHANGE, "yes", "no", "fish")
    assert claim.is_claimed and claim.estimate == pytest.approx(top["fish_saved"])
    of_a_stage = report.effects.assign(outcome="hatch")
    assert what_to_change(frame, replace(report, effects=of_a_stage)).empty


@pytest.mark.parametrize(
    ("name", "values", "poor"),
    [
        ("light_cover", [True, False], True),
        ("insulated", [True, False], True),
        ("weekend_access", [True, False], True),
        ("conditioning_days", [3, 20], 20),
    ],
)
def test_less_care_is_never_proposed(name: str, values: list[object], poor: object) -> None:
    advised = what_to_change(with_practice(1, name, values, poor, 12.0))
    row = advised[advised["reason"] == "against_care"]
    assert len(row) == 1 and row["decision"].iloc[0] == "not_claimed" and np.isnan(row["fish_saved"].iloc[0])
    assert not (advised["decision"] == "claimed").any()


def test_a_band_of_a_number_is_told_as_its_number() -> None:
    frame = with_practice(2, "conditioning_days", [3, 20], 3, 10.0)
    top = what_to_change(frame).iloc[0]
    assert top["change"] == "days between filling and delivery: 14 d or more rather than below 5 d"


def test_a_colder_set_point_is_told_with_its_days() -> None:
    frame = with_practice(3, "set_point_c", [8.0, 10.0], 10.0, 10.0).assign(species="chinook")
    top = what_to_change(frame).iloc[0]
    model = default_model("chinook", "button_up")
    days = days_to_stage(model, 8.0) - days_to_stage(model, 10.0)
    assert top["days_longer"] == pytest.approx(days) and days > 5.0
    assert top["note"] == f"button-up would come about {days:.0f} days later"


@pytest.mark.parametrize("case", ["one tank", "all alive", "no exits", "no practices"])
def test_bad_input_gives_a_table_without_estimates(drawn: pd.DataFrame, case: str) -> None:
    frames = {
        "one tank": drawn.iloc[:1],
        "all alive": drawn.assign(survivors=drawn["eggs"]),
        "no exits": drawn.assign(survivors=np.nan),
        "no practices": drawn.drop(columns=["room_type", "gravel_practice"]),
    }
    if case == "no exits":
        with pytest.raises(NothingToAnalyse, match="no effects to estimate"):
            effects_report(frames[case])
        return
    table = effects_report(frames[case]).practices
    assert list(table.columns) == PRACTICE_COLUMNS
    assert table["adjusted_pct"].isna().all()
    assert table["note"].ne("").all()
    assert what_to_change(frames[case]).empty
