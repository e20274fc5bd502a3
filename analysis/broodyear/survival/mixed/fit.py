"""A binomial mixed model's spreads and coefficients: the search of its likelihood in scaled coordinates, standard
errors, and what must be said of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy.linalg import block_diag

from broodyear.errors import Refused
from broodyear.notes import note
from broodyear.statistics.numbers import BoolArray, FloatArray
from broodyear.survival.design import Design
from broodyear.survival.marginal import dispersion_of, plain_fit
from broodyear.survival.mixed.laplace import LARGEST_SD, SMALLEST_SD, Laplace, OffZero, Quadrature, Restricted
from broodyear.survival.result import SurvivalFit

START_SD = 0.4
WIDE_SD = 6.0  # logits: a level one such spread from even lost or kept all but one fish in four hundred
LIMIT_TOLERANCE = 1e-6
ITERATIONS = 50
TOLERANCE = 1e-8  # slope per standard error
SAME_SCALE = 10.0  # a standard error that grew by less is still about one
NEAR = 1e-2  # slope per standard error from which steps that need no line search go on
TURNS = 3
LONGEST_TURN = 7.4  # times as large or small
LARGEST_START = 25.0  # of a variance
SMALLEST = 1e-6
LONGEST_MOVE = 2.0  # of a variance, in units of itself, for one standard error where it is hardly known
SETTLED = 1e-3  # slope of the likelihood per standard error


def fit_mixed(
    design: Design, *, quadrature_points: int = 1, small_sample: bool = False, spread_prior: bool = False
) -> SurvivalFit:
    """Maximum likelihood of a binomial model with normal random intercepts; options as of `fit_survival`.

    The maximum is over spreads and coefficients jointly; standard errors come from the second derivatives of
    −2 log-likelihood over both, degrees of freedom of a contrast after Satterthwaite. A spread of zero is reported
    only where the likelihood falls as soon as the variance leaves it.
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        try:
            found = _fit(design, quadrature_points, small_sample, OffZero if spread_prior else Restricted)
            return replace(found, quadrature_points=quadrature_points)
        except (FloatingPointError, np.linalg.LinAlgError) as error:
            raise Refused(note("survival", "unsettled_mixed", error=error)) from error


@dataclass(frozen=True, eq=False)
class _End:
    """Where the search of a likelihood ended: values (variances, then coefficients)."""

    likelihood: Laplace
    values: FloatArray

    @property
    def sds(self) -> dict[str, float]:
        """By name of grouping."""
        names = [self.likelihood.design.groupings[index].name for index in self.likelihood.kept]
        return dict(zip(names, map(float, self.likelihood.sds(self.values)), strict=True))

    @property
    def stays(self) -> BoolArray:
        """Whether each spread is more than zero."""
        return self.likelihood.sds(self.values) > self.likelihood.smallest_sd

    @property
    def unbounded(self) -> list[str]:
        """Groupings whose spread lies at the limit of the search."""
        return [name for name, sd in self.sds.items() if sd >= LARGEST_SD * (1.0 - LIMIT_TOLERANCE)]

    @cached_property
    def scale(self) -> FloatArray:
        """Moves of about one standard error each."""
        count, moves = self.likelihood.count, unit_moves(self.likelihood, self.values)
        moves[:count, :count] = np.minimum(moves[:count, :count], np.diag(LONGEST_MOVE * self.values[:count]))
        return moves

    @cached_property
    def curvature(self) -> FloatArray:
        return self.likelihood.hessian(self.values, self.scale)

    def is_maximum(self) -> bool:
        """Whether the likelihood falls in every direction; where a spread has no bound, bends at least."""
        slope = self.scale.T @ self.likelihood.with_gradient(self.values)[1]
        is_curved = np.isfinite(self.curvature).all() and np.linalg.eigvalsh(self.curvature)[0] > 0
        return bool(is_curved and (self.unbounded or np.abs(slope).max() <= SETTLED))


