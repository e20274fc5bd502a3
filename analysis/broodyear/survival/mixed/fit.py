"""Outer maximisation of a binomial mixed model: standard deviations and coefficients together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray
from broodyear.survival.design.matrix import Design
from broodyear.survival.methods.binomial import plain_fit
from broodyear.survival.mixed.laplace import Laplace, Mode, laplace_for, refuse_unsettled
from broodyear.survival.mixed.optimum import (
    LARGEST_SD,
    SMALLEST_SD,
    Optimum,
    Target,
    scaled_hessian,
    search,
    settle,
)
from broodyear.survival.mixed.quadrature import Quadrature
from broodyear.survival.mixed.restricted import Satterthwaite, adjusted, precision_at, restricted_hessian
from broodyear.survival.mixed.system import invert

START_SD = 0.4
RESTART_SDS = (1.0, 0.1)
SUSPECT_SD = 0.05  # below this a spread is tested for being zero
WIDE_SD = 6.0  # logits: a level one such spread from even lost or kept all but one fish in four hundred
LIMIT_TOLERANCE = 1e-6
SETTLED = 1e-3  # slope of the adjusted likelihood per standard error
ZERO_SD = 0.02  # logits: a restricted spread below it adds nothing to any error


@dataclass(frozen=True, eq=False)
class Mixed:
    """A fitted binomial mixed model.

    coefficients, covariance: fixed effects, shape (terms,) and (terms, terms).
    sds: logit standard deviation per grouping, 0.0 where the best fit has none.
    joint_covariance: of (log sds of the groupings above zero, coefficients), from the observed information.
    log_likelihood: binomial coefficients included. effects, effect_std_errors: conditional modes on the
    logit scale and their standard errors given the coefficients and spreads, one array per grouping.
    fitted: survival per row at the modes. effective_parameters: coefficients plus the trace of shrinkage.
    satterthwaite: degrees of freedom of contrasts, for small-sample fits only.
    """

    coefficients: FloatArray
    covariance: FloatArray
    sds: FloatArray
    joint_covariance: FloatArray
    log_likelihood: float
    effects: tuple[FloatArray, ...]
    effect_std_errors: tuple[FloatArray, ...]
    fitted: FloatArray
    effective_parameters: float
    notes: tuple[str, ...]
    satterthwaite: Satterthwaite | None = None


def fit_mixed(design: Design, *, quadrature_points: int = 1, small_sample: bool = False) -> Mixed:
    """Maximum likelihood of a binomial model with normal random intercepts.

    quadrature_points: 1 is the Laplace approximation, for any number of crossed or nested groupings; more
    is adaptive Gauss–Hermite quadrature (Pinheiro & Bates 1995, doi 10.1080/10618600.1995.10474663), for
    one grouping. small_sample: restricted spreads and t intervals, see mixed_restricted.py.
    The maximum is over spreads and coefficients jointly; standard errors come from the second derivatives of
    −2 log-likelihood over both. A spread of zero is
    a stationary point of this likelihood, so every search starts from inside, and a zero is reported only
    where the likelihood falls as soon as the variance leaves it.
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        try:
            return _fit(design, quadrature_points, small_sample)
        except FloatingPointError as error:
            raise refuse_unsettled(error) from error


def _fit(design: Design, quadrature_points: int, small_sample: bool) -> Mixed:
    if small_sample:
        found = _restricted(design)
        if found is not None:
            return found
    note = "Spreads are those of maximum likelihood: the restricted likelihood has no maximum here."
    return _most_likely(design, [note] if small_sample else [], quadrature_points, with_degrees=small_sample)


@dataclass(frozen=True, eq=False)
class _Part:
    """The likelihood with only some of a design's groupings (their places), and where its search ended."""

    design: Design
    kept: tuple[int, ...]
    laplace: Laplace
    optimum: Optimum

    @property
    def names(self) -> list[str]:
        return [self.design.groupings[place].name for place in self.kept]


def _searched(
    design: Design, kept: Sequence[int], log_sds: FloatArray, coefficients: FloatArray, *, restricted: bool = False
) -> _Part:
    laplace = laplace_for(design, kept)
    target: Target = partial(adjusted, laplace) if restricted else laplace.with_gradient
    return _Part(design, tuple(kept), laplace, search(laplace, log_sds, coefficients, target))


def _from_the_start(design: Design) -> _Part:
    """Maximum likelihood with every grouping, from the binomial coefficients and middling spreads."""
    size = len(design.groupings)
    return _searched(design, range(size), np.full(size, np.log(START_SD)), plain_fit(design).coefficients)


