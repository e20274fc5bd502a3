"""The season report's effects: what they say, what they refuse, and the traps they must not fall into."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tests.simulated.tank_seasons import TankSeasonPlan, draw_tank_seasons

from broodyear.errors import NothingToAnalyse, UsageError
from broodyear.survival import effects_report, fit_survival
from broodyear.survival.practices.findings import EFFECT_COLUMNS

CONTRACT = [
    "outcome", "factor", "level", "reference", "tanks", "batches", "odds_ratio", "or_low", "or_high",
    "difference_points", "difference_low", "difference_high", "p_value", "method", "note",
]  # fmt: skip


def effects_of(frame: pd.DataFrame) -> pd.DataFrame:
    return effects_report(frame).effects


@pytest.fixture(scope="module")
def table_of_tanks(tanks: pd.DataFrame) -> pd.DataFrame:
    """The effects of the tanks as they are."""
    return effects_of(tanks)


def row(table: pd.DataFrame, factor: str, level: str) -> pd.Series:
    found = table[(table["factor"] == factor) & (table["level"] == level)]
    assert len(found) == 1
    return found.iloc[0]


@pytest.fixture(scope="module")
def report(tanks):
    frame = tanks.drop(columns="tank_season").copy()
    frame.loc[frame.index[:20], "mean_water_temp_c"] = np.nan
    frame["survivors"] = frame["survivors"].astype(float)
    frame["why_unusable"] = None
    frame.loc[frame.index[50:53], ["usable", "survivors", "why_unusable"]] = [False, np.nan, "not reported"]
    return effects_report(frame)


def test_columns_are_the_contracts(report):
    assert list(report.effects.columns) == list(EFFECT_COLUMNS)
    assert set(CONTRACT) <= set(report.effects.columns)
    assert set(report.effects["method"]) == {"mixed"}
    assert set(report.effects["factor"]) == {
        "gravel_practice",
        "room_type",
        "mean_water_temp_c",
        "room_type_direct",
    }


def test_planted_effects_are_inside_their_intervals(report):
    assert row(report.effects, "gravel_practice", "gravel")["or_low"] < np.exp(0.4)
    assert row(report.effects, "gravel_practice", "gravel")["or_high"] > np.exp(0.4)
    hallway = row(report.effects, "room_type", "hallway")
    assert hallway["or_low"] < np.exp(-0.6) < hallway["or_high"]
    warm = row(report.effects, "mean_water_temp_c", "+1 °C")
    assert warm["or_low"] < np.exp(-0.1) < warm["or_high"]
    assert warm["reference"] == ""


def test_rows_are_accounted_for(report):
    notes = report.fit_notes.set_index("model")
    assert notes.loc["practices", ["rows_given", "rows_used"]].tolist() == [300, 297]
    assert notes.loc["practices", "left_out"] == "not reported: 3"
    assert notes.loc["temperature", "rows_used"] == 297
    assert "20 tanks without a usable temperature have a level of their own." in notes.loc["temperature", "note"]
    step = row(report.effects, "mean_water_temp_c", "+1 °C")
    assert step["tanks"] == 277


def test_the_headline_is_the_mixed_model_it_says(report, tanks):
    used = tanks.drop(index=tanks.index[50:53])
    fit = fit_survival(
        used, "gravel_practice + room_type + species", survived="survivors", trials="eggs",
        groups=["site_id", "batch_id", "season", "tank_season"],
        small_sample=True, spread_prior=True,
    )  # fmt: skip
    expected = fit.contrast("gravel_practice").set_index("level").loc["gravel"]
    found = row(report.effects, "gravel_practice", "gravel")
    for name in ("odds_ratio", "or_low", "difference_points", "difference_high", "p_value"):
        assert found[name] == pytest.approx(expected[name], rel=1e-4)
    assert found["tanks"] == (used["gravel_practice"] == "gravel").sum()


def test_the_other_methods_stand_beside(report):
    methods = report.methods
    assert set(methods["method"]) == {"beta_binomial", "quasi_binomial", "clustered", "exchangeable"}
    assert len(methods) == 4 * 4  # four methods, two contrasts of each of two practices
    assert methods["note"].str.contains("Batch as a fixed factor").all()


def test_shuffled_rows_give_the_same_table(tanks, table_of_tanks):
    second = effects_of(tanks.sample(frac=1.0, random_state=1))
    pd.testing.assert_frame_equal(table_of_tanks, second, rtol=1e-4, atol=1e-6)


def test_gravel_that_is_really_room_type():
    """Quiet rooms get the gravel; hallways lose eggs; gravel does nothing."""
    plan = TankSeasonPlan(
        sites=120,
        tanks_per_season=120,
        gravel_by_room={"classroom": 0.9, "library": 0.9, "hallway": 0.1},
        room_effects={"hallway": -0.9},
        site_sd=0.15,
        tank_sd=0.3,
    )
    frame = draw_tank_seasons(np.random.default_rng(3), plan)
    frame["gravel_practice"] = frame["gravel_practice"].replace("single_layer_stones", "gravel")
    naive = fit_survival(
        frame, "gravel_practice", survived="survivors", trials="eggs", groups="site_id", method="clustered"
    )
    assert naive.effects.loc["gravel_practice[T.gravel]", "p_value"] < 0.001
    table = effects_of(frame)
    gravel = row(table, "gravel_practice", "gravel")
    assert gravel["difference_low"] < 0 < gravel["difference_high"]
    assert row(table, "room_type", "hallway")["difference_high"] < 0


def test_sparse_levels_are_merged_and_lose_no_tank(tanks):
    frame = tanks.copy()
    frame.loc[frame.index[:3], "gravel_practice"] = "layered_stones"
    frame.loc[frame.index[3:5], "gravel_practice"] = "other"
    frame.loc[frame.index[5:8], "room_type"] = "foyer"
    table = effects_of(frame)
    merged = row(table, "gravel_practice", "layered_stones")
    assert merged["note"].startswith("too few: 3 tanks in ")
    assert merged["note"].endswith("counted under other (few tanks)")
    assert np.isnan(merged["difference_points"]) and merged["decision"] == "cannot_tell"
    assert row(table, "room_type", "foyer")["reason"] == "too_few_tanks"
    assert (table["rows_used"] == 300).all()


def test_a_level_that_lost_everything_gets_no_estimate(tanks):
    frame = tanks.copy()
    frame.loc[frame.index[:8], "gravel_practice"] = "layered_stones"
    frame.loc[frame.index[:8], "survivors"] = 0
    found = row(effects_of(frame), "gravel_practice", "layered_stones")
    assert "no finite estimate: every fish lived or every fish died" in found["note"]
    assert found["reason"] == "separated"
    assert np.isnan(found["odds_ratio"])


def test_a_practice_found_in_one_room_type_only_is_not_separable(tanks):
    frame = tanks.copy()
    frame["room_type"] = np.where(frame["gravel_practice"] == "gravel", "workshop", frame["room_type"])
    table = effects_of(frame)
    for factor, level, other in (
        ("gravel_practice", "gravel", "room_type"),
        ("room_type", "workshop", "gravel_practice"),
    ):
        found = row(table, factor, level)
        assert np.isnan(found["difference_points"])
        assert f"cannot be told apart from {other.replace('_', ' ')}" in found["note"]
        assert found["reason"] == "confounded"
    assert np.isfinite(row(table, "gravel_practice", "single_layer_stones")["difference_points"])


def test_a_practice_with_its_own_batches_is_not_separable(tanks):
    frame = tanks.copy()
    own = frame["gravel_practice"] == "gravel"
    frame.loc[own, "batch_id"] = "X" + frame.loc[own, "batch_id"]
    found = row(effects_of(frame), "gravel_practice", "gravel")
    assert np.isnan(found["odds_ratio"])
    assert found["note"] == "cannot be told apart from batch: shares no batch with what it is compared with"
    assert found["reason"] == "never_share_batch"


def test_better_batches_for_one_practice_are_said():
    """Gravel does nothing, but went with the better batches in every season."""
    rng = np.random.default_rng(4)
    plan = TankSeasonPlan(sites=100, tanks_per_season=100, batches_per_season=30)
    frame = draw_tank_seasons(rng, plan)
    good = frame["batch_id"].str[-1].isin(list("01234"))
    frame["gravel_practice"] = np.where(rng.random(len(frame)) < np.where(good, 0.85, 0.15), "gravel", "bare")
    log_odds = 1.2 + 1.2 * good + rng.normal(0, 0.6, len(frame))
    frame["survivors"] = rng.binomial(frame["eggs"], 1 / (1 + np.exp(-log_odds)))
    gravel = row(effects_of(frame), "gravel_practice", "gravel")
    assert gravel["or_low"] > 1.0  # a batch intercept only shrinks batches: bias is left
    assert gravel["within_batch_low"] < 1.0 < gravel["within_batch_high"]
    assert "within batch the odds ratio is" in gravel["note"]
    assert (gravel["decision"], gravel["reason"]) == ("not_claimed", "batches_disagree")


def test_few_seasons_enter_as_a_factor():
    frame = draw_tank_seasons(np.random.default_rng(6), TankSeasonPlan(seasons=3))
    table = effects_of(frame)
    assert "season" in row(table, "gravel_practice", "gravel")["adjusted_for"]
    five = draw_tank_seasons(np.random.default_rng(6), TankSeasonPlan(seasons=5))
    assert "season" in row(effects_of(five), "gravel_practice", "gravel")["adjusted_for"]


def test_outcomes_come_in_the_order_of_a_tanks_life(tanks):
    few = tanks.head(120)
    table = effects_of(pd.concat([few, few.assign(outcome="hatch")], ignore_index=True))
    assert list(table["outcome"].unique()) == ["hatch", "delivered_to_release"]
    told = table[table["p_value"].notna()]
    assert len(told) and (told["p_family"] >= told["p_value"]).all()


def test_one_level_only_is_said(tanks):
    table = effects_of(tanks.assign(gravel_practice="bare"))
    found = row(table, "gravel_practice", "bare")
    assert found["note"] == "the only level with tanks enough, so there is nothing to compare it with"
    assert np.isfinite(row(table, "room_type", "hallway")["difference_points"])


def test_too_few_tanks_give_rows_with_the_reason(tanks):
    table = effects_of(tanks.head(4))
    assert table["difference_points"].isna().all()
    assert table["note"].str.len().min() > 10


def test_nothing_to_analyse(tanks):
    with pytest.raises(NothingToAnalyse, match="No tank-season has an outcome"):
        effects_of(tanks.head(0))
    with pytest.raises(NothingToAnalyse, match="No tank-season has an outcome"):
        effects_of(tanks.assign(survivors=np.nan))
    with pytest.raises(UsageError, match="lacks batch_id"):
        effects_of(tanks.drop(columns="batch_id"))


def test_references(tanks, table_of_tanks):
    assert set(table_of_tanks.query("factor == 'gravel_practice'")["reference"]) == {"bare"}
    without = tanks[tanks["gravel_practice"] != "bare"]
    most = without["gravel_practice"].value_counts().idxmax()
    assert set(effects_of(without).query("factor == 'gravel_practice'")["reference"]) == {most}


def test_unusable_rows_keep_their_reasons_and_a_blank_cell_loses_no_tank(tanks):
    frame = tanks.assign(why_unusable=None)
    frame.loc[frame.index[:4], ["usable", "why_unusable"]] = [False, "stopped reporting"]
    frame.loc[frame.index[4:6], "room_type"] = None
    notes = effects_report(frame).fit_notes.set_index("model").loc["practices"]
    assert notes["left_out"] == "stopped reporting: 4"
    assert notes["rows_used"] == 296


def test_a_room_has_a_total_and_a_direct_effect_under_two_names(table_of_tanks):
    total = row(table_of_tanks, "room_type", "hallway")
    direct = row(table_of_tanks, "room_type_direct", "hallway")
    assert "water temperature" not in total["adjusted_for"]
    assert "water temperature" in direct["adjusted_for"]
    assert total["odds_ratio"] != direct["odds_ratio"]


def test_the_direct_effect_is_what_is_left_when_temperature_is_held(tanks):
    """A hallway that is two degrees warmer, and harms by nothing else, has a total effect and no direct one."""
    rng = np.random.default_rng(5)
    frame = tanks.copy()
    hall = (frame["room_type"] == "hallway").to_numpy()
    frame["mean_water_temp_c"] = 8.5 + 2.0 * hall + rng.normal(0, 0.8, len(frame))
    log_odds = 1.6 - 0.45 * (frame["mean_water_temp_c"] - 9.0) + rng.normal(0, 0.3, len(frame))
    frame["survivors"] = rng.binomial(frame["eggs"], 1.0 / (1.0 + np.exp(-log_odds)))
    table = effects_of(frame)
    assert row(table, "room_type", "hallway")["decision"] == "claimed"
    direct = row(table, "room_type_direct", "hallway")
    assert direct["difference_low"] < 0.0 < direct["difference_high"]


def test_practices_that_few_tanks_leave_no_room_for_wait(tanks):
    rng = np.random.default_rng(8)
    frame = tanks.head(40).assign(
        conditioning_days=rng.integers(1, 20, 40), media_carried_over_pct=rng.choice([0, 20, 80], 40),
        insulated=rng.random(40) < 0.5, filter_kind=rng.choice(["sponge", "tray"], 40),
    )  # fmt: skip
    report = effects_report(frame)
    assert row(report.effects, "filter_kind", "tray")["reason"] == "too_few_tanks"
    assert (
        "Too few tanks for these beside the others" in report.fit_notes.set_index("model").loc["practices", "note"]
    )