def _fit(design: Design, points: int, small_sample: bool, kind: type[Restricted]) -> SurvivalFit:
    notes: list[str] = []
    if small_sample:
        end, notes = _searched(design, kind)
        if end is None or (not end.unbounded and end.is_maximum()):
            return _assembled(design, end, notes, with_degrees=True)
        notes = [note("survival", "unrestricted")]
    end, further = _searched(design, Laplace, points)
    if end is not None and not end.is_maximum():
        raise Refused(note("survival", "flat"))
    for name in end.unbounded if end else []:
        raise Refused(note("survival", "unbounded", name=name))
    return _assembled(design, end, [*notes, *further], with_degrees=small_sample)


def _searched(design: Design, kind: type[Laplace], points: int = 1) -> tuple[_End | None, list[str]]:
    """A search from the binomial coefficients and middling spreads, and the sentences to it.

    Groupings whose spread ends below the smallest leave with a sentence; None when none is left. Restricted
    spreads are searched from the start: maximum likelihood takes many a spread for zero that the coefficients have
    used up, and t tests on what is left reject too often (9 % instead of 5 with 37 coefficients on 100 sites).
    """
    likelihood = kind(design, range(len(design.groupings)))
    coefficients, notes = plain_fit(design).coefficients, []
    values = approach(likelihood, np.concatenate([np.full(likelihood.count, START_SD**2), coefficients]))
    while True:
        end = search(likelihood, values)
        gone = [name for name, stays in zip(end.sds, end.stays, strict=True) if not stays]
        notes += [note("survival", "no_spread", name=name) for name in gone]
        if not end.stays.any():
            return None, notes
        if end.stays.all():
            return (search(Quadrature(design, points), end.values) if points > 1 else end), notes
        likelihood = kind(design, likelihood.kept[end.stays])
        values = end.values[[*end.stays, *([True] * len(coefficients))]]


def _assembled(design: Design, end: _End | None, notes: list[str], *, with_degrees: bool) -> SurvivalFit:
    """The fit at the end of a search, with degrees of freedom for t intervals or without; the plain binomial fit
    where no grouping has any spread."""
    frames = {
        one.name: pd.DataFrame({"level": list(one.levels), "effect": 0.0, "std_error": 0.0})
        for one in design.groupings
    }
    sds = dict.fromkeys(frames, 0.0)
    if end is None:
        return replace(plain_fit(design), notes=tuple(notes), sds=sds, modes=frames)
    likelihood, count, coefficients = end.likelihood, end.likelihood.count, end.values[end.likelihood.count :]
    # From second derivatives of −2 log-likelihood in units of the scale.
    joint = np.asarray(2.0 * end.scale @ np.linalg.inv(end.curvature) @ end.scale.T, dtype=float)
    mode = likelihood.mode(end.values)
    diagonal = mode.factor.inverse[0]
    effects, errors = mode.factor.scale * mode.effects, mode.factor.scale * np.sqrt(diagonal)
    for name, positions in zip(end.sds, likelihood.layout.positions, strict=True):
        frames[name] = frames[name].assign(effect=effects[positions], std_error=errors[positions])
    wide = [note("survival", "wide_spread", name=name, sd=sd) for name, sd in end.sds.items() if sd > WIDE_SD]
    return SurvivalFit(
        design=design,
        coefficients=coefficients,
        joint_covariance=joint,
        fitted=mode.probability,
        # Effective parameters are the coefficients, and what shrinkage leaves of the levels.
        dispersion=dispersion_of(design, mode.probability, len(coefficients) + float(np.sum(1.0 - diagonal))),
        log_likelihood=-0.5 * likelihood.deviance(end.values),
        notes=(*notes, *wide),
        sds=sds | end.sds,
        modes=frames,
        precision=replace(mode.precision, of_variances=joint[:count, :count]) if with_degrees else None,
    )


