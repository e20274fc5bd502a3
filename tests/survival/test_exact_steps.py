"""Steps that save time, against the slow way: second derivatives, moved matrices, many columns at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.survival.test_mixed import CASES, crossed, laplace_of, scattered

from broodyear.errors import Refused
from broodyear.statistics.numbers import level_sums
from broodyear.survival import fit_survival
from broodyear.survival.design.matrix import Grouping, make_design
from broodyear.survival.fit import fit_design
from broodyear.survival.methods.beta_binomial import _log_likelihood, _second_derivatives
from broodyear.survival.methods.binomial import _by_library, _by_normal_equations, fit_logistic
from broodyear.survival.mixed import system
from broodyear.survival.mixed.optimum import laplace_hessian, scaled_hessian
from broodyear.survival.mixed.system import factorise, inverse_times, invert, lay_out, solve

#: Central differences over a thousandth of a standard error, relative to the largest second derivative.
SECOND = 1e-6


def differences(gradient, values: np.ndarray, step: float) -> np.ndarray:
    """Jacobian by fourth-order central differences."""
    rows = []
    for move in step * np.eye(len(values)):
        near = gradient(values + move) - gradient(values - move)
        far = gradient(values + 2.0 * move) - gradient(values - 2.0 * move)
        rows.append((8.0 * near - far) / (12.0 * step))
    return np.array(rows)


@pytest.mark.parametrize(("groups", "own_row"), CASES)
def test_second_derivatives_in_any_units_are_those_of_the_gradient(groups, own_row):
    laplace = laplace_of(crossed(1, 3, own_row=own_row), groups)
    count = len(groups)
    values = np.concatenate([np.log(np.linspace(0.3, 0.7, count)), [0.7, 0.4, -0.3]])
    slow = differences(lambda at: laplace.with_gradient(at)[1], values, 3e-4)
    scale = np.diag(np.linspace(0.05, 0.2, len(values)))
    expected = scale @ slow @ scale
    for found in (
        scaled_hessian(laplace.with_gradient, values, scale),
        laplace_hessian(laplace, values, scale),
    ):
        assert found == pytest.approx(expected, rel=0, abs=SECOND * float(np.abs(expected).max()))


def test_beta_binomial_second_derivatives_are_those_of_the_gradient():
    design = make_design(crossed(2, 3), "gravel + warm", "alive", "eggs")
    counts = design.matrix, design.rows.survived, design.rows.trials
    values = np.array([0.7, 0.4, -0.3, -2.5])
    slow = differences(lambda at: _log_likelihood(at, *counts)[1], values, 3e-4)
    assert _second_derivatives(values, *counts) == pytest.approx(slow, rel=SECOND, abs=SECOND)


@pytest.mark.parametrize(("seed", "settles"), [(0, False), (18, True)])
def test_estimating_equations_settle_or_are_refused_when_they_run_away(seed, settles):
    """Nearly as many coefficients as sites; plain scoring steps swing for ever on the second of these."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame({"site": np.arange(60) % 12, "a": rng.normal(size=60), "b": rng.normal(size=60)})
    frame["g"], frame["h"] = rng.choice(list("pqrstu"), 60), rng.choice(list("vwxyz"), 60)
    frame = frame.assign(k=np.arange(60) // 6, eggs=rng.integers(20, 300, 60))
    frame["alive"] = rng.binomial(frame["eggs"], 1.0 / (1.0 + np.exp(-1.0 - rng.normal(0.0, 1.5, 60))))
    asked = {"survived": "alive", "trials": "eggs", "groups": "site", "method": "exchangeable"}
    if settles:
        assert np.abs(fit_survival(frame, "a + b + g + h + C(k)", **asked).fitted).max() < 1.0
        return
    with pytest.raises(Refused, match="did not settle"):
        fit_survival(frame, "a + b + g + h + C(k)", **asked)


@pytest.mark.parametrize(
    "formula",
    ["gravel + warm", "gravel * warm", "gravel + C(season)", "C(season) + cr(warm, df=3, constraints='center')",
     "gravel:C(season) + warm", "logger + gravel"],
)  # fmt: skip
def test_a_matrix_with_one_factor_set_is_that_of_the_formula_evaluated_anew(formula):
    frame = crossed(4, 3).assign(logger=lambda rows: rows["warm"] > 0.2)
    design = make_design(frame, formula, "alive", "eggs")
    levels = {"gravel": ["bare", "stones"], "season": [0, 3], "logger": [False, True], "warm": [0.25]}
    for name in design.covariates:
        for level in levels[name]:
            assert design.matrix_with(name, level) == pytest.approx(
                design.matrix_anew(design.rows.frame, name, level), abs=1e-12
            )


def test_normal_equations_and_the_library_find_the_same_maximum():
    design = make_design(crossed(5, 3), "gravel * warm + C(season)", "alive", "eggs")
    counts = design.matrix, design.rows.survived, design.rows.trials
    own = _by_normal_equations(*counts)
    assert own is not None
    fit = fit_logistic(*counts).coefficients
    assert fit == pytest.approx(_by_library(*counts), abs=1e-6)
    score = design.matrix.T @ (counts[1] - counts[2] / (1.0 + np.exp(-design.matrix @ fit)))
    assert score == pytest.approx(np.zeros(len(fit)), abs=1e-8)


def test_methods_that_share_a_design_find_what_each_finds_alone():
    frame = crossed(7, 3)
    design = make_design(frame, "gravel + warm + C(season)", "alive", "eggs", ("site",))
    for method in ("beta_binomial", "quasi_binomial", "clustered", "exchangeable"):
        groups = ["site"] if method in ("clustered", "exchangeable") else []
        alone = fit_survival(
            frame, "gravel + warm + C(season)", survived="alive", trials="eggs", groups=groups, method=method
        )
        shared = fit_design(design, method)
        assert (shared.groups, shared.notes, shared.rows_given) == (alone.groups, alone.notes, alone.rows_given)
        pd.testing.assert_frame_equal(shared.effects, alone.effects)
        pd.testing.assert_frame_equal(shared.contrast("gravel"), alone.contrast("gravel"))


@pytest.mark.parametrize("method", ["clustered", "exchangeable"])
def test_a_shared_design_of_one_cluster_is_refused(method):
    design = make_design(crossed(7, 3), "gravel", "alive", "eggs")
    one = Grouping("site", np.zeros(len(design.matrix), dtype=np.int64), ("S-1",))
    with pytest.raises(Refused, match=r"All rows lie in one level of site \(S-1\)"):
        fit_design(replace(design, groupings=(one,)), method)


def test_columns_that_nearly_repeat_each_other_go_to_the_library():
    frame = crossed(6)
    frame["nearly"] = frame["warm"] + 1e-6 * np.random.default_rng(1).normal(size=len(frame))
    design = make_design(frame, "warm + nearly", "alive", "eggs")
    assert _by_normal_equations(design.matrix, design.rows.survived, design.rows.trials) is None


def test_level_sums_of_two_columns():
    sums = level_sums(np.array([1, 0, 1]), np.array([[1.0, 10.0], [2.0, 20.0], [4.0, 40.0]]), 3)
    assert sums.tolist() == [[2.0, 20.0], [5.0, 50.0], [0.0, 0.0]]


def test_the_order_of_rows_does_not_move_a_fit_of_many_small_sites():
    frame = scattered()
    turned = frame.iloc[::-1].reset_index(drop=True)
    fits = [
        fit_survival(one, "warm", survived="alive", trials="eggs", groups=["site", "batch", "season"])
        for one in (frame, turned)
    ]
    first, second = (pd.concat([fit.effects["estimate"], fit.group_sd]) for fit in fits)
    assert first.to_numpy() == pytest.approx(second.to_numpy(), abs=1e-5)


def test_many_columns_are_solved_as_one_by_one():
    rng = np.random.default_rng(3)
    codes = [rng.integers(0, 9, 60), rng.integers(0, 5, 60), rng.integers(0, 3, 60), np.arange(60)]
    layout = lay_out([Grouping(str(place), one, tuple(range(one.max() + 1))) for place, one in enumerate(codes)])
    factor = factorise(layout, np.array([0.5, 0.7, 0.3, 0.4]), rng.uniform(5, 40, 60))
    matrix = rng.normal(size=(60, 4))
    together = inverse_times(factor, matrix)
    for column, values in enumerate(matrix.T):
        effects = factor.scale * solve(factor, factor.scale * layout.gather_to_levels(factor.weight * values))
        alone = factor.weight * (values - layout.spread_to_rows(effects))
        np.testing.assert_allclose(together[:, column], alone, rtol=1e-9, atol=1e-12)


def test_a_thin_border_gives_what_a_full_one_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    codes = [rng.integers(0, 60, 80), rng.integers(0, 30, 80), np.arange(80)]
    groupings = [Grouping(str(place), one, tuple(range(one.max() + 1))) for place, one in enumerate(codes)]
    full = lay_out(groupings)
    monkeypatch.setattr(system, "MANY_PLACES", 1)
    thin = lay_out(groupings)
    assert full.thin is None
    assert thin.thin is not None
    weight, right = rng.uniform(5, 40, 80), rng.normal(size=len(full.owner))
    first, second = (factorise(layout, np.array([0.5, 0.7, 0.4]), weight) for layout in (full, thin))
    np.testing.assert_allclose(solve(second, right), solve(first, right), rtol=1e-10, atol=1e-14)
    np.testing.assert_allclose(invert(second).leverages, invert(first).leverages, rtol=1e-10)
    np.testing.assert_allclose(invert(second).diagonal, invert(first).diagonal, rtol=1e-10)
    assert second.log_determinant == pytest.approx(first.log_determinant, rel=1e-12)
