"""The mixed model against a slow dense copy of itself, and what must not change its answers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.special import expit, gammaln

from broodyear.statistics.crossed import factorise, lay_out, solve
from broodyear.survival import fit_survival
from broodyear.survival.design import make_design
from broodyear.survival.mixed.laplace import Laplace, Quadrature

EXACT = 1e-9  # linear algebra on matrices of well-conditioned size
GRADIENT = 2e-4  # central differences of a value around 1000 carry about 1e-5 of noise
AGREEMENT = 1e-4  # between two optimisers of one likelihood


def crossed(seed: int, groups: int = 2, *, rows: int = 120, own_row: bool = False) -> pd.DataFrame:
    """Rows crossed over groups of 12, 7 and 4 levels, spreads 0.6, 0.5 and 0.4."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame({"warm": rng.normal(size=rows), "gravel": rng.choice(["bare", "stones"], rows)})
    log_odds = 0.8 - 0.4 * frame["warm"] + 0.5 * (frame["gravel"] == "stones")
    for name, size, sd in list(zip(("site", "batch", "season"), (12, 7, 4), (0.6, 0.5, 0.4), strict=True))[
        :groups
    ]:
        frame[name] = rng.permutation(np.arange(rows) % size)
        log_odds = log_odds + rng.normal(0.0, sd, size)[frame[name]]
    if own_row:
        frame["tank"] = np.arange(rows)
        log_odds = log_odds + rng.normal(0.0, 0.4, rows)
    frame["eggs"] = rng.integers(20, 200, rows)
    frame["alive"] = rng.binomial(frame["eggs"], expit(log_odds))
    return frame


def dense_deviance(frame: pd.DataFrame, groups: list[str], log_sds: np.ndarray, beta: np.ndarray) -> float:
    """−2 Laplace log-likelihood with full matrices, straight from its definition."""
    matrix = np.column_stack([np.ones(len(frame)), frame["gravel"] == "stones", frame["warm"]]).astype(float)
    indicator = [np.eye(int(frame[name].max()) + 1)[frame[name]] for name in groups]
    sds = np.exp(log_sds)
    design = np.hstack([sd * part for sd, part in zip(sds, indicator, strict=True)])
    alive, eggs = frame["alive"].to_numpy(float), frame["eggs"].to_numpy(float)
    modes = np.zeros(design.shape[1])
    for _ in range(60):
        share = expit(matrix @ beta + design @ modes)
        hessian = design.T @ ((eggs * share * (1 - share))[:, None] * design) + np.eye(len(modes))
        step = np.linalg.solve(hessian, design.T @ (alive - eggs * share) - modes)
        modes = modes + step
        if step @ step < 1e-24:
            break
    log_odds = matrix @ beta + design @ modes
    kernel = alive @ log_odds - eggs @ np.logaddexp(0.0, log_odds)
    constant = np.sum(gammaln(eggs + 1) - gammaln(alive + 1) - gammaln(eggs - alive + 1))
    return float(-2.0 * (kernel + constant) + modes @ modes + np.linalg.slogdet(hessian)[1])


def laplace_of(frame: pd.DataFrame, groups: list[str]) -> Laplace:
    design = make_design(frame, "gravel + warm", "alive", "eggs", groups)
    return Laplace(design, range(len(groups)))


CASES = [
    (["site"], False),
    (["site", "batch"], False),
    (["season", "site", "batch"], False),
    (["batch", "tank"], True),
    (["site", "batch", "season", "tank"], True),
]


@pytest.mark.parametrize(("groups", "own_row"), CASES)
def test_value_equals_the_dense_definition(groups, own_row):
    frame = crossed(1, 3, own_row=own_row)
    log_sds, beta = np.log(np.linspace(0.3, 0.7, len(groups))), np.array([0.7, 0.4, -0.3])
    sparse = laplace_of(frame, groups).deviance(np.append(np.exp(2.0 * log_sds), beta))
    assert sparse == pytest.approx(dense_deviance(frame, groups, log_sds, beta), rel=EXACT)