def _most_likely(design: Design, notes: list[str], points: int, *, with_degrees: bool) -> Mixed:
    """The fit of maximum likelihood; a grouping whose spread is zero leaves it with a sentence."""
    part = _from_the_start(design)
    while np.exp(part.optimum.log_sds).min() < SUSPECT_SD:
        weakest = int(np.argmin(part.optimum.log_sds))
        inside, without = _inside(part, weakest), tuple(np.delete(part.kept, weakest))
        if not without:
            plain = plain_fit(design)
            if -2.0 * plain.log_likelihood > inside.deviance + 1e-7 or _falls_at_zero(
                part, np.empty(0), plain.coefficients, weakest
            ):
                part = replace(part, optimum=inside)
                break
            return _all_zero(design, [*notes, _zero_note(part.names[weakest])])
        dropped = _searched(design, without, np.delete(inside.log_sds, weakest), inside.coefficients)
        found = dropped.optimum
        if found.deviance > inside.deviance + 1e-7 or _falls_at_zero(
            part, found.log_sds, found.coefficients, weakest
        ):
            part = replace(part, optimum=inside)
            break
        notes.append(_zero_note(part.names[weakest]))
        part = dropped
    return _finish(part, notes, points, with_degrees=with_degrees)


def _restricted(design: Design) -> Mixed | None:
    """Restricted spreads; None where the restricted likelihood has no maximum.

    Maximum likelihood takes many a spread for zero that the coefficients have used up, and t tests on what is left
    reject too often (9 % instead of 5 with 37 coefficients on 100 sites). So a spread is dropped only where the
    restricted likelihood is highest at zero, and a search that ends there starts once more from inside. Where
    every spread is well away from zero, maximum likelihood is near enough to start from, and cheaper to find.
    """
    notes: list[str] = []
    part = _from_the_start(design)
    start, kept = part.optimum, part.kept
    if start.log_sds.min() > np.log(SUSPECT_SD):
        found = _settled(part, notes)
        if found is not None:
            return found
    log_sds, coefficients = np.maximum(start.log_sds, np.log(START_SD)), start.coefficients
    while kept:
        part = _searched(design, kept, log_sds, coefficients, restricted=True)
        optimum = part.optimum
        if optimum.log_sds.min() < np.log(ZERO_SD):
            inside = np.where(optimum.log_sds < np.log(ZERO_SD), np.log(RESTART_SDS[0]), optimum.log_sds)
            again = search(part.laplace, inside, optimum.coefficients, partial(adjusted, part.laplace))
            optimum = again if again.deviance < optimum.deviance else optimum
        gone = [spot for spot, log_sd in enumerate(optimum.log_sds) if log_sd < np.log(ZERO_SD)]
        if not gone:
            return _settled(replace(part, optimum=optimum), notes)
        notes += [_zero_note(part.names[spot]) for spot in gone]
        kept = tuple(np.delete(kept, gone))
        log_sds, coefficients = np.delete(optimum.log_sds, gone), optimum.coefficients
    return _all_zero(design, notes)


def _settled(part: _Part, notes: list[str]) -> Mixed | None:
    """The fit where the adjusted likelihood has its maximum near an optimum; None where it has none."""
    laplace, optimum, count = part.laplace, part.optimum, len(part.kept)
    if _unbounded(optimum.log_sds) is not None:
        return None
    values = settle(optimum, partial(adjusted, laplace))
    hessian = restricted_hessian(laplace, values, optimum.scale)
    if not _is_curved(hessian) or _unbounded(values[:count]) is not None:
        return None
    _, slope = adjusted(laplace, values[:count], values[count:])
    if np.abs(optimum.scale.T @ slope).max() > SETTLED:
        return None
    return _assembled(part, values, laplace.deviance(values[:count], values[count:]), hessian, notes, True)


def _zero_note(name: str) -> str:
    return (
        f"The best estimate of the spread between levels of {name} is zero: the rows show no more variation"
        f" between them than the rest of the model already explains, so {name} changes nothing here."
    )


def _inside(part: _Part, weakest: int) -> Optimum:
    """The best optimum with a small spread started anew from inside."""
    best = part.optimum
    for sd in RESTART_SDS:
        log_sds = part.optimum.log_sds.copy()
        log_sds[weakest] = np.log(sd)
        found = search(part.laplace, log_sds, part.optimum.coefficients, part.laplace.with_gradient)
        best = found if found.deviance < best.deviance else best
    return best


def _falls_at_zero(part: _Part, log_sds: FloatArray, coefficients: FloatArray, weakest: int) -> bool:
    """Whether the deviance falls as a variance leaves zero, the other parameters at their best."""
    with_it = np.insert(log_sds, weakest, np.log(SMALLEST_SD))
    _, gradient = part.laplace.with_gradient(with_it, coefficients)
    return bool(gradient[weakest] / (2.0 * SMALLEST_SD**2) < -1e-3)


