"""Steps that save time, against the slow way: second derivatives, moved matrices, many columns at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.survival.test_mixed import CASES, crossed, laplace_of, scattered

from broodyear.errors import Refused
from broodyear.statistics import crossed as system
from broodyear.statistics.crossed import Grouping, factorise, inverse_times, lay_out, solve
from broodyear.statistics.numbers import level_sums
from broodyear.survival import fit_survival
from broodyear.survival.design import Design, make_design
from broodyear.survival.fit import fit_design
from broodyear.survival.marginal import _log_likelihood, fit_beta_binomial, plain_fit
from broodyear.survival.mixed.laplace import Restricted

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
    values = np.concatenate([np.linspace(0.3, 0.7, count) ** 2, [0.7, 0.4, -0.3]])
    slow = differences(lambda at: laplace.with_gradient(at)[1], values, 3e-4)
    scale = np.diag(np.linspace(0.02, 0.1, len(values)))
    expected = scale @ slow @ scale
    assert laplace.hessian(values, scale) == pytest.approx(expected, rel=0, abs=SECOND * np.abs(expected).max())


def test_the_restricted_likelihood_adds_the_determinant_of_the_information():
    """Over the variances, binomial weights held: the second likelihood less the first, by differences."""
    laplace = laplace_of(crossed(1, 3), ["site", "batch"])
    restricted = Restricted(laplace.design, range(2))
    values = np.array([0.09, 0.49, 0.7, 0.4, -0.3])
    factor = laplace.mode(values).factor

    def determinant(variances: np.ndarray) -> float:
        held = factorise(laplace.layout, np.sqrt(variances), factor.weight)
        return float(np.linalg.slogdet(laplace.matrix.T @ inverse_times(held, laplace.matrix))[1])

    plain, own = laplace.with_gradient(values), restricted.with_gradient(values)
    assert own[0] - plain[0] == pytest.approx(determinant(values[:2]), abs=1e-9)
    slow = differences(determinant, values[:2], 1e-4)
    assert own[1][:2] - plain[1][:2] == pytest.approx(slow, abs=1e-7)


def test_beta_binomial_errors_are_those_of_the_observed_information():
    design = make_design(crossed(2, 3), "gravel + warm", "alive", "eggs")
    fit = fit_beta_binomial(design)
    values = np.append(fit.coefficients, np.log(fit.dispersion / (1.0 - fit.dispersion)))
    assert _log_likelihood(values, design)[1] == pytest.approx(np.zeros(4), abs=1e-5)
    second = differences(lambda at: _log_likelihood(at, design)[1], values, 3e-4)
    assert fit.variance == pytest.approx(np.linalg.inv(-second)[:-1, :-1], rel=10 * SECOND)


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


def library_fit(design: Design) -> np.ndarray:
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_linear_model import GLM

    counts = np.column_stack([design.survived, design.trials - design.survived])
    return np.asarray(GLM(counts, design.matrix, family=Binomial()).fit(tol=1e-12, maxiter=100).params)


def test_newton_steps_and_the_library_find_the_same_maximum():
    design = make_design(crossed(5, 3), "gravel * warm + C(season)", "alive", "eggs")
    fit = plain_fit(design).coefficients
    assert fit == pytest.approx(library_fit(design), abs=1e-8)
    share = 1.0 / (1.0 + np.exp(-design.matrix @ fit))
    score = design.matrix.T @ (design.survived - design.trials * share)
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
    with pytest.raises(Refused, match=r"Group .site. has one level \(S-1\)"):
        fit_design(replace(design, groupings=(one,)), method)


def test_columns_that_nearly_repeat_each_other_are_told_apart_as_well_as_the_library_does():
    frame = crossed(6)
    frame["nearly"] = frame["warm"] + 1e-6 * np.random.default_rng(1).normal(size=len(frame))
    design = make_design(frame, "warm + nearly", "alive", "eggs")
    assert plain_fit(design).coefficients == pytest.approx(library_fit(design), rel=1e-5)


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
    layout = lay_out([Grouping(str(index), one, tuple(range(one.max() + 1))) for index, one in enumerate(codes)])
    factor = factorise(layout, np.array([0.5, 0.7, 0.3, 0.4]), rng.uniform(5, 40, 60))
    matrix = rng.normal(size=(60, 4))
    together = inverse_times(factor, matrix)
    dense = layout.spread_to_rows(np.eye(len(layout.owner))) * factor.scale
    whole = np.linalg.inv(np.diag(1.0 / factor.weight) + dense @ dense.T)
    np.testing.assert_allclose(together, whole @ matrix, rtol=1e-9, atol=1e-12)
    for column, values in enumerate(matrix.T):
        np.testing.assert_allclose(solve(factor, factor.weight * values), together[:, column], rtol=1e-12)


def test_a_border_without_its_zeros_gives_what_a_full_one_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    codes = [rng.integers(0, 60, 80), rng.integers(0, 30, 80), np.arange(80)]
    layout = lay_out([Grouping(str(index), one, tuple(range(one.max() + 1))) for index, one in enumerate(codes)])
    weight, right, sds = rng.uniform(5, 40, 80), rng.normal(size=80), np.array([0.5, 0.7, 0.4])
    full = factorise(layout, sds, weight)
    monkeypatch.setattr(system, "MANY_CELLS", 1)
    thin = factorise(layout, sds, weight)
    assert isinstance(full.border, np.ndarray) and not isinstance(thin.border, np.ndarray)
    np.testing.assert_allclose(solve(thin, right), solve(full, right), rtol=1e-10, atol=1e-14)
    for first, second in zip(full.inverse, thin.inverse, strict=True):
        np.testing.assert_allclose(second, first, rtol=1e-10)
    assert thin.log_determinant == pytest.approx(full.log_determinant, rel=1e-12)
