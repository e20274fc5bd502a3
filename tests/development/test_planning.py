"""Planning a delivery that is still to come."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pandas as pd
import pytest

from broodyear.development import (
    FORECAST_CAUTIONS,
    DevelopmentModel,
    PlannedDelivery,
    forecast_day,
    fraction_at_delivery,
    plan_by_records,
    plan_dates,
)
from broodyear.errors import UsageError
from broodyear.settings import Settings, Species

DELIVERY = dt.date(2024, 11, 8)


def _plan(**options: Any) -> pd.DataFrame:
    given: dict[str, Any] = {
        "species": "chinook", "delivered_on": DELIVERY, "units_at_delivery_c_days": 310.0, "hatchery_temp_c": 8.0,
    }  # fmt: skip
    beside = {name: options.pop(name) for name in ("settings", "set_points_c", "models") if name in options}
    return plan_dates(PlannedDelivery(**{**given, **options}), **beside)


def test_every_set_point_from_six_to_twelve_has_its_dates() -> None:
    table = _plan()
    assert table["set_point_c"].unique().tolist() == [6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0]
    assert table.groupby(["set_point_c", "stage"])["headline"].sum().eq(1).all()
    hatch = table.query("headline and stage == 'hatch_half'")
    assert hatch["expected_on"].is_monotonic_decreasing
    model = hatch["model"].iloc[0]
    start = fraction_at_delivery(model, 310.0, 8.0)
    day = forecast_day(model, np.full(200, 8.0), fraction_at_start=start)
    expected = pd.Timestamp(DELIVERY) + pd.Timedelta(days=int(np.ceil(day)) - 1)
    assert hatch.set_index("set_point_c").loc[8.0, "expected_on"] == expected


def test_a_stage_that_had_come_by_the_units_given_has_no_interval_and_says_so() -> None:
    had_come, still_ahead = (_plan(units_at_delivery_c_days=units).query("headline") for units in (900.0, 310.0))
    hatch = had_come[had_come["stage"] == "hatch_half"]
    assert (hatch["expected_on"] == pd.Timestamp(DELIVERY)).all()
    assert hatch[["low_95", "high_95"]].isna().all(axis=None)
    assert (
        hatch["note"].str.contains("by the thermal units given it had come before delivery: are they right?").all()
    )
    assert not still_ahead["note"].str.contains("had come before delivery").any()


def test_window_marks_the_set_points_that_meet_it() -> None:
    table = _plan(window=(dt.date(2025, 1, 20), dt.date(2025, 2, 20)), release_after_days=20)
    button_up = table.query("headline and stage == 'button_up'").set_index("set_point_c")
    meets = button_up["expected_on"].between("2025-01-20", "2025-02-20")
    assert button_up["in_window"].astype(bool).equals(meets)
    assert 0 < meets.sum() < 7
    surely = button_up["in_window_80"].astype(bool)
    assert (surely <= meets).all()
    assert table.query("stage == 'hatch_half'")["in_window"].isna().all()
    release = table.query("headline and stage == 'release'").set_index("set_point_c")
    assert (release["expected_on"] - button_up["expected_on"] == pd.Timedelta(days=20)).all()
    assert release["note"].str.contains("only as the permit says").all()


def test_no_window_leaves_the_marks_blank_and_no_release_is_invented() -> None:
    table = _plan()
    assert table["in_window"].isna().all()
    assert "release" not in set(table["stage"])


def test_a_species_without_a_default_has_rows_without_dates() -> None:
    table = _plan(species="coho", window=(dt.date(2025, 1, 1), dt.date(2025, 3, 1)))
    hatch = table.query("stage == 'hatch_half'")
    assert hatch["expected_on"].isna().all()
    assert hatch["note"].str.contains("no published model earns a default").all()


def test_a_declared_species_is_planned_by_its_nominal_units() -> None:
    settings = Settings(species=(Species("grayling", 400.0, 700.0, 1000.0),))
    table = _plan(species="grayling", settings=settings, units_at_delivery_c_days=200.0)
    row = table.query("set_point_c == 10 and stage == 'hatch_half'").iloc[0]
    assert (row["model"], row["expected_on"]) == (
        "nominal_grayling_hatch_half",
        # 200 units left at 10 °C, half of the delivery day gone
        pd.Timestamp(DELIVERY) + pd.Timedelta(days=20),
    )
    assert pd.isna(row["low_80"])
    assert "at which temperatures that holds is not known, so no interval" in row["note"]


def _mine(**more: Any) -> DevelopmentModel:
    units = {"name": "mine", "species": "coho", "stage": "hatch_half", "form": "constant_units"}
    return DevelopmentModel(**{**units, "coefficients": {"K": 450.0}, **more})


def test_a_model_of_ones_own_plans_what_no_published_one_does() -> None:
    tested = {"valid_low_c": 5.0, "valid_high_c": 11.0}
    table = _plan(species="coho", models=[_mine(**tested, spread_log_sd=0.06)], units_at_delivery_c_days=250.0)
    rows = table.query("headline and stage == 'hatch_half'").set_index("set_point_c")
    # 200 units left at 8 °C, half of the delivery day gone
    assert rows.loc[8.0, ["model", "expected_on"]].tolist() == [
        "mine",
        pd.Timestamp(DELIVERY) + pd.Timedelta(days=25),
    ]
    assert rows["low_80"].notna().tolist() == [True] * 6 + [False]  # 12 °C is outside the tested
    unsure = _plan(species="coho", models=[_mine(**tested)], units_at_delivery_c_days=250.0)
    unsure = unsure.query("headline and stage == 'hatch_half'").set_index("set_point_c")
    assert unsure["expected_on"].equals(rows["expected_on"]) and unsure["low_80"].isna().all()
    assert unsure.loc[8.0, "note"].startswith("a model given; how tanks vary about it is not, so no interval")
    assert set(
        _plan(species="coho", models=[_mine(stage="button_up")]).query("stage == 'hatch_half'")["model"]
    ) == {"none"}


def test_a_model_of_ones_own_comes_before_published_ones_and_one_from_hatch_is_named() -> None:
    mine = _mine(species="chinook", valid_low_c=5.0, valid_high_c=11.0, spread_log_sd=0.06)
    hatched = _mine(name="from hatch", stage="button_up", counted_from="hatch")
    table = _plan(models=[mine, hatched])
    assert table.query("set_point_c == 8 and stage == 'hatch_half' and headline")["model"].item() == "mine"
    assert "from hatch" not in set(table["model"])
    delivery = PlannedDelivery("chinook", DELIVERY, 310.0)
    cautions = plan_by_records(delivery, None, Settings(), [mine, hatched])[1]
    assert cautions[0].startswith("from hatch counts days from hatch, so that no date is worked out by it")
    assert plan_by_records(delivery, None, Settings(), [mine])[1] == list(FORECAST_CAUTIONS)


@pytest.mark.parametrize("spelt", ["grayling", "Wild grayling", " GRAYLING "])
def test_a_species_may_be_spelt_as_files_may_spell_it(spelt: str) -> None:
    settings = Settings(species=(Species("grayling", 400.0, 700.0, 1000.0, names=("wild grayling",)),))
    table = _plan(species=spelt, settings=settings, units_at_delivery_c_days=200.0)
    assert set(table["model"]) == {"nominal_grayling_hatch_half", "nominal_grayling_button_up"}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"units_at_delivery_c_days": -5.0}, "expected 0 to 3000"),
        ({"units_at_delivery_c_days": float("nan")}, "expected 0 to 3000"),
        ({"hatchery_temp_c": 46.0}, "hatchery temperature is 46.0"),
        ({"set_points_c": [0.0]}, "set points are"),
        (
            {"species": "haddock"},
            "no model of development for the species 'haddock'; expected one of arctic_charr,",
        ),
        ({"window": (dt.date(2025, 2, 1), dt.date(2025, 1, 1))}, "before it begins"),
    ],
)
def test_impossible_plans_are_refused_in_words(options: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        _plan(**options)