def _finish(part: _Part, notes: list[str], points: int, *, with_degrees: bool) -> Mixed:
    laplace, optimum, count = part.laplace, part.optimum, len(part.kept)
    target = laplace.with_gradient
    if points > 1:
        target = Quadrature(laplace, points).with_gradient
        optimum = search(laplace, optimum.log_sds, optimum.coefficients, target)
    values = optimum.values if _unbounded(optimum.log_sds) is not None else settle(optimum, target)
    deviance, _ = target(values[:count], values[count:])
    hessian = scaled_hessian(target, values, optimum.scale, count)
    if not _is_curved(hessian):
        raise Refused(
            "The mixed model reached no proper maximum: its likelihood is flat in some direction. Take a"
            " group or a term out, or merge sparse levels."
        )
    spot = _unbounded(values[:count])
    if spot is not None:
        raise Refused(
            f"The spread between levels of {part.names[spot]} grows without bound: nearly all"
            " of its levels lost or kept every egg. Take that group out, or report the counts as they are."
        )
    return _assembled(replace(part, optimum=optimum), values, deviance, hessian, notes, with_degrees)


def _assembled(
    part: _Part, values: FloatArray, deviance: float, hessian: FloatArray, notes: list[str], with_degrees: bool
) -> Mixed:
    """The fit at (log sds, coefficients); hessian: in units of the scale; with_degrees: for t intervals."""
    design, laplace, scale, count = part.design, part.laplace, part.optimum.scale, len(part.kept)
    kept, notes = part.kept, [*notes, *_wide_notes(part.names, values[:count])]
    joint = 2.0 * scale @ np.linalg.inv(hessian) @ scale.T
    log_sds, coefficients = values[:count], values[count:]
    sds = np.zeros(len(design.groupings))
    sds[list(kept)] = np.exp(log_sds)
    mode = laplace.mode(np.exp(log_sds), coefficients)
    effects, errors, shrinkage = _modes(design, kept, np.exp(log_sds), mode)
    precision = precision_at(laplace, log_sds, coefficients) if with_degrees else None
    return Mixed(
        coefficients=coefficients,
        covariance=joint[count:, count:],
        sds=sds,
        joint_covariance=joint,
        log_likelihood=-0.5 * deviance,
        effects=effects,
        effect_std_errors=errors,
        fitted=mode.share,
        effective_parameters=design.matrix.shape[1] + shrinkage,
        notes=tuple(notes),
        satterthwaite=Satterthwaite(precision, joint[:count, :count]) if precision else None,
    )


def _unbounded(log_sds: FloatArray) -> int | None:
    """Place of the first spread at the limit of the search, None when all lie inside it."""
    at_limit = np.flatnonzero(log_sds >= np.log(LARGEST_SD) - LIMIT_TOLERANCE)
    return int(at_limit[0]) if at_limit.size else None


def _wide_notes(names: list[str], log_sds: FloatArray) -> list[str]:
    """A sentence for every spread so wide that hardly any level has a rate between none and all."""
    return [
        f"The spread between levels of {name} comes out at {np.exp(log_sd):.0f} logits:"
        " nearly all of its levels lost or kept every egg, so its size rests on few rows, and odds ratios with it."
        " Read the percentages, or take that group out."
        for name, log_sd in zip(names, log_sds, strict=True)
        if log_sd > np.log(WIDE_SD)
    ]


def _is_curved(hessian: FloatArray) -> bool:
    return bool(np.isfinite(hessian).all() and np.linalg.eigvalsh(hessian)[0] > 0)


def _modes(
    design: Design, kept: Sequence[int], sds: FloatArray, mode: Mode
) -> tuple[tuple[FloatArray, ...], tuple[FloatArray, ...], float]:
    """Conditional modes and standard errors per grouping, and the trace of the shrinkage."""
    inverse = invert(mode.factor)
    effects = [np.zeros(len(grouping.levels)) for grouping in design.groupings]
    errors = [np.zeros(len(grouping.levels)) for grouping in design.groupings]
    shrinkage = 0.0
    for spot, place in enumerate(kept):
        effects[place] = sds[spot] * mode.effects[spot]
        errors[place] = sds[spot] * np.sqrt(inverse.diagonals[spot])
        shrinkage += float(np.sum(1.0 - inverse.diagonals[spot]))
    return tuple(effects), tuple(errors), shrinkage


def _all_zero(design: Design, notes: list[str]) -> Mixed:
    """No grouping has any spread: the plain binomial fit."""
    plain = plain_fit(design)
    blank = tuple(np.zeros(len(grouping.levels)) for grouping in design.groupings)
    return Mixed(
        coefficients=plain.coefficients,
        covariance=plain.covariance,
        sds=np.zeros(len(design.groupings)),
        joint_covariance=plain.covariance,
        log_likelihood=plain.log_likelihood,
        effects=blank,
        effect_std_errors=blank,
        fitted=1.0 / (1.0 + np.exp(-design.matrix @ plain.coefficients)),
        effective_parameters=float(design.matrix.shape[1]),
        notes=tuple(notes),
    )