@pytest.mark.parametrize(("groups", "own_row"), CASES)
def test_gradient_equals_finite_differences(groups, own_row):
    laplace = laplace_of(crossed(1, 3, own_row=own_row), groups)
    count = len(groups)
    values = np.concatenate([np.linspace(0.3, 0.7, count) ** 2, [0.7, 0.4, -0.3]])
    _, gradient = laplace.with_gradient(values)
    for index in range(len(values)):
        step = np.zeros(len(values))
        step[index] = 1e-4 * (2.0 * values[index] if index < count else 1.0)
        above, below = values + step, values - step
        slope = laplace.deviance(above) - laplace.deviance(below)
        assert gradient[index] * step[index] == pytest.approx(slope / 2.0, abs=1e-4 * GRADIENT)


def scattered(rows: int = 160) -> pd.DataFrame:
    """Many sites that see few of many batches, as in a long programme; the last site sees one batch only."""
    rng = np.random.default_rng(4)
    sizes = {"site": 80, "batch": 30, "season": 4}
    frame = pd.DataFrame({name: rng.permutation(np.arange(rows) % size) for name, size in sizes.items()})
    frame = pd.concat([frame, pd.DataFrame({"site": [80], "batch": [3], "season": [1]})], ignore_index=True)
    frame = frame.assign(tank=np.arange(len(frame)), warm=rng.normal(size=len(frame)), eggs=100)
    return frame.assign(alive=rng.integers(40, 90, len(frame)))


@pytest.mark.parametrize(("groups", "own_row"), CASES)
def test_elimination_solves_and_inverts_the_whole_system(groups, own_row):
    check_elimination(crossed(2, 3, own_row=own_row), groups)


@pytest.mark.parametrize(
    "groups", [["site", "batch"], ["batch", "site", "season"], ["season", "tank", "batch", "site"]]
)
def test_elimination_of_many_small_sites_solves_and_inverts_the_whole_system(groups):
    check_elimination(scattered(), groups)


def check_elimination(frame: pd.DataFrame, groups: list[str]) -> None:
    """Determinant, solution, diagonal and leverages against the whole matrix."""
    design = make_design(frame, "warm", "alive", "eggs", groups)
    layout = lay_out(design.groupings)
    rng = np.random.default_rng(5)
    sds, weight = rng.uniform(0.2, 1.0, len(groups)), rng.uniform(1.0, 9.0, len(frame))
    rows = np.hstack(
        [sd * np.eye(len(one.levels))[one.codes] for sd, one in zip(sds, design.groupings, strict=True)]
    )
    whole = rows.T @ (weight[:, None] * rows) + np.eye(rows.shape[1])
    positions = np.concatenate(layout.positions)  # from the order of the layout to that of the groups
    right = rng.normal(size=len(frame))
    factor = factorise(layout, sds, weight)
    assert factor.log_determinant == pytest.approx(np.linalg.slogdet(whole)[1], rel=EXACT)
    left = np.linalg.solve(np.eye(len(frame)) + weight[:, None] * (rows @ rows.T), right)
    assert solve(factor, right) == pytest.approx(left, abs=EXACT)
    diagonal, leverages = factor.inverse
    dense = np.linalg.inv(whole)
    assert diagonal[positions] == pytest.approx(np.diag(dense), abs=EXACT)
    assert leverages == pytest.approx(np.einsum("ij,jk,ik->i", rows, dense, rows), abs=EXACT)


