"""Forecasts of remaining stages."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t

from broodyear.development import (
    FORECAST_CAUTIONS,
    DevelopmentModel,
    fit_development,
    forecast_day,
    forecast_stages,
)
from broodyear.development.forecast.forecast_models import own_forecast_model
from broodyear.development.forecast.forecasting import FORECAST_COLUMNS, limit_of
from broodyear.development.likelihood.fit_result import form_weights
from broodyear.development.models.summing import fraction_at_delivery
from broodyear.errors import NothingToAnalyse, UsageError

from .derived_frames import DELIVERED, daily_temperature, observed_stages, records, tank_seasons
from .programmes import siblings_inside, troubled

CONTRACT = (
    "season", "tank_id", "stage", "model", "expected_on", "low_80", "high_80", "low_95", "high_95",
    "days_of_record", "note", "headline",
)  # fmt: skip
DEFAULT_HATCH = "fit_Heming1982_chinook_hatch"


def _headline(table: pd.DataFrame, stage: str = "hatch_half") -> pd.Series:
    rows = table[table["headline"] & (table["stage"] == stage)]
    assert len(rows) == 1
    return rows.iloc[0]


def _one(days: int = 10, temp_c: Any = 8.0, daily: dict[str, Any] | None = None, **tank: Any) -> pd.DataFrame:
    tanks = tank_seasons(1, **tank)
    return forecast_stages(records(tanks, daily_temperature(tanks, days, temp_c, **(daily or {}))))


def test_columns_and_rows_are_those_of_the_contract() -> None:
    table = _one()
    assert set(CONTRACT) <= set(table.columns)
    assert tuple(table.columns) == FORECAST_COLUMNS
    assert table["stage"].unique().tolist() == ["hatch_half", "button_up"]
    assert table.groupby(["tank_id", "stage"])["headline"].sum().eq(1).all()


def test_expected_date_is_that_of_summing_daily_rates() -> None:
    rng = np.random.default_rng(2)
    so_far = rng.uniform(6.5, 9.5, 12)
    row = _headline(_one(days=12, temp_c=so_far))
    assert row["model"] == DEFAULT_HATCH
    ahead = np.concatenate([so_far, np.full(200, so_far[-7:].mean())])
    start = fraction_at_delivery(DEFAULT_HATCH, 300.0, 8.0)
    # Half of the delivery day was left: the hour of delivery is not known.
    rest = start - 0.5 * fraction_at_delivery(DEFAULT_HATCH, so_far[0], so_far[0])
    day = forecast_day(DEFAULT_HATCH, ahead, fraction_at_start=rest)
    assert row["expected_on"] == DELIVERED + pd.Timedelta(days=int(np.ceil(day)) - 1)
    assert row["assumed_temp_c"] == pytest.approx(so_far[-7:].mean(), abs=0.005)


def test_a_model_of_ones_own_is_forecast_beside_the_published_ones() -> None:
    mine = DevelopmentModel("mine", "chinook", "hatch_half", "constant_units", {"K": 540.0})
    tanks = tank_seasons(1)
    found = records(tanks, daily_temperature(tanks, 10, 8.0))
    table = forecast_stages(found, models=[mine]).query("stage == 'hatch_half'")
    row = table[table["model"] == "mine"].iloc[0]
    # 240 units left at 8 °C, half of the delivery day gone
    assert row["expected_on"] == DELIVERED + pd.Timedelta(days=30) and pd.isna(row["low_80"])
    assert table.loc[table["headline"], "model"].tolist() == [DEFAULT_HATCH]  # it has an interval
    assert set(table["model"]) - {"mine"} == set(forecast_stages(found).query("stage == 'hatch_half'")["model"])


def test_intervals_are_nested_about_the_expected_date() -> None:
    tanks = tank_seasons(40, set_point_c=np.linspace(6.5, 10.0, 40))
    temps = np.tile(np.linspace(6.5, 10.0, 40)[:, None], 15)
    table = forecast_stages(records(tanks, daily_temperature(tanks, 15, temps)))
    known = table[table["low_95"].notna()]
    assert len(known) > 100
    edges = known[["low_95", "low_80", "expected_on", "high_80", "high_95"]]
    assert (edges.diff(axis=1).iloc[:, 1:] >= pd.Timedelta(0)).all(axis=None)
    assert (known["high_95"] > known["high_80"]).mean() > 0.9


def test_more_record_narrows_the_interval() -> None:
    width = [
        (row["high_95"] - row["low_95"]).days for row in (_headline(_one(days=d), "button_up") for d in (5, 60))
    ]
    assert width[1] < width[0]


def test_days_not_read_widen_the_interval() -> None:
    read = _headline(_one(days=25))
    guessed = _headline(_one(days=25, daily={"source": ["observed"] * 5 + ["modelled"] * 20, "se_c": 4.0}))
    assert guessed["days_of_record"] == 5
    assert (guessed["high_95"] - guessed["low_95"]) > (read["high_95"] - read["low_95"])


def test_nothing_later_than_as_of_is_used() -> None:
    tanks = tank_seasons(1)
    temps = np.concatenate([np.full(10, 8.0), np.full(20, 4.0)])
    table = forecast_stages(
        records(tanks, daily_temperature(tanks, 30, temps)), as_of=(DELIVERED + pd.Timedelta(days=9)).date()
    )
    row = _headline(table)
    assert row["assumed_temp_c"] == 8.0
    assert row["days_of_record"] == 10
    assert row["expected_on"] == _headline(_one(days=10))["expected_on"]


def test_without_readings_the_set_point_is_taken_with_a_wider_error() -> None:
    tanks = tank_seasons(2, set_point_c=[9.0, 9.0])
    daily = daily_temperature(tanks.iloc[:1], 10, 9.0)
    table = forecast_stages(records(tanks, daily)).query("headline and stage == 'hatch_half'").set_index("tank_id")
    assert table.loc["T00001", "days_of_record"] == 0
    assert table.loc["T00001", "assumed_temp_c"] == 9.0
    width = table["high_95"] - table["low_95"]
    assert width["T00001"] > width["T00000"]


def test_a_stage_that_was_seen_or_passed_is_not_forecast() -> None:
    seen = observed_stages([{"first_seen_on": "2024-11-15"}])
    tanks = tank_seasons(1)
    table = forecast_stages(records(tanks, daily_temperature(tanks, 30), seen))
    assert table["stage"].unique().tolist() == ["button_up"]
    before = forecast_stages(records(tanks, daily_temperature(tanks, 30), seen), as_of=dt.date(2024, 11, 14))
    assert before["stage"].unique().tolist() == ["hatch_half", "button_up"]
    last = observed_stages([{"stage": "button_up", "first_seen_on": "2024-11-15"}])
    assert forecast_stages(records(tanks, daily_temperature(tanks, 30), last)).empty


def test_delivered_stages_and_closed_tanks() -> None:
    assert "eyed" in _one(stage_at_delivery="green", units_at_delivery_c_days=0.0)["stage"].tolist()
    assert _one(stage_at_delivery="alevin")["stage"].unique().tolist() == ["button_up"]
    assert _one(closed_on=pd.Timestamp("2024-11-12")).empty


def test_green_eggs_start_at_fertilisation() -> None:
    row = _headline(_one(stage_at_delivery="green", units_at_delivery_c_days=0.0, hatchery_temp_c=np.nan))
    day = forecast_day(DEFAULT_HATCH, np.full(200, 8.0)) + 0.5  # half the delivery day was lost
    assert row["expected_on"] == DELIVERED + pd.Timedelta(days=int(np.ceil(day)) - 1)


def test_outside_the_tested_temperatures_there_is_no_interval_and_a_note() -> None:
    row = _headline(_one(temp_c=4.0))
    assert pd.isna(row["low_95"]) and pd.isna(row["high_80"])
    assert not pd.isna(row["expected_on"])
    assert "outside the tested 6 to 12 °C, so no interval" in row["note"]


def test_unknown_units_and_impossible_units_give_no_date() -> None:
    row = _headline(_one(units_at_delivery_c_days=np.nan))
    assert pd.isna(row["expected_on"])
    assert "mend the delivery" in row["note"]
    tanks = tank_seasons(6, units_at_delivery_c_days=[300.0, 305, 310, 295, 300, 540])
    table = forecast_stages(records(tanks, daily_temperature(tanks, 5))).query("headline and stage == 'button_up'")
    assert table["expected_on"].isna().tolist() == [False] * 5 + [True]


def test_missing_hatchery_temperature_is_noted() -> None:
    assert "hatchery temperature not recorded" in _headline(_one(hatchery_temp_c=np.nan))["note"]


def test_a_stage_overdue_asks_to_look() -> None:
    table = _one(days=60)
    assert _headline(table)["note"].startswith("expected before 2025-01-06 and not recorded: look")
    # Whichever model says so: the others of the stage too, where their date has passed.
    is_late = table["expected_on"] < pd.Timestamp("2025-01-06")
    assert table["note"].str.startswith("expected before 2025-01-06").tolist() == is_late.tolist()
    assert (is_late & ~table["headline"]).any() and not is_late.all()


def test_species_without_a_default_says_so() -> None:
    row = _headline(_one(species="coho"))
    assert row["model"] == "none"
    assert pd.isna(row["expected_on"])
    assert "no published model earns a default" in row["note"]


def test_why_there_is_no_fit_to_own_records_is_the_reason_of_the_fit() -> None:
    """Dates of 40 tanks in 12 batches, and nobody wrote down a look before."""
    tanks = tank_seasons(41, species="coho")
    seen = [
        {"tank_id": one.tank_id, "batch_id": one.batch_id, "species": "coho", "seen_day": 29.0 + place % 5,
         "first_seen_on": DELIVERED + pd.Timedelta(days=28 + place % 5)}
        for place, one in enumerate(tanks.iloc[:40].itertuples())
    ]  # fmt: skip
    frames = records(
        tanks, daily_temperature(tanks, 60, np.linspace(6.0, 10.0, 41)[:, None]), observed_stages(seen)
    )
    note = _headline(forecast_stages(frames))["note"]
    assert "do not say when the stage came" in note and "last_absent_on" in note and "too few" not in note


def test_a_tank_whose_fish_were_released_is_not_forecast() -> None:
    tanks = tank_seasons(2)
    stays = tanks[["season", "tank_id"]].assign(
        ends_on=[DELIVERED + pd.Timedelta(days=19), pd.Timestamp("2025-08-01")]
    )
    frames = {**records(tanks, daily_temperature(tanks, 30)), "tank_stays": stays}
    for days, tank_ids in ((18, ["T00000", "T00001"]), (19, ["T00001"])):
        table = forecast_stages(frames, as_of=(DELIVERED + pd.Timedelta(days=days)).date())
        assert sorted(set(table["tank_id"])) == tank_ids


def test_published_disagreement_is_mentioned() -> None:
    assert "differ from it by up to" in _headline(_one(), "button_up")["note"]


def test_own_fit_heads_the_forecast_and_knows_its_batches(programme: Any) -> None:
    fit = fit_development(programme.frame, "log_inverse", daily=programme.daily)
    slowest = fit.batch_effects.sort_values("log_effect")["batch_id"].iloc[-1]
    fastest = fit.batch_effects.sort_values("log_effect")["batch_id"].iloc[0]
    tanks = tank_seasons(3, batch_id=[slowest, fastest, "never seen"])
    fits = {("chinook", "hatch_half"): {"log_inverse": fit}}
    table = forecast_stages(records(tanks, daily_temperature(tanks, 5)), fits=fits)
    rows = table.query("headline and stage == 'hatch_half'").set_index("tank_id")
    assert set(rows["model"]) == {"own_log_inverse"}
    assert rows["expected_on"].tolist()[1] < rows["expected_on"].tolist()[2] < rows["expected_on"].tolist()[0]
    width = (rows["high_95"] - rows["low_95"]).dt.days
    assert width["T00002"] > width["T00000"]  # a batch not seen before carries the spread between batches


def test_forms_that_differ_widen_a_forecast_by_as_likely_as_they_are(programme: Any) -> None:
    """Constant units are far from the likeliest form here, but for the share of likelihood they are given."""
    forms = {
        form: fit_development(programme.frame, form, daily=programme.daily)
        for form in ("exponential", "constant_units")
    }
    alone, apart = own_forecast_model({"exponential": forms["exponential"]}), own_forecast_model(forms)
    assert alone is not None and apart is not None and own_forecast_model({}) is None
    tanks, temps = pd.DataFrame({"batch_id": ["never seen"] * 2}), np.array([6.0, 10.0])
    assert form_weights(forms)["constant_units"] == pytest.approx(0.0, abs=1e-6)
    np.testing.assert_allclose(apart.spread(temps, tanks)[0], alone.spread(temps, tanks)[0], rtol=1e-4)
    likely = {
        **forms,
        "constant_units": replace(
            forms["constant_units"], log_likelihood=forms["exponential"].log_likelihood - 1.0
        ),
    }
    assert form_weights(likely) == pytest.approx({"exponential": 0.5, "constant_units": 0.5})
    wider = own_forecast_model({name: likely[name] for name in ("exponential", "constant_units")})
    assert wider is not None
    free = [form.free + form.groups.estimate for form in forms.values()]
    off = np.subtract(*(form.shape.log_days(one, temps) for form, one in zip(forms.values(), free, strict=True)))
    np.testing.assert_allclose(wider.spread(temps, tanks)[0], alone.spread(temps, tanks)[0] + 0.5 * off**2)


def test_siblings_of_the_first_tank_seen_lie_inside_their_intervals() -> None:
    """Programmes of 36 tanks whose thermometers are off, of which 63 % of siblings lay inside their 95 % intervals
    while spreads that few sites or batches tell could be found to be none, and one form was taken for true."""
    made = (troubled(seed, 12, tanks=36, batches=6, seasons=2) for seed in (1, 2, 3, 6))
    found = pd.concat([siblings_inside(one) for one in made])
    assert len(found) == 35
    assert found["in_95"].mean() >= 0.8


def test_words_when_there_is_nothing() -> None:
    tanks = tank_seasons(1)
    with pytest.raises(NothingToAnalyse, match="no delivery of eggs"):
        forecast_stages(records(tanks.assign(delivered_on=pd.NaT), daily_temperature(tanks, 3)))
    with pytest.raises(NothingToAnalyse, match="no water temperature was read in season 2024"):
        forecast_stages(records(tanks, daily_temperature(tanks, 3, source="modelled")))
    with pytest.raises(UsageError, match="'daily_temperature' is missing"):
        forecast_stages({"tank_seasons": tanks})
    with pytest.raises(UsageError, match="expected an open store"):
        forecast_stages(3)


def test_cautions_say_to_look_and_to_keep_to_the_permit() -> None:
    words = " ".join(FORECAST_CAUTIONS)
    assert "never replaces looking" in words
    assert "permit" in words


def test_a_tank_without_a_species_still_has_a_row() -> None:
    row = _headline(_one(species=None))
    assert row["model"] == "none"
    assert pd.isna(row["expected_on"])


def _checks(*rows: tuple[str, str, str, str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["tank_id", "checked_on", "stage", "entry"]).assign(season=2024)
    return frame.assign(checked_on=pd.to_datetime(frame["checked_on"]))


def _with_checks(
    losses: pd.DataFrame | None = None, observed: pd.DataFrame | None = None, days: int = 41
) -> pd.DataFrame:
    tanks = tank_seasons(4)
    made = records(tanks, daily_temperature(tanks, days), observed)
    table = forecast_stages(made if losses is None else {**made, "staged_losses": losses})
    return table.query("headline and stage == 'hatch_half'").set_index("tank_id")


def test_a_stage_not_there_at_a_look_comes_after_it() -> None:
    """At 8 °C half have hatched on 11 December, give or take two weeks; the record ends on 18 December."""
    bare = _with_checks()
    assert bare["expected_on"].eq("2024-12-11").all() and bare["low_95"].lt("2024-12-09").all()
    looked = _with_checks(
        _checks(
            ("T00000", "2024-12-11", "egg", "counted"),
            ("T00001", "2024-11-12", "egg", "counted"),
            ("T00002", "2024-12-09", "alevin", "counted"),  # some had hatched: a later check of eggs tells nothing
            ("T00002", "2024-12-11", "egg", "counted"),
            ("T00003", "2024-12-11", "egg", "not_checked"),
        )
    )
    moved = looked.loc["T00000"]
    assert moved["low_95"] == pd.Timestamp("2024-12-12") < moved["expected_on"] > bare["expected_on"].iloc[0]
    assert moved["note"].endswith("; not there yet on 2024-12-11, so the dates are of the days after")
    unmoved, dates = ["T00001", "T00002", "T00003"], ["expected_on", "low_95", "low_80", "high_80", "high_95"]
    pd.testing.assert_frame_equal(looked.loc[unmoved, dates], bare.loc[unmoved, dates])
    assert not looked.loc[unmoved, "note"].str.contains("not there").any()
    noted = observed_stages([{"last_absent_on": "2024-12-11", "first_seen_on": "2025-01-02"}])
    assert _with_checks(observed=noted).loc["T00000", dates].tolist() == moved[dates].tolist()


def test_a_look_that_the_model_cannot_believe_moves_nothing_and_asks_to_look_again() -> None:
    late = _with_checks(_checks(("T00000", "2025-01-04", "egg", "counted")), days=60).loc["T00000"]
    assert late["expected_on"] == pd.Timestamp("2024-12-11")
    assert "not there yet on 2025-01-04, later than this model has it: look again" in late["note"]


@pytest.mark.parametrize("df", [1.5, 1e6])
def test_intervals_after_a_look_are_those_of_what_is_left(df: float) -> None:
    """Of a law cut off at its own 30 %, the median is its 65 % and the lower limit its 31.75 %."""
    shares = 0.3 + np.array([0.5, 0.025]) * 0.7
    normal, variance = limit_of(shares, np.ones(2), np.full(2, df))
    assert normal * np.sqrt(variance) == pytest.approx(t.ppf(shares, df), abs=1e-6)
