"""Clustered, exchangeable, beta-binomial and penalised fits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit
from scipy.stats import betabinom

from broodyear.survival import fit_survival

SAME = 1e-6  # two routes to one number
REFERENCE = 1e-4
LEVELS = {"levelB": "level[T.B]", "levelC": "level[T.C]"}


@pytest.fixture(scope="module")
def clustered_tanks() -> pd.DataFrame:
    rng = np.random.default_rng(1)
    frame = pd.DataFrame({"site": np.arange(60) % 9, "warm": rng.normal(size=60), "eggs": rng.integers(5, 40, 60)})
    frame["room"] = rng.choice(["hall", "lab"], 60)
    frame["alive"] = rng.binomial(
        frame["eggs"], expit(0.8 + 0.3 * frame["warm"] + rng.normal(0, 0.6, 9)[frame["site"]])
    )
    return frame


def one_row_per_egg(frame: pd.DataFrame) -> pd.DataFrame:
    rows = frame.loc[frame.index.repeat(frame["eggs"])].copy()
    index = rows.groupby(level=0).cumcount()
    rows["lives"] = (index < rows["alive"]).astype(float)
    return rows.reset_index(drop=True)


def test_exchangeable_equals_the_library_on_one_row_per_egg(clustered_tanks):
    from statsmodels.genmod.cov_struct import Exchangeable
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_estimating_equations import GEE

    fit = fit_survival(
        clustered_tanks, "warm + room", survived="alive", trials="eggs", groups="site", method="exchangeable"
    )
    eggs = one_row_per_egg(clustered_tanks)
    model = GEE.from_formula(
        "lives ~ warm + room", groups="site", data=eggs, family=Binomial(), cov_struct=Exchangeable()
    )
    library = model.fit(maxiter=300, ctol=1e-11)
    order = ["Intercept", "warm", "room[T.lab]"]
    assert fit.effects.loc[order, "estimate"].to_numpy() == pytest.approx(
        library.params[order].to_numpy(), abs=SAME
    )
    assert fit.effects.loc[order, "std_error"].to_numpy() == pytest.approx(library.bse[order].to_numpy(), rel=1e-5)
    assert fit.dispersion == pytest.approx(float(library.cov_struct.dep_params), abs=SAME)


def test_clustered_is_the_sandwich_times_g_over_g_less_one(clustered_tanks):
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_linear_model import GLM

    fit = fit_survival(clustered_tanks, "warm", survived="alive", trials="eggs", groups="site", method="clustered")
    counts = np.column_stack([clustered_tanks["alive"], clustered_tanks["eggs"] - clustered_tanks["alive"]])
    matrix = np.column_stack([np.ones(60), clustered_tanks["warm"]])
    library = GLM(counts, matrix, family=Binomial()).fit(
        cov_type="cluster",
        cov_kwds={"groups": clustered_tanks["site"].to_numpy(), "use_correction": False},
    )
    assert fit.effects["std_error"].to_numpy() == pytest.approx(library.bse * np.sqrt(9 / 8), rel=1e-6)
    assert fit.effects["estimate"].to_numpy() == pytest.approx(library.params, abs=SAME)
    assert "Only 9 levels of site" in fit.notes[0]


def test_beta_binomial_likelihood_is_the_distributions(clustered_tanks):
    fit = fit_survival(clustered_tanks, "warm", survived="alive", trials="eggs", method="beta_binomial")
    total = 1.0 / fit.dispersion - 1.0
    share = fit.fitted
    logs = betabinom.logpmf(
        clustered_tanks["alive"], clustered_tanks["eggs"], total * share, total * (1.0 - share)
    )
    assert fit.log_likelihood == pytest.approx(float(logs.sum()), abs=1e-8)


def test_beta_binomial_without_extra_variation_is_binomial():
    frame = pd.DataFrame({"eggs": [100] * 12, "alive": [70, 71, 69] * 4, "warm": np.linspace(-1, 1, 12)})
    fit = fit_survival(frame, "warm", survived="alive", trials="eggs", method="beta_binomial")
    plain = fit_survival(frame, "warm", survived="alive", trials="eggs", method="quasi_binomial")
    assert fit.dispersion == 0.0
    assert fit.coefficients == pytest.approx(plain.coefficients, abs=SAME)
    assert "correlation is estimated as zero" in fit.notes[0]


def test_quasi_binomial_errors_are_not_divided_by_the_eggs(clustered_tanks):
    """The library's own Pearson scale on two-column counts divides by eggs: a trap measured before."""
    fit = fit_survival(clustered_tanks, "warm", survived="alive", trials="eggs", method="quasi_binomial")
    alive, eggs = clustered_tanks["alive"], clustered_tanks["eggs"]
    pearson = ((alive - eggs * fit.fitted) ** 2 / (eggs * fit.fitted * (1 - fit.fitted))).sum()
    assert fit.dispersion == pytest.approx(pearson / 58, rel=1e-9)


def test_firth_two_by_two_is_half_an_egg_in_every_cell(golden):
    frame = pd.DataFrame({"x": [0, 1], "r": [7, 12], "n": [12, 12]})
    fit = fit_survival(frame, "x", survived="r", trials="n", method="firth")
    closed = [np.log(7.5 / 5.5), np.log(12.5 / 0.5) - np.log(7.5 / 5.5)]
    assert fit.coefficients == pytest.approx(closed, abs=1e-8)
    exact = golden.value("penalised_and_collinear", "firth.2x2_exact")
    assert fit.coefficients == pytest.approx([exact["intercept"], exact["x"]], abs=1e-8)
    errors = golden.value("penalised_and_collinear", "firth.2x2_se")
    assert fit.effects["std_error"].to_numpy() == pytest.approx([errors["intercept"], errors["x"]], abs=1e-6)


@pytest.mark.parametrize(
    ("name", "formula", "counts", "prefix", "terms"),
    [
        ("endometrial", "NV + PI + EH", ("HG", "one"), "firth.endometrial", {}),
        ("grouped_separation", "level + z", ("r", "n"), "firth.grouped", LEVELS),
    ],
)
def test_firth_under_separation(golden, name, formula, counts, prefix, terms):
    frame = golden.frame(name).assign(one=1)
    fit = fit_survival(frame, formula, survived=counts[0], trials=counts[1], method="firth")
    errors = golden.value("penalised_and_collinear", f"{prefix}.se")
    limits = golden.value("penalised_and_collinear", f"{prefix}.profile_ci")
    for key, estimate in golden.value("penalised_and_collinear", f"{prefix}.coef").items():
        term = {"intercept": "Intercept", **terms}.get(key, key)
        row = fit.effects.loc[term]
        assert row["estimate"] == pytest.approx(estimate, abs=REFERENCE)
        assert row["std_error"] == pytest.approx(errors[key], abs=REFERENCE)
        assert [row["ci_low"], row["ci_high"]] == pytest.approx(limits[key], abs=1e-3)
    assert "binomial variation" in fit.notes[0]


def test_firth_tests_by_likelihood_ratio(golden):
    frame = golden.frame("endometrial").assign(one=1)
    fit = fit_survival(frame, "NV + PI + EH", survived="HG", trials="one", method="firth")
    for key, p_value in golden.value("penalised_and_collinear", "firth.endometrial.p_plr").items():
        term = "Intercept" if key == "intercept" else key
        assert fit.effects.loc[term, "p_value"] == pytest.approx(p_value, abs=1e-4)
