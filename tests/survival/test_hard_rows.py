"""Rows that bring estimating equations, penalties and sandwiches to their limits: a number, or a sentence."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from broodyear.errors import Refused
from broodyear.survival import fit_survival


def fit(frame: pd.DataFrame, formula: str, **more):
    return fit_survival(frame, formula, survived="alive", trials="eggs", **more)


def narrow(rows: int = 40) -> pd.DataFrame:
    """A covariate far from zero with little spread, so that its coefficient is large."""
    rng = np.random.default_rng(3)
    warm = rng.normal(9.0, 0.01, rows)
    site = rng.integers(0, 12, rows)
    eggs = rng.integers(20, 60, rows)
    log_odds = 1.0 + 60.0 * (warm - 9.0) + rng.normal(0, 0.8, 12)[site]
    return pd.DataFrame({"warm": warm, "site": site, "eggs": eggs, "alive": rng.binomial(eggs, expit(log_odds))})


@pytest.mark.parametrize(("method", "groups"), [("firth", ()), ("exchangeable", "site")])
def test_fits_do_not_depend_on_the_units_of_a_covariate(method, groups):
    frame = narrow()
    found = fit(frame, "warm", method=method, groups=groups).effects.loc["warm"]
    centred = fit(frame.assign(warm=100 * (frame["warm"] - 9)), "warm", method=method, groups=groups)
    assert found["estimate"] == pytest.approx(100 * centred.effects.loc["warm", "estimate"], rel=1e-5)
    assert found["ci_high"] == pytest.approx(100 * centred.effects.loc["warm", "ci_high"], rel=1e-5)


@pytest.mark.parametrize("method", ["clustered", "exchangeable"])
def test_a_robust_error_of_zero_is_refused(method):
    """Each level of gravel has one site, so the scores of both sites are zero and so is the sandwich."""
    frame = pd.DataFrame(
        {"gravel": ["a", "a", "b", "b"], "site": [1, 1, 2, 2], "eggs": 50, "alive": [40, 30, 45, 20]}
    )
    with pytest.raises(Refused, match=r"leave no variation between them to judge .*gravel\[T.b\]"):
        fit(frame, "gravel", method=method, groups="site")


def test_rows_that_do_not_vary_at_all_have_no_quasi_binomial_error():
    frame = pd.DataFrame({"gravel": ["a", "b"] * 6, "eggs": 100, "alive": 80})
    with pytest.raises(Refused, match=r"exactly the survival .* errors .* would be zero: .*'beta_binomial'"):
        fit(frame, "gravel", method="quasi_binomial")
    found = fit(frame, "gravel", method="beta_binomial").effects
    assert found.loc["Intercept", "std_error"] == pytest.approx(1.0 / np.sqrt(600 * 0.8 * 0.2))


def test_a_level_seen_at_one_site_only_is_said():
    rng = np.random.default_rng(5)
    frame = pd.DataFrame({"site": np.repeat(np.arange(10), 4), "eggs": 80, "alive": rng.binomial(80, 0.7, 40)})
    frame["gravel"] = np.where(frame["site"] == 0, "stones", np.where(frame["site"] < 5, "bare", "gravel"))
    notes = fit(frame, "gravel", method="clustered", groups="site").notes
    assert any(note.startswith("Rows with gravel[T.stones] all lie in one level of site") for note in notes)
    assert not any("gravel[T.gravel]" in note for note in notes)


def test_spread_without_bound_is_refused():
    """Every site is all-or-nothing, and more eggs would only say it louder."""
    frame = pd.DataFrame({"site": np.repeat(np.arange(8), 3), "eggs": 5000})
    frame["alive"] = np.where(frame["site"] % 2 == 0, 5000, 0)
    with pytest.raises(Refused, match=r"grows without bound|no proper maximum|did not settle"):
        fit(frame, "1", groups="site")


def nearly_all_or_nothing(seed: int) -> pd.DataFrame:
    """Sites that lost or kept every egg, but for one or two."""
    rng = np.random.default_rng(seed)
    share = np.where(np.arange(10) < 4, 0.0, 1.0)
    share[[2, 7]] = rng.uniform(0.3, 0.7, 2)
    site = np.repeat(np.arange(10), 2)
    return pd.DataFrame({"site": site, "eggs": 150, "alive": rng.binomial(150, share[site])})


@pytest.mark.parametrize("small_sample", [False, True])
def test_a_spread_of_many_logits_is_said(small_sample):
    found = fit(nearly_all_or_nothing(1), "1", groups="site", small_sample=small_sample)
    spread = float(found.group_sd["site"])
    assert 6.0 < spread < 30.0
    assert found.notes[-1] == (
        f"The spread between levels of site comes out at {spread:.0f} logits: nearly all of its levels lost"
        " or kept every egg, so its size rests on few rows, and odds ratios with it. Read the percentages,"
        " or take that group out."
    )


@pytest.mark.parametrize("small_sample", [False, True])
def test_a_spread_that_ends_at_zero_is_said_to_be_zero(small_sample):
    """Single eggs say nothing of a spread: never the smallest one of the search with an error of a million."""
    frame = pd.DataFrame({"site": [3, 0, 2, 4], "eggs": 1, "alive": [1, 0, 0, 0]})
    found = fit(frame, "1", groups="site", small_sample=small_sample)
    assert float(found.group_sd["site"]) == 0.0
    assert found.notes[-1].startswith("The best estimate of the spread between levels of site is zero")
    assert found.effects.loc["Intercept", "std_error"] == pytest.approx(np.sqrt(4 / 3), rel=1e-6)


def test_steps_thrown_far_at_the_start_of_a_search_do_no_harm():
    """Three sites far apart, one of them seen once among a practice that the others have as well."""
    frame = pd.DataFrame({"site": [2, 0, 0, 2, 2, 0, 0, 1], "gravel": list("aaabbaba")})
    frame["eggs"], frame["alive"] = [1136, 72, 1168, 625, 762, 1822, 151, 1673], [12, 2, 34, 5, 3, 54, 4, 1432]
    found = fit(frame, "gravel", groups="site")
    assert 2.0 < float(found.group_sd["site"]) < 4.0
    assert abs(found.effects.loc["gravel[T.b]", "estimate"]) < 2.0 * found.effects.loc["gravel[T.b]", "std_error"]


def test_an_ordinary_spread_is_not():
    rng = np.random.default_rng(4)
    frame = pd.DataFrame({"site": np.repeat(np.arange(10), 3), "eggs": 100})
    frame["alive"] = rng.binomial(100, 1 / (1 + np.exp(-(1.5 + rng.normal(0, 1.5, 10)[frame["site"]]))))
    assert not any("logits" in note for note in fit(frame, "1", groups="site", small_sample=True).notes)


def test_a_restricted_spread_never_stands_at_the_limit_of_the_search():
    """Where the restricted spread runs away, that of maximum likelihood stays, and is said to."""
    rng = np.random.default_rng(7)
    share = rng.choice([0.0, 1.0], 10, p=[0.4, 0.6])
    share[:2] = rng.uniform(0.2, 0.8, 2)
    site = np.repeat(np.arange(10), 2)
    frame = pd.DataFrame({"site": site, "eggs": 50, "alive": rng.binomial(50, share[site])})
    plain = fit(frame, "1", groups="site")
    found = fit(frame, "1", groups="site", small_sample=True)
    assert float(found.group_sd["site"]) == pytest.approx(float(plain.group_sd["site"]))
    assert float(found.group_sd["site"]) < 29.0  # the search ends at 30
    assert (
        found.notes[0] == "Spreads are those of maximum likelihood: the restricted likelihood has no maximum here."
    )


def test_an_odds_ratio_beyond_any_number_is_infinite_without_a_warning():
    table = fit(narrow(), "warm", method="quasi_binomial").step("warm", by=1000.0)
    assert np.isinf(table.loc[0, "odds_ratio"])
    assert table.loc[0, "difference_points"] <= 100.0


def test_small_all_or_nothing_programmes_end_in_a_fit_or_a_sentence():
    """Drawn programmes with hardly any rows; any warning fails the test."""
    fitted = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        rows = int(rng.choice([4, 8, 20]))
        frame = pd.DataFrame({"site": rng.integers(0, 3, rows), "g": rng.choice(list("ab"), rows)})
        frame["eggs"] = rng.integers(1, rng.choice([2, 30, 2000]), rows)
        log_odds = rng.choice([-4.0, 0.0, 5.0]) + rng.normal(0, 2.5, 3)[frame["site"]]
        frame["alive"] = rng.binomial(frame["eggs"], expit(log_odds))
        for method, groups in (("exchangeable", "site"), ("clustered", "site"), ("firth", ())):
            try:
                found = fit(frame, "g", method=method, groups=groups)
            except Refused:
                continue
            assert np.isfinite(found.effects[["estimate", "std_error"]].to_numpy()).all()
            assert (found.effects["std_error"] > 0).all()
            fitted += 1
    assert fitted > 20
