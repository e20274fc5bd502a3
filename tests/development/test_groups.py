"""Constant-temperature experiments: groups that share a fate, columns not used, text where numbers belong."""

from __future__ import annotations

import warnings

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.special import stdtrit

from broodyear import fit_development, forecast_day
from broodyear.errors import NothingToAnalyse, UsageError

# The search for spreads stops at a hundredth; the reference stops where its own optimiser does.
REFERENCE_REL = 0.01


def families(seed: int, *, mothers: int = 19, eggs: int = 40, mother_sd: float = 0.05) -> pd.DataFrame:
    """Eggs of mothers, each mother kept at one of four temperatures: ln D = 5.5 − 0.15 T + mother + egg."""
    rng = np.random.default_rng(seed)
    mother = np.repeat(np.arange(mothers), eggs)
    temp = np.array([5.0, 7.0, 9.0, 11.0])[np.arange(mothers) % 4][mother]
    log_days = 5.5 - 0.15 * temp + rng.normal(0, mother_sd, mothers)[mother] + rng.normal(0, 0.03, mothers * eggs)
    return pd.DataFrame({"temp_c": temp, "days": np.exp(log_days), "family": [f"f{m}" for m in mother]})


def test_errors_are_those_of_groups_and_agree_with_a_mixed_model() -> None:
    """statsmodels 0.15 MixedLM of ln D on T with an intercept per family, restricted likelihood."""
    frame = families(41)
    alone = fit_development(frame.drop(columns="family"), "exponential")
    grouped = fit_development(frame, "exponential", groups=["family"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it calls a spread this small one on the boundary
        other = smf.mixedlm("y ~ temp_c", frame.assign(y=np.log(frame["days"])), groups="family").fit(reml=True)
    assert grouped.coefficients.loc["a", "estimate"] == pytest.approx(other.params["Intercept"], abs=1e-4)
    assert grouped.coefficients.loc["b", "estimate"] == pytest.approx(-other.params["temp_c"], abs=1e-5)
    assert grouped.coefficients.loc["b", "std_error"] == pytest.approx(other.bse["temp_c"], rel=REFERENCE_REL)
    assert grouped.groups is not None
    assert grouped.groups.group_sd["family"] == pytest.approx(np.sqrt(other.cov_re.iloc[0, 0]), rel=REFERENCE_REL)
    assert grouped.coefficients.loc["b", "std_error"] > 4.0 * alone.coefficients.loc["b", "std_error"]
    assert grouped.error_df < 20
    assert grouped.error_df == pytest.approx(grouped.groups.df.min())
    assert f"between family {grouped.groups.group_sd['family']:.4f}" in grouped.summary()


def test_log_likelihood_with_groups_is_that_of_the_whole_covariance() -> None:
    from scipy.stats import multivariate_normal

    frame = families(42, mothers=8, eggs=5)
    fit = fit_development(frame, "exponential", groups="family")
    assert fit.groups is not None
    same = frame["family"].to_numpy()[:, None] == frame["family"].to_numpy()[None, :]
    covariance = fit.groups.group_sd["family"] ** 2 * same + fit.spread_log_sd**2 * np.eye(len(frame))
    mean = np.log(fit.days(frame["temp_c"].to_numpy()))
    expected = multivariate_normal(mean, covariance).logpdf(np.log(frame["days"]))
    assert fit.log_likelihood == pytest.approx(expected, rel=1e-9)


def test_a_column_that_is_not_used_is_said() -> None:
    fit = fit_development(families(43).rename(columns={"family": "batch_id"}), "exponential")
    assert fit.notes[0].startswith("batch_id is not used and rows count as independent; name what shares a fate")
    assert fit_development(families(43), "exponential", groups=["family"]).notes == ()


def test_text_among_the_days_is_told_as_text() -> None:
    frame = families(44).astype({"days": object})
    frame.loc[:2, "days"] = "about 60"
    frame.loc[3, "days"] = None
    fit = fit_development(frame, "exponential")
    assert fit.left_out == {
        "days is text, not a number (for example 'about 60')": 3, "temperature or days missing": 1,
    }  # fmt: skip
    with pytest.raises(NothingToAnalyse, match="days is text, not a number"):
        fit_development(frame.assign(days="sixty"), "exponential")


def test_days_without_end_are_left_out_and_dates_are_refused_by_the_frames_schema() -> None:
    frame = pd.DataFrame({"temp_c": [4.0, 6, 8, 10, 12, np.inf], "days": [125.0, 84, 62, 50, np.inf, 40]})
    fit = fit_development(frame, "constant_units")
    assert fit.left_out == {"days or temperature infinite": 2} and fit.rows_used == 4
    dates = frame.assign(days=pd.Timestamp("2024-01-01"))
    with pytest.raises(UsageError, match="the frame is not one of constant_temperatures: days"):
        fit_development(dates, "constant_units")


def test_wrong_frames_and_groups_are_refused_in_words() -> None:
    with pytest.raises(UsageError, match="the groups tray are not columns; the frame has temp_c, days, family"):
        fit_development(families(45), "exponential", groups=["tray"])
    for wrong in (None, {"temp_c": [5.0]}, [1, 2]):
        with pytest.raises(UsageError, match="a fit needs a data frame"):
            fit_development(wrong, "exponential")  # type: ignore[arg-type]


def test_a_fit_shows_itself_as_text_page_and_figure() -> None:
    fit = fit_development(families(46), "exponential", groups=["family"])
    assert "exponential, fitted to 760 of 760 rows; left out: none" in fit.summary()
    assert fit._repr_html_().startswith("<pre>exponential")
    axes = fit.plot()
    assert fit.plot(ax=axes) is axes
    assert axes.get_ylabel() == "days to the stage" and len(axes.lines) == 4


def test_a_published_equation_is_found_again_from_raw_daily_temperatures() -> None:
    """Rombough 1985, ln D = 5.99 − 0.15 T: 48 families in water that varies, dated to whole days. With the mean
    temperature of each the constants come out within what whole days and two decimals allow."""
    rng, rows = np.random.default_rng(44), []
    for family in range(48):
        daily_c = [6.5, 8.0, 9.5, 11.0][family % 4] + 0.3 * np.sin(np.arange(250) / 9.0) + rng.normal(0, 0.2, 250)
        days = round(forecast_day("Rombough1985_ponding", daily_c))
        rows.append({"family": f"f{family}", "temp_c": daily_c[:days].mean(), "days": days})
    fit = fit_development(pd.DataFrame(rows), "exponential", groups=["family"])
    assert fit.coefficients.loc["a", "estimate"] == pytest.approx(5.99, abs=0.01)
    assert fit.coefficients.loc["b", "estimate"] == pytest.approx(0.15, abs=0.001)


def test_limits_of_three_families_are_by_the_degrees_of_freedom_of_the_fit() -> None:
    """A fit that states two degrees of freedom is not given the limits of one."""
    frame = families(4, mothers=3, eggs=5).assign(temp_c=np.tile([4.0, 6, 8, 10, 12], 3))
    rng = np.random.default_rng(7)
    mother = np.repeat(rng.normal(0, 0.01, 3), 5)
    frame["days"] = np.exp(5.2 - 0.13 * frame["temp_c"] + mother + rng.normal(0, 0.008, 15))
    fit = fit_development(frame, "exponential", groups=["family"])
    assert fit.groups is not None
    limits = fit.interval(8.0)
    quantile = float(np.log(limits["high"] / limits["days"]).iloc[0] / fit.log_days_se(8.0)[0])
    assert quantile == pytest.approx(stdtrit(fit.groups.df.min(), 0.975))


def test_rows_given_twice_are_named() -> None:
    frame = families(43, mothers=8, eggs=5)
    again = pd.concat([frame, frame.iloc[:2]], ignore_index=True)
    notes = fit_development(again, "exponential", groups="family").notes
    assert "2 rows repeat another in every column" in notes[-1]
    assert not fit_development(frame, "exponential", groups="family").notes


def test_temperatures_in_fahrenheit_are_refused_with_what_was_found() -> None:
    warm = families(43).assign(temp_c=lambda frame: 32 + 1.8 * frame["temp_c"])
    with pytest.raises(UsageError, match=r"41.0 to 51.8 and look like °F; give °C, \(°F − 32\) / 1.8"):
        fit_development(warm, "exponential")
    with pytest.raises(UsageError, match="200 of 200 temperatures are 46.4"):
        forecast_day("fit_Heming1982_chinook_hatch", [46.4] * 200)


def test_a_fit_draws_what_it_was_fitted_to() -> None:
    frame = families(43, mothers=8, eggs=5)
    axes = fit_development(frame, "exponential").plot()
    drawn = {line.get_label(): line for line in axes.get_lines()}
    np.testing.assert_array_equal(drawn["fitted to"].get_ydata(), frame["days"])
    plt.close(axes.figure)


def test_a_row_far_off_is_named_and_ordinary_rows_are_not() -> None:
    """One of 40 rows half as long again. The others' SD is 0.03: with the row it is three times that."""
    frame = families(47, mothers=8, eggs=5, mother_sd=0.0)
    frame.index = [f"egg {number}" for number in range(len(frame))]
    assert not any(
        "off the curve" in note for note in fit_development(frame, "exponential", groups="family").notes
    )
    wrong = frame.assign(days=frame["days"].where(frame.index != "egg 7", 1.5 * frame["days"]))
    fit = fit_development(wrong, "exponential", groups="family")
    days = wrong.loc["egg 7", "days"]
    # Worked another way: the straight line through the other rows alone.
    others = smf.ols("y ~ temp_c", wrong.assign(y=np.log(wrong["days"])).drop("egg 7")).fit()
    off = 100 * np.expm1(np.log(days) - others.params["Intercept"] - 7.0 * others.params["temp_c"])
    assert fit.notes == (
        f"row egg 7 (7 °C, {days:.4g} days) is {off:+.0f} % off the curve of the others, whose SD of log days is "
        f"{np.sqrt(others.mse_resid):.4f}; look it up, and leave it out where it is wrong",
    )


def test_chance_names_a_row_about_once_in_a_hundred_frames() -> None:
    frames = [families(seed, mothers=8, eggs=2, mother_sd=0.0) for seed in range(900, 1100)]
    notes = [fit_development(frame.drop(columns="family"), "exponential").notes for frame in frames]
    assert sum(bool(one) for one in notes) <= 6


def test_two_stocks_as_a_group_say_why_limits_are_wide_and_what_each_is() -> None:
    frame = families(48, mothers=8, eggs=5, mother_sd=0.005).assign(stock=["up", "down"] * 20)
    frame["days"] *= np.where(frame["stock"] == "up", 1.06, 1.0)
    fit = fit_development(frame, "exponential", groups=("family", "stock"))
    assert fit.error_df < 1.5
    assert fit.notes[-1] == (
        "the limits are for stock in general and rest on 2 of them (Student's t with "
        f"{fit.error_df:.1f} degrees of freedom); to ask about these alone, fit the rows of each stock by "
        "themselves"
    )
    effects = fit.group_effects.set_index(["group", "level"])["log_effect"]
    assert effects["stock", "up"] - effects["stock", "down"] == pytest.approx(
        np.log(1.06), abs=0.02
    )  # two of its errors
    down, up = 100 * np.expm1(effects["stock"])
    said = f"\ndays of each stock against the mean, drawn towards it: down {down:+.1f} %, up {up:+.1f} %\n"
    assert said in fit.summary() and down < -2.0 < 2.0 < up


def test_the_covariance_of_a_fit_is_that_of_its_constants_and_its_model_takes_it() -> None:
    """Of ln D = a − bT with its errors in the middle of the temperatures, a and b are nearly collinear."""
    frame = families(49, mothers=8, eggs=5, mother_sd=0.0).drop(columns="family")
    fit = fit_development(frame, "exponential")
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), fit.coefficients["std_error"])
    fitted = smf.ols("y ~ temp_c", frame.assign(y=np.log(frame["days"]))).fit().cov_params().to_numpy()
    np.testing.assert_allclose(fit.covariance, fitted * [[1, -1], [-1, 1]], rtol=1e-6)
    model = fit.as_model("trays", "coho", "hatch_half", source="our own trays")
    np.testing.assert_allclose(model.log_days_se([6.0, 8.0]), fit.log_days_se([6.0, 8.0]), rtol=1e-5)
    assert model.spread_log_sd == fit.spread_log_sd and model.valid_low_c == 5.0
    assert repr(fit) == fit.summary()


def test_rows_under_repeated_labels_are_rows_of_their_own() -> None:
    frame = families(50, mothers=8, eggs=5)
    again = pd.concat([frame, frame])
    fit = fit_development(again, "exponential", groups="family")
    assert fit.rows_used == 80 and "40 rows repeat another in every column" in fit.notes[0]
