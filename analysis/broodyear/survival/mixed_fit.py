"""Outer maximisation of a binomial mixed model: standard deviations and coefficients together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from broodyear.errors import Refused
from broodyear.survival.arrays import FloatArray
from broodyear.survival.design import Design
from broodyear.survival.glm import plain_fit
from broodyear.survival.mixed_laplace import Mode, refuse_unsettled
from broodyear.survival.mixed_optimum import (
    LARGEST_SD,
    SMALLEST_SD,
    SUSPECT_SD,
    Optimum,
    laplace_for,
    objective_kept,
    polish,
    scaled_hessian,
    search,
)
from broodyear.survival.mixed_restricted import (
    Satterthwaite,
    adjusted,
    precision_at,
    restrict,
    restricted_hessian,
)
from broodyear.survival.mixed_system import invert

START_SD = 0.4
RESTART_SDS = (1.0, 0.1)
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

    @property
    def above_zero(self) -> tuple[int, ...]:
        """Places of the groupings whose spread is above zero, in the order of joint_covariance."""
        return tuple(int(place) for place in np.flatnonzero(self.sds > 0))


def fit_mixed(design: Design, *, quadrature_points: int = 1, small_sample: bool = False) -> Mixed:
    """Maximum likelihood of a binomial model with normal random intercepts.

    quadrature_points: 1 is the Laplace approximation, for any number of crossed or nested groupings; more
    is adaptive Gauss–Hermite quadrature (Pinheiro & Bates 1995, doi 10.1080/10618600.1995.10474663), for
    one grouping. small_sample: restricted spreads and t intervals, see mixed_restricted.py.
    The maximum is over spreads and coefficients jointly; standard errors come from the second derivatives of
    −2 log-likelihood over both (exact; under quadrature by differences of the gradient). A spread of zero is
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
    notes: list[str] = []
    if small_sample:
        found = _restricted(design, notes)
        if found is not None:
            return found
        notes[:] = ["Spreads are those of maximum likelihood: the restricted likelihood has no maximum here."]
    kept, optimum = _most_likely(design, notes)
    if not kept:
        return _all_zero(design, notes)
    if quadrature_points > 1:
        optimum = search(design, kept, optimum.log_sds, optimum.coefficients, quadrature_points)
    return _finish(design, kept, optimum, notes, quadrature_points, with_degrees=small_sample)


def _most_likely(design: Design, notes: list[str]) -> tuple[list[int], Optimum]:
    """Groupings with a spread and where maximum likelihood is near; notes gains a sentence for each without."""
    kept = list(range(len(design.groupings)))
    optimum = search(design, kept, np.full(len(kept), np.log(START_SD)), plain_fit(design).coefficients)
    while kept and np.exp(optimum.log_sds).min() < SUSPECT_SD:
        weakest = int(np.argmin(optimum.log_sds))
        optimum, is_zero = _without_or_inside(design, kept, optimum, weakest)
        if not is_zero:
            break
        notes.append(_zero_note(design.groupings[kept[weakest]].name))
        del kept[weakest]
    return kept, optimum


def _restricted(design: Design, notes: list[str]) -> Mixed | None:
    """Restricted spreads; None where the restricted likelihood has no maximum.

    Maximum likelihood takes many a spread for zero that the coefficients have used up, and t tests on what is left
    reject too often (9 % instead of 5 with 37 coefficients on 100 sites). So a spread is dropped only where the
    restricted likelihood is highest at zero, and a search that ends there starts once more from inside. Where
    every spread is well away from zero, maximum likelihood is near enough to start from, and cheaper to find.
    """
    kept = list(range(len(design.groupings)))
    start = search(design, kept, np.full(len(kept), np.log(START_SD)), plain_fit(design).coefficients)
    if start.log_sds.min() > np.log(SUSPECT_SD):
        found = _settled(design, kept, start, notes)
        if found is not None:
            return found
    log_sds, coefficients = np.maximum(start.log_sds, np.log(START_SD)), start.coefficients
    while kept:
        target = partial(adjusted, laplace_for(design, kept))
        optimum = search(design, kept, log_sds, coefficients, target=target)
        if optimum.log_sds.min() < np.log(ZERO_SD):
            inside = np.where(optimum.log_sds < np.log(ZERO_SD), np.log(RESTART_SDS[0]), optimum.log_sds)
            again = search(design, kept, inside, optimum.coefficients, target=target)
            optimum = again if again.deviance < optimum.deviance else optimum
        gone = [spot for spot, log_sd in enumerate(optimum.log_sds) if log_sd < np.log(ZERO_SD)]
        if not gone:
            return _settled(design, kept, optimum, notes)
        notes += [_zero_note(design.groupings[kept[spot]].name) for spot in gone]
        kept = [place for spot, place in enumerate(kept) if spot not in gone]
        log_sds, coefficients = np.delete(optimum.log_sds, gone), optimum.coefficients
    return _all_zero(design, notes)


