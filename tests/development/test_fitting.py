"""fit_development on measured pairs and on tank records."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from broodyear.development import days_to_stage, fit_development, forecast_day
from broodyear.development.models.forms import FITTED_FORMS, Curve
from broodyear.errors import BroodyearWarning, NothingToAnalyse, Refused, UsageError

# Heming 1982, Can. J. Fish. Aquat. Sci. 39:184-190: days to hatch of chinook.
HEMING = pd.DataFrame({"temp_c": [6.0, 8.0, 10.0, 12.0], "days": [95.0, 71.0, 55.0, 44.0]})
# Optimisers agree on a prediction far more closely than on collinear constants.
SAME_CURVE = 1e-6
# 95 % limits hold in 95 of 100 runs; 20 runs may by chance go down to 16 (binomial, 0.3 %).
RUNS, FEWEST_HELD = 20, 16


def _exact_pairs(form: str) -> tuple[pd.DataFrame, np.ndarray]:
    """Pairs that lie exactly on a curve of the form."""
    temps = np.array([3.0, 5.0, 7.0, 9.0, 11.0, 13.0])
    days = {
        "constant_units": 520.0 / temps,
        "power": 9000.0 * (temps + 5.5) ** -1.85,
        "log_inverse": np.exp(9.4 - 1.93 * np.log(temps + 6.2)),
        "exponential": np.exp(5.99 - 0.15 * temps),
    }[form]
    return pd.DataFrame({"temp_c": temps, "days": days}), days


@pytest.mark.parametrize(
    ("form", "constants"),
    [
        ("constant_units", {"K": 520.0}),
        ("power", {"a": 9000.0, "alpha": -5.5, "b": -1.85}),
        ("log_inverse", {"ln_a": 9.4, "b": -1.93, "c": -6.2}),
        ("exponential", {"a": 5.99, "b": 0.15}),
    ],
)
def test_exact_curves_are_found(form: str, constants: dict[str, float]) -> None:
    frame, days = _exact_pairs(form)
    fit = fit_development(frame, form)
    np.testing.assert_allclose(fit.days(frame["temp_c"]), days, rtol=1e-7)
    for name, value in constants.items():
        assert fit.coefficients.loc[name, "estimate"] == pytest.approx(value, rel=1e-4)


def test_straight_line_agrees_with_the_textbook() -> None:
    """The exponential form is ordinary regression of ln days on temperature."""
    fit = fit_development(HEMING, "exponential")
    x, y = HEMING["temp_c"], np.log(HEMING["days"])
    slope = ((x - x.mean()) * (y - y.mean())).sum() / ((x - x.mean()) ** 2).sum()
    level = y.mean() - slope * x.mean()
    residual_sum = ((y - level - slope * x) ** 2).sum()
    residual_sd = np.sqrt(residual_sum / 2)
    slope_error = residual_sd / np.sqrt(((x - x.mean()) ** 2).sum())
    assert fit.coefficients.loc["b", "estimate"] == pytest.approx(-slope, rel=1e-9)
    assert fit.coefficients.loc["a", "estimate"] == pytest.approx(level, rel=1e-9)
    assert fit.coefficients.loc["b", "std_error"] == pytest.approx(slope_error, rel=1e-7)
    assert fit.spread_log_sd == pytest.approx(residual_sd, rel=1e-9)
    assert fit.log_likelihood == pytest.approx(-2 * (np.log(2 * np.pi * residual_sum / 4) + 1), rel=1e-9)


def test_constant_units_are_the_geometric_mean_of_the_units() -> None:
    fit = fit_development(HEMING, "constant_units")
    units = HEMING["temp_c"] * HEMING["days"]
    assert fit.coefficients.loc["K", "estimate"] == pytest.approx(np.exp(np.log(units).mean()), rel=1e-10)
    assert fit.coefficients.loc["K", "std_error"] == pytest.approx(
        fit.coefficients.loc["K", "estimate"] * np.log(units).std(ddof=1) / 2, rel=1e-7
    )


def test_power_and_log_inverse_are_one_family() -> None:
    power, inverse = fit_development(HEMING, "power"), fit_development(HEMING, "log_inverse")
    temps = np.linspace(6, 12, 7)
    np.testing.assert_allclose(power.days(temps), inverse.days(temps), rtol=SAME_CURVE)
    assert np.log(power.coefficients.loc["a", "estimate"]) == pytest.approx(
        inverse.coefficients.loc["ln_a", "estimate"], rel=1e-6
    )
    assert "nearly collinear" in power.collinearity
    np.testing.assert_allclose(inverse.days(HEMING["temp_c"]), HEMING["days"], rtol=0.002)


def test_intervals_widen_with_level_and_agree_between_methods() -> None:
    fit = fit_development(HEMING, "log_inverse")
    narrow, wide = fit.interval([7.0], level=0.8), fit.interval([7.0], level=0.95)
    assert wide["low"].item() < narrow["low"].item() < narrow["days"].item() < narrow["high"].item()
    profile = fit.interval([7.0, 11.0], method="profile")
    # Four pairs lie within 0.1 % of the curve, so its likelihood is close to quadratic.
    np.testing.assert_allclose(profile["low"], fit.interval([7.0, 11.0])["low"], rtol=1e-3)
    with pytest.raises(UsageError, match="expected delta or profile"):
        fit.interval([7.0], method="bootstrap")


def test_extrapolation_has_a_warning_and_no_interval() -> None:
    fit = fit_development(HEMING, "log_inverse")
    with pytest.warns(BroodyearWarning, match="tested at 6 to 12 °C"):
        fit.days(4.0)
    assert fit.interval([4.0, 8.0])["low"].isna().tolist() == [True, False]


def test_a_fit_is_a_model() -> None:
    fit = fit_development(HEMING, "log_inverse")
    assert forecast_day(fit, np.full(120, 8.0)) == pytest.approx(fit.days(8.0))
    assert days_to_stage(fit, 10.0) == fit.days(10.0)


def test_rows_left_out_are_counted() -> None:
    frame = pd.concat([HEMING, pd.DataFrame({"temp_c": [np.nan, 9.0, -1.0], "days": [60.0, np.nan, 300.0]})])
    fit = fit_development(frame, "exponential")
    assert (fit.rows_given, fit.rows_used) == (7, 4)
    assert fit.left_out == {"temperature or days missing": 2, "days or temperature not above 0": 1}


@pytest.mark.parametrize(
    ("frame", "form", "words"),
    [
        (HEMING.iloc[:3], "log_inverse", "3 values cannot determine 3 constants"),
        (HEMING.iloc[[0, 0, 0, 1, 1]], "power", "2 different temperatures cannot determine the 3 constants"),
        (HEMING.assign(temp_c=[7.0, 7.3, 7.6, 7.9]), "exponential", "lie in 7.0 to 7.9 °C and cannot tell"),
    ],
)
def test_too_little_is_refused_in_words(frame: pd.DataFrame, form: str, words: str) -> None:
    with pytest.raises(Refused, match=words):
        fit_development(frame, form)


def test_wrong_calls_are_named() -> None:
    with pytest.raises(UsageError, match="unknown form 'cubic'"):
        fit_development(HEMING, "cubic")
    with pytest.raises(UsageError, match="temp_c and days"):
        fit_development(pd.DataFrame({"x": [1.0]}), "power")
    with pytest.raises(NothingToAnalyse, match="no row has both"):
        fit_development(HEMING.assign(days=np.nan), "power")


def test_true_curve_lies_inside_the_intervals(simulate: Callable[..., Any]) -> None:
    """Small version of the benchmark of 500 programmes."""
    held = np.zeros(3)
    for seed in range(RUNS):
        made = simulate(seed, tanks=100, batches=12)
        fit = fit_development(made.frame, "log_inverse", daily=made.daily)
        limits = fit.interval([6.0, 8.0, 10.0])
        true = made.true.days([6.0, 8.0, 10.0])
        held += (limits["low"].to_numpy() <= true) & (true <= limits["high"].to_numpy())
    assert held.min() >= FEWEST_HELD


def test_spreads_are_recovered(programme: Any) -> None:
    fit = fit_development(programme.frame, "log_inverse", daily=programme.daily)
    assert fit.spread_log_sd == pytest.approx(0.01, rel=0.35)  # 200 tanks, dates a day or three wide
    assert fit.batch_log_sd == pytest.approx(0.03, rel=0.45)  # 15 batches
    assert len(fit.batch_effects) == 15
    assert fit.batch_effects["tanks"].sum() == 200


def test_exact_dates_reduce_to_least_squares(simulate: Callable[..., Any]) -> None:
    """Constant water, dates known to a thousandth of a day, no batches: least squares in log days."""
    rng = np.random.default_rng(5)
    temps = rng.uniform(5, 11, 60)
    days = np.exp(9.4 - 1.93 * np.log(temps + 6.2) + rng.normal(0, 0.02, 60))
    frame = pd.DataFrame(
        {
            "tank_id": range(60),
            "batch_id": "x",
            "temp_c": temps,
            "absent_day": days - 5e-4,
            "seen_day": days + 5e-4,
        }
    )
    by_dates = fit_development(frame, "exponential", batch_effect=False)
    by_pairs = fit_development(pd.DataFrame({"temp_c": temps, "days": days}), "exponential")
    # The rate grid is good to 1e-5, the maximum-likelihood spread lacks the degrees of freedom.
    np.testing.assert_allclose(by_dates.coefficients["estimate"], by_pairs.coefficients["estimate"], rtol=1e-4)
    assert by_dates.spread_log_sd == pytest.approx(by_pairs.spread_log_sd * np.sqrt(58 / 60), rel=1e-3)
    assert any("without an effect per batch" in note for note in by_dates.notes)


def test_the_error_of_days_not_read_is_no_spread_between_tanks(simulate: Callable[..., Any]) -> None:
    """Half of the tanks have dates moved by days not read, SD 4 d; told so, the fit finds the spread of tanks."""
    made = simulate(12, tanks=160)
    rng = np.random.default_rng(12)
    error = np.where(np.arange(160) % 2 == 0, 4.0, 0.0)
    moved = np.maximum(error * rng.standard_normal(160), 1.0 - made.frame["absent_day"])
    shifted = made.frame.assign(**{edge: made.frame[edge] + moved for edge in ("absent_day", "seen_day")})
    told = fit_development(shifted.assign(gap_se_days=error), "log_inverse", daily=made.daily)
    untold = fit_development(shifted, "log_inverse", daily=made.daily)
    assert told.spread_log_sd == pytest.approx(0.01, abs=0.005)
    assert untold.spread_log_sd > 2 * told.spread_log_sd


def test_order_of_rows_does_not_matter(programme: Any) -> None:
    shuffled = programme.frame.sample(frac=1.0, random_state=1)
    first = fit_development(programme.frame, "exponential", daily=programme.daily)
    second = fit_development(shuffled, "exponential", daily=programme.daily)
    assert second.log_likelihood == pytest.approx(first.log_likelihood, abs=1e-6)
    np.testing.assert_allclose(second.coefficients["estimate"], first.coefficients["estimate"], rtol=1e-5)


def test_profile_and_delta_limits_of_tank_fits_agree(simulate: Callable[..., Any]) -> None:
    made = simulate(11, tanks=120, batches=20)
    fit = fit_development(made.frame, "exponential", daily=made.daily)
    delta, profile = fit.interval([8.0]), fit.interval([8.0], method="profile")
    # Not the same: the profile is wider where the batch spread could be larger.
    assert profile["low"].item() == pytest.approx(delta["low"].item(), rel=0.01)
    assert profile["high"].item() == pytest.approx(delta["high"].item(), rel=0.01)
    assert profile["low"].item() < profile["days"].item() < profile["high"].item()


def test_tanks_that_ended_first_pull_the_curve_later(programme: Any) -> None:
    frame = programme.frame.copy()
    early = fit_development(frame, "exponential", daily=programme.daily).days(8.0)
    late = frame["event_day"].rank(pct=True) > 0.7
    frame.loc[late, "seen_day"] = np.nan
    censored = fit_development(frame, "exponential", daily=programme.daily)
    assert any("ended before the stage was seen" in note for note in censored.notes)
    dropped = fit_development(frame[~late], "exponential", daily=programme.daily)
    assert abs(np.log(censored.days(8.0) / early)) < abs(np.log(dropped.days(8.0) / early)) + 0.01
    assert censored.rows_used == 200


def test_one_batch_and_a_narrow_band_are_refused_in_words(simulate: Callable[..., Any]) -> None:
    made = simulate(1, tanks=60, batches=2)
    with pytest.raises(Refused, match="come from 2 batches; at least 3 are needed"):
        fit_development(made.frame, "power", daily=made.daily)
    narrow = simulate(1, tanks=60, batches=6, low_c=7.2, high_c=8.8)
    with pytest.raises(Refused, match=r"lie in 7\.\d to 8\.\d °C and cannot tell the constants of the form power"):
        fit_development(narrow.frame, "power", daily=narrow.daily)
    assert fit_development(narrow.frame, "constant_units", daily=narrow.daily).rows_used == 60
    with pytest.raises(Refused, match="5 usable tanks are too few"):
        fit_development(made.frame.iloc[:5].assign(batch_id=list("abcde")), "constant_units", daily=made.daily)


@pytest.mark.parametrize("form", ["constant_units", "log_inverse"])
def test_dates_first_seen_alone_are_no_curve(programme: Any, form: str) -> None:
    seen_only = programme.frame.assign(absent_day=np.nan)
    with pytest.raises(Refused, match="200 of them have no day on which somebody looked and it had not come"):
        fit_development(seen_only, form, daily=programme.daily)
    half = programme.frame["absent_day"].where(np.arange(200) % 2 == 0)
    mixed = fit_development(programme.frame.assign(absent_day=half), "constant_units", daily=programme.daily)
    assert mixed.rows_used == 200 and mixed.log_days_se(8.0)[0] < 0.05


@pytest.mark.parametrize("form", FITTED_FORMS)
def test_every_form_fits_tank_records_with_its_own_constants(programme: Any, form: str) -> None:
    fit = fit_development(programme.frame, form, daily=programme.daily)
    assert fit.coefficients["std_error"].gt(0).all()
    assert fit.days(8.0) == pytest.approx(float(programme.true.days(8.0)), rel=0.05)
    assert fit.form == form


@pytest.mark.parametrize("share", [0.08, 0.16])
def test_small_batches_and_wrong_dates_do_not_stop_the_search(simulate: Callable[..., Any], share: float) -> None:
    """What a few tanks tell of their batch, one of them perhaps by a wrong date, has several modes."""
    true = Curve("true", "exponential", {"a": 5.2, "b": 0.13}, 0.0, 20.0)
    made = simulate(4, tanks=25, batches=5, true=true, low_c=5.7, high_c=12.2, is_looked_at_weekends=True)
    is_lone = made.frame["batch_id"] == made.frame["batch_id"].iloc[-1]
    is_lone.iloc[-1] = False
    frame = made.frame[~is_lone]
    rng, moved, wrong = np.random.default_rng([4, 5]), np.zeros(len(frame)), round(share * len(frame))
    moved[rng.choice(len(frame), wrong, replace=False)] = rng.choice([-1, 1], wrong) * rng.integers(10, 31, wrong)
    moved = np.where(frame["absent_day"] + moved < 1, np.abs(moved), moved)
    frame = frame.assign(absent_day=frame["absent_day"] + moved, seen_day=frame["seen_day"] + moved)
    fit = fit_development(frame, "exponential", daily=made.daily)
    assert fit.days(8.0) == pytest.approx(true.days(8.0), rel=0.06)  # four SDs of five batches' mean


def test_a_form_that_is_no_word_is_refused(programme: Any) -> None:
    with pytest.raises(UsageError, match=r"unknown form \['exponential'\]; expected one of constant_units, power"):
        fit_development(programme.frame, ["exponential"], daily=programme.daily)  # type: ignore[arg-type]


def test_spreads_told_apart_stand_in_the_summary(programme: Any) -> None:
    """Sites and stocks beside batches: what the errors carry is shown."""
    sites = programme.frame.assign(site_id=np.where(programme.frame.index % 3 == 0, "S1", "S2"))
    fit = fit_development(sites, "exponential", daily=programme.daily)
    assert fit.groups is not None
    apart = fit.groups.group_sd
    assert ", told apart" not in fit.summary()
    assert f"; told apart between batch {apart['batch']:.4f}, between site {apart['site']:.4f};" in fit.summary()
    assert "days of each site against the mean, drawn towards it: S1 " in fit.summary()


def test_a_tank_given_twice_is_refused_and_a_form_of_given_models_named(programme: Any) -> None:
    again = pd.concat([programme.frame, programme.frame.iloc[[7]]], ignore_index=True)
    with pytest.raises(UsageError, match=r"1 tanks have a row twice \(for example t7\)"):
        fit_development(again, "exponential", daily=programme.daily)
    warm = {tank: 32 + 1.8 * temps for tank, temps in programme.daily.items()}
    with pytest.raises(UsageError, match="look like °F"):
        fit_development(programme.frame, "exponential", daily=warm)
    with pytest.raises(UsageError, match="linear_units is a form of models given, and is not fitted"):
        fit_development(HEMING, "linear_units")
    with pytest.raises(Refused, match="1 different temperature cannot"):
        fit_development(HEMING.iloc[[0, 0, 0]], "exponential")


def test_a_fit_to_tanks_draws_them_about_its_curve(programme: Any) -> None:
    fit = fit_development(programme.frame, "log_inverse", daily=programme.daily)
    assert len(fit.data) == fit.rows_used
    off = np.log(fit.data["days"] / fit.curve.days(fit.data["temp_c"]))
    assert 0.5 < off.std() / np.hypot(fit.spread_log_sd, fit.batch_log_sd) < 2.0


@pytest.mark.parametrize("days", [3.0, 6.0])
def test_the_only_tank_of_a_slow_batch_is_no_wrong_date(days: float, simulate: Callable[..., Any]) -> None:
    """It tells how far batches differ; a spread of none without it would make its date a wrong one."""
    made = simulate(1, tanks=24, batches=4, batch_sd=0.005, is_looked_at_weekends=True)
    frame = made.frame
    frame.loc[0, "batch_id"] = "slow"
    frame.loc[0, ["absent_day", "seen_day"]] += days
    groups = fit_development(frame, "exponential", daily=made.daily).groups
    assert groups is not None
    assert groups.wrong_probability[0] < 0.1
    assert groups.group_sd["batch"] > 0.015