@pytest.mark.parametrize("groups", [["site"], ["site", "batch"], ["site", "batch", "season"]])
def test_fit_equals_a_slow_dense_optimiser(groups):
    frame = crossed(3, 3)
    fit = fit_survival(frame, "gravel + warm", survived="alive", trials="eggs", groups=groups)
    count = len(groups)

    def objective(values: np.ndarray) -> float:
        return dense_deviance(frame, groups, values[:count], values[count:])

    start = np.concatenate([np.full(count, np.log(0.5)), [0.5, 0.5, -0.5]])
    slow = minimize(
        objective, start, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10, "maxfev": 8000}
    )
    slow = minimize(
        objective, slow.x, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10, "maxfev": 8000}
    )
    assert -2.0 * fit.log_likelihood <= slow.fun + 1e-6
    assert np.log(fit.group_sd.to_numpy()) == pytest.approx(slow.x[:count], abs=20 * AGREEMENT)
    assert fit.coefficients == pytest.approx(slow.x[count:], abs=AGREEMENT)


def test_standard_errors_are_the_observed_information_over_spreads_and_coefficients():
    frame, groups = crossed(3, 2), ["site", "batch"]
    fit = fit_survival(frame, "gravel + warm", survived="alive", trials="eggs", groups=groups)
    best = np.concatenate([np.log(fit.group_sd.to_numpy()), fit.coefficients])
    size, step = len(best), 2e-3
    hessian = np.empty((size, size))
    for row in range(size):
        for column in range(size):
            corners = 0.0
            for sign_row in (1, -1):
                for sign_column in (1, -1):
                    moved = best.copy()
                    moved[row] += sign_row * step
                    moved[column] += sign_column * step
                    corners += sign_row * sign_column * dense_deviance(frame, groups, moved[:2], moved[2:])
            hessian[row, column] = corners / (4 * step**2)
    errors = np.sqrt(np.diag(2.0 * np.linalg.inv(hessian)))[2:]
    assert fit.effects["std_error"].to_numpy() == pytest.approx(errors, rel=1e-3)


def test_quadrature_with_one_point_is_the_laplace_value():
    laplace = laplace_of(crossed(4, 1), ["site"])
    values = np.array([0.25, 0.7, 0.4, -0.3])
    one = Quadrature(laplace.design, 1).deviance(values)
    assert one == pytest.approx(laplace.deviance(values), rel=EXACT)


def test_order_of_rows_and_groups_does_not_matter():
    frame = crossed(6, 3)
    first = fit_survival(
        frame, "gravel + warm", survived="alive", trials="eggs", groups=["site", "batch", "season"]
    )
    mixed_up = frame.sample(frac=1.0, random_state=3)
    second = fit_survival(
        mixed_up, "gravel + warm", survived="alive", trials="eggs", groups=["season", "batch", "site"]
    )
    assert second.effects["estimate"].to_numpy() == pytest.approx(first.effects["estimate"].to_numpy(), abs=1e-6)
    assert second.group_sd[["site", "batch", "season"]].to_numpy() == pytest.approx(
        first.group_sd.to_numpy(), abs=1e-5
    )


def test_a_change_of_unit_changes_only_that_coefficient():
    frame = crossed(6, 2)
    plain = fit_survival(frame, "gravel + warm", survived="alive", trials="eggs", groups=["site", "batch"])
    other = fit_survival(
        frame.assign(warm=2020.0 + 50.0 * frame["warm"]),
        "gravel + warm",
        survived="alive",
        trials="eggs",
        groups=["site", "batch"],
    )
    assert 50.0 * other.effects.loc["warm", "estimate"] == pytest.approx(
        plain.effects.loc["warm", "estimate"], abs=1e-6
    )
    assert 50.0 * other.effects.loc["warm", "std_error"] == pytest.approx(
        plain.effects.loc["warm", "std_error"], rel=1e-4
    )
    assert other.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-6)