def _settled(design: Design, kept: list[int], optimum: Optimum, notes: list[str]) -> Mixed | None:
    """The fit where the adjusted likelihood has its maximum near an optimum; None where it has none."""
    laplace, count = laplace_for(design, kept), len(kept)
    near = np.concatenate([optimum.log_sds, optimum.coefficients])
    first = scaled_hessian(laplace, near, optimum.scale, count)
    first = first if _is_curved(first) else restricted_hessian(laplace, near, optimum.scale)
    if not _is_curved(first) or _unbounded(near[:count]) is not None:
        return None
    values = restrict(laplace, near, optimum.scale, first)
    hessian = restricted_hessian(laplace, values, optimum.scale)
    if not _is_curved(hessian) or _unbounded(values[:count]) is not None:
        return None
    _, slope = adjusted(laplace, values[:count], values[count:])
    if np.abs(optimum.scale.T @ slope).max() > SETTLED:
        return None
    deviance, _ = laplace.with_gradient(values[:count], values[count:])
    return _assembled(design, kept, values, deviance, optimum.scale, hessian, notes, with_degrees=True)


def _zero_note(name: str) -> str:
    return (
        f"The best estimate of the spread between levels of {name} is zero: the rows show no more variation"
        f" between them than the rest of the model already explains, so {name} changes nothing here."
    )


def _without_or_inside(design: Design, kept: list[int], optimum: Optimum, weakest: int) -> tuple[Optimum, bool]:
    """Decide whether a small spread is zero: (best optimum, whether the grouping is dropped)."""
    inside = optimum
    for sd in RESTART_SDS:
        log_sds = optimum.log_sds.copy()
        log_sds[weakest] = np.log(sd)
        found = search(design, kept, log_sds, optimum.coefficients, leave=weakest)
        inside = found if found.deviance < inside.deviance else inside
    without = [place for spot, place in enumerate(kept) if spot != weakest]
    if without:
        dropped = search(design, without, np.delete(inside.log_sds, weakest), inside.coefficients)
        zero_deviance = dropped.deviance
    else:
        plain = plain_fit(design)
        dropped = Optimum(
            np.empty(0), plain.coefficients, -2.0 * plain.log_likelihood, np.empty((0, 0)), np.empty((0, 0))
        )
        zero_deviance = dropped.deviance
    if zero_deviance > inside.deviance + 1e-7 or _falls_at_zero(design, kept, without, dropped, weakest):
        return inside, False
    return dropped, True


def _falls_at_zero(
    design: Design, kept: Sequence[int], without: Sequence[int], dropped: Optimum, weakest: int
) -> bool:
    """Whether the deviance falls as the variance leaves zero, the other parameters at their best."""
    log_sds = np.insert(dropped.log_sds, weakest, np.log(SMALLEST_SD))
    objective = objective_kept(design, kept, 1)
    _, gradient = objective.with_gradient(log_sds, dropped.coefficients)
    return bool(gradient[weakest] / (2.0 * SMALLEST_SD**2) < -1e-3)


def _finish(
    design: Design, kept: Sequence[int], optimum: Optimum, notes: list[str], points: int, *, with_degrees: bool
) -> Mixed:
    objective, count = objective_kept(design, kept, points), len(kept)
    values = np.concatenate([optimum.log_sds, optimum.coefficients])
    values, deviance, hessian = polish(objective, optimum, values, count)
    if not _is_curved(hessian):
        raise Refused(
            "The mixed model reached no proper maximum: its likelihood is flat in some direction. Take a"
            " group or a term out, or merge sparse levels."
        )
    _require_bounded(design, kept, values)
    return _assembled(design, kept, values, deviance, optimum.scale, hessian, notes, with_degrees=with_degrees)


def _assembled(
    design: Design,
    kept: Sequence[int],
    values: FloatArray,
    deviance: float,
    scale: FloatArray,
    hessian: FloatArray,
    notes: list[str],
    *,
    with_degrees: bool,
) -> Mixed:
    """The fit at (log sds, coefficients); hessian: in units of the scale; with_degrees: for t intervals."""
    laplace, count = laplace_for(design, kept), len(kept)
    notes += _wide_notes(design, kept, values[:count])
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


def _require_bounded(design: Design, kept: Sequence[int], values: FloatArray) -> None:
    spot = _unbounded(values[: len(kept)])
    if spot is not None:
        raise Refused(
            f"The spread between levels of {design.groupings[kept[spot]].name} grows without bound: nearly all"
            " of its levels lost or kept every egg. Take that group out, or report the counts as they are."
        )


def _unbounded(log_sds: FloatArray) -> int | None:
    """Place of the first spread at the limit of the search, None when all lie inside it."""
    at_limit = np.flatnonzero(log_sds >= np.log(LARGEST_SD) - LIMIT_TOLERANCE)
    return int(at_limit[0]) if at_limit.size else None


def _wide_notes(design: Design, kept: Sequence[int], log_sds: FloatArray) -> list[str]:
    """A sentence for every spread so wide that hardly any level has a rate between none and all."""
    return [
        f"The spread between levels of {design.groupings[place].name} comes out at {np.exp(log_sd):.0f} logits:"
        " nearly all of its levels lost or kept every egg, so its size rests on few rows, and odds ratios with it."
        " Read the percentages, or take that group out."
        for place, log_sd in zip(kept, log_sds, strict=True)
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