def approach(likelihood: Laplace, values: FloatArray) -> FloatArray:
    """Values nearer to the optimum, where a search of many rows has less to do.

    A few turns of penalised quasi-likelihood: a scoring step of the coefficients, then each variance as squared
    effects over the levels less what shrinkage leaves of them (Schall 1991, doi 10.1093/biomet/78.4.719).
    """
    count, layout, lowest = likelihood.count, likelihood.layout, likelihood.deviance(values)
    for _ in range(TURNS):
        mode, variances = likelihood.mode(values), values[:count]
        precision = mode.precision
        left = likelihood.design.residuals(mode.probability)
        step = precision.covariance @ (likelihood.matrix.T @ left)
        of_levels = layout.gather_to_levels(precision.through @ step)
        squares = layout.by_grouping((mode.effects - mode.factor.scale * of_levels) ** 2)
        levels = np.maximum(precision.levels_left(variances), SMALLEST)
        turned = variances * np.clip(squares / levels, 1.0 / LONGEST_TURN, LONGEST_TURN)
        moved = np.concatenate([np.clip(turned, likelihood.smallest_start, LARGEST_START), values[count:] + step])
        if not likelihood.deviance(moved) < lowest:  # all-or-nothing levels throw steps far
            break
        values, lowest = moved, likelihood.deviance(moved)
    return values


def unit_moves(likelihood: Laplace, values: FloatArray) -> FloatArray:
    """Moves of about one standard error each of −2 log-likelihood, as columns: of the variances, as if levels told
    of their own spread alone, and of the coefficients."""
    mode = likelihood.mode(values)
    levels = likelihood.layout.by_grouping((1.0 - mode.factor.inverse[0]) ** 2)
    root = np.linalg.cholesky(mode.precision.covariance) / np.sqrt(2.0)
    return np.asarray(
        block_diag(np.diag(values[: len(levels)] / np.sqrt(np.maximum(levels, 1e-12))), root), dtype=float
    )


def search(likelihood: Laplace, values: FloatArray) -> _End:
    """A minimum by a quasi-Newton search (L-BFGS-B), and from there where the slope is zero, unless a spread has
    no bound or is zero.

    Over a variance, unlike over its log or its root, zero is no stationary point: a search leaves it where the
    likelihood rises from there, and stays where it does not. It begins anew where a standard error has grown so
    much that the coordinates no longer fit.
    """
    from scipy.optimize import minimize

    count, moves = likelihood.count, unit_moves(likelihood, values)
    for _ in range(ITERATIONS):
        start, sizes = values, np.diag(moves)[:count]
        found = minimize(
            _over(likelihood, start, moves),
            np.zeros(len(values)),
            jac=True,
            method="L-BFGS-B",
            bounds=[
                *zip(*((limit**2 - start[:count]) / sizes for limit in (SMALLEST_SD, LARGEST_SD)), strict=True),
                *[(None, None)] * (len(values) - count),
            ],
            options={"maxiter": 400, "maxfun": 1000, "maxcor": 20, "ftol": 1e-13, "gtol": NEAR},
        )
        values = start + moves @ found.x
        moves = unit_moves(likelihood, values)
        if (np.diag(moves)[:count] < SAME_SCALE * sizes).all():
            break
    end = _End(likelihood, values)
    return end if end.unbounded or not end.stays.all() else _End(likelihood, _settled(likelihood, values, moves))


def _over(
    likelihood: Laplace, start: FloatArray, moves: FloatArray
) -> Callable[[FloatArray], tuple[float, FloatArray]]:
    """What is minimised with its gradient, over moves (columns) from a start."""

    def at(steps: FloatArray) -> tuple[float, FloatArray]:
        value, slope = likelihood.with_gradient(start + moves @ steps)
        return value, np.asarray(moves.T @ slope, dtype=float)

    return at


def _settled(likelihood: Laplace, values: FloatArray, moves: FloatArray) -> FloatArray:
    """Values where the gradient is zero, by steps that learn from each step (Broyden 1965, doi
    10.1090/S0025-5718-1965-0198670-6); they begin with the second derivatives that standard errors stand for."""
    from scipy.optimize import root

    def slope(steps: FloatArray) -> FloatArray:
        return _over(likelihood, values, moves)(steps)[1]

    options: Any = {"maxiter": ITERATIONS, "fatol": TOLERANCE, "line_search": None, "jac_options": {"alpha": -1.0}}
    try:
        found = root(slope, np.zeros(len(values)), method="broyden1", options=options)
    except np.linalg.LinAlgError:  # steps that lead nowhere
        return values
    return np.asarray(values + moves @ found.x, dtype=float)