def test_a_spread_of_zero_is_found_and_said():
    rng = np.random.default_rng(8)
    frame = pd.DataFrame({"site": np.arange(60) % 10, "batch": np.arange(60) % 7, "eggs": 80})
    frame["alive"] = rng.binomial(80, expit(0.5 + rng.normal(0, 0.7, 7))[frame["batch"]])
    fit = fit_survival(frame, "1", survived="alive", trials="eggs", groups=["site", "batch"])
    alone = fit_survival(frame, "1", survived="alive", trials="eggs", groups=["batch"])
    assert fit.group_sd["site"] == 0.0
    assert fit.log_likelihood == pytest.approx(alone.log_likelihood, abs=1e-7)
    assert fit.effects["std_error"].to_numpy() == pytest.approx(alone.effects["std_error"].to_numpy(), rel=1e-6)
    assert (fit.group_effects("site")[["effect", "std_error"]] == 0).all(axis=None)
    assert any("spread between levels of site is zero" in note for note in fit.notes)


def test_no_spread_at_all_is_the_binomial_fit():
    frame = pd.DataFrame({"site": np.arange(24) % 6, "eggs": 100, "alive": [70, 71, 69, 70] * 6})
    fit = fit_survival(frame, "1", survived="alive", trials="eggs", groups="site")
    plain = fit_survival(frame, "1", survived="alive", trials="eggs", method="quasi_binomial")
    assert fit.group_sd["site"] == 0.0
    assert fit.coefficients == pytest.approx(plain.coefficients, abs=1e-8)
    assert fit.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-8)


def test_small_spreads_are_not_mistaken_for_zero():
    """Zero is a stationary point: the search must leave it when the likelihood rises from there."""
    rng = np.random.default_rng(11)
    site = np.arange(400) % 40
    share = expit(1.0 + rng.normal(0.0, 0.08, 40))[site]
    frame = pd.DataFrame({"site": site, "eggs": 400, "alive": rng.binomial(400, share)})
    fit = fit_survival(frame, "1", survived="alive", trials="eggs", groups="site")
    assert 0.04 < fit.group_sd["site"] < 0.12


def test_nested_groups():
    rng = np.random.default_rng(12)
    frame = pd.DataFrame({"region": np.arange(240) % 6})
    frame["site"] = frame["region"].astype(str) + "-" + (np.arange(240) // 6 % 8).astype(str)
    region = rng.normal(0.0, 0.6, 6)
    site = dict(zip(sorted(set(frame["site"])), rng.normal(0.0, 0.4, 48), strict=True))
    log_odds = 0.5 + region[frame["region"]] + frame["site"].map(site)
    frame["eggs"] = 150
    frame["alive"] = rng.binomial(150, expit(log_odds))
    fit = fit_survival(frame, "1", survived="alive", trials="eggs", groups=["region", "site"])
    assert 0.25 < fit.group_sd["region"] < 1.2
    assert fit.group_sd["site"] == pytest.approx(0.4, abs=0.12)


def test_modes_and_their_errors_come_from_the_penalised_hessian():
    frame, groups = crossed(3, 2), ["site", "batch"]
    fit = fit_survival(frame, "gravel + warm", survived="alive", trials="eggs", groups=groups)
    sds = fit.group_sd.to_numpy()
    rows = np.hstack([sd * np.eye(int(frame[g].max()) + 1)[frame[g]] for sd, g in zip(sds, groups, strict=True)])
    weight = frame["eggs"].to_numpy(float) * fit.fitted * (1 - fit.fitted)
    inverse = np.linalg.inv(rows.T @ (weight[:, None] * rows) + np.eye(rows.shape[1]))
    site = fit.group_effects("site")
    assert list(site.columns) == ["level", "effect", "std_error"]
    assert site["std_error"].to_numpy() == pytest.approx(sds[0] * np.sqrt(np.diag(inverse)[:12]), abs=1e-6)
    pull = rows.T @ (frame["alive"] - frame["eggs"] * fit.fitted).to_numpy(float)
    modes = np.concatenate(
        [fit.group_effects(g)["effect"].to_numpy() / sd for sd, g in zip(sds, groups, strict=True)]
    )
    assert pull == pytest.approx(modes, abs=1e-5)  # the modes' own equation
