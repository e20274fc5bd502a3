"""Outer maximisation of a binomial mixed model: standard deviations and coefficients together."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd
from scipy.linalg import block_diag

from broodyear.errors import Refused
from broodyear.statistics.numbers import BoolArray, FloatArray, IntArray, expit
from broodyear.survival.design.matrix import Design
from broodyear.survival.methods.answer import Answer
from broodyear.survival.methods.binomial import plain_fit
from broodyear.survival.mixed.laplace import Laplace, laplace_for, refuse_unsettled
from broodyear.survival.mixed.optimum import (
    LARGEST_SD,
    SMALLEST_SD,
    Target,
    laplace_hessian,
    scaled_hessian,
    search,
    settle,
    standard_errors,
)
from broodyear.survival.mixed.quadrature import Quadrature
from broodyear.survival.mixed.restricted import Precision, adjusted, approach, precision_at, restricted_hessian
from broodyear.survival.mixed.system import invert

START_SD = 0.4
WIDE_SD = 6.0  # logits: a level one such spread from even lost or kept all but one fish in four hundred
LIMIT_TOLERANCE = 1e-6
SETTLED = 1e-3  # slope of the likelihood per standard error
ZERO_SD = 0.02  # logits: a restricted spread below it adds nothing to any error
LONGEST_LOG_SD = 1.0  # most that the log of a spread moves for one standard error, where it is hardly known


@dataclass(frozen=True, eq=False, kw_only=True)
class Mixed(Answer):
    """A fitted binomial mixed model.

    sds: logit standard deviation per grouping, 0.0 where the best fit has none. modes: grouping -> level, effect
    and std_error: conditional modes on the logit scale and their errors given the coefficients and spreads.
    joint_covariance: of (log sds of the groupings above zero, coefficients), from the observed information.
    fitted: survival per row at the modes. precision: of the coefficients, for the degrees of freedom of contrasts;
    small-sample fits only.
    """

    sds: FloatArray
    modes: dict[str, pd.DataFrame]
    joint_covariance: FloatArray
    fitted: FloatArray
    precision: Precision | None = None


def fit_mixed(design: Design, *, quadrature_points: int = 1, small_sample: bool = False) -> Mixed:
    """Maximum likelihood of a binomial model with normal random intercepts.

    quadrature_points: 1 is the Laplace approximation, for any number of crossed or nested groupings; more
    is adaptive Gauss–Hermite quadrature (Pinheiro & Bates 1995, doi 10.1080/10618600.1995.10474663), for
    one grouping. small_sample: restricted spreads and t intervals, see mixed_restricted.py.
    The maximum is over spreads and coefficients jointly; standard errors come from the second derivatives of
    −2 log-likelihood over both. A spread of zero is reported only where the likelihood falls as soon as the
    variance leaves it.
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        try:
            return _fit(design, quadrature_points, small_sample)
        except FloatingPointError as error:
            raise refuse_unsettled(error) from error


def _fit(design: Design, quadrature_points: int, small_sample: bool) -> Mixed:
    if not small_sample:
        return _most_likely(design, [], quadrature_points)
    part, notes = _searched(design, lambda laplace: partial(adjusted, laplace), ZERO_SD)
    found = _restricted(part, notes) if part else _all_zero(design, notes)
    if found is not None:
        return found
    note = "Spreads are those of maximum likelihood: the restricted likelihood has no maximum here."
    return _most_likely(design, [note], quadrature_points, with_degrees=True)


@dataclass(frozen=True, eq=False)
class _Part:
    """A likelihood with only some of a design's groupings (their places), and where its search ended."""

    design: Design
    kept: IntArray
    laplace: Laplace
    target: Target
    log_sds: FloatArray
    coefficients: FloatArray

    @property
    def names(self) -> list[str]:
        return [self.design.groupings[place].name for place in self.kept]


def _searched(
    design: Design, target_of: Callable[[Laplace], Target], smallest_sd: float
) -> tuple[_Part | None, list[str]]:
    """A search from the binomial coefficients and middling spreads, and the sentences to it.

    Groupings whose spread ends below the smallest leave with a sentence; None when none is left. Restricted
    spreads are searched from the start: maximum likelihood takes many a spread for zero that the coefficients have
    used up, and t tests on what is left reject too often (9 % instead of 5 with 37 coefficients on 100 sites).
    """
    kept = np.arange(len(design.groupings), dtype=np.int64)
    log_sds, coefficients = np.full(len(kept), np.log(START_SD)), plain_fit(design).coefficients
    log_sds, coefficients = approach(laplace_for(design, kept), log_sds, coefficients)
    notes: list[str] = []
    while kept.size:
        laplace = laplace_for(design, kept)
        target = target_of(laplace)
        log_sds, coefficients = search(laplace, log_sds, coefficients, target)
        part = _Part(design, kept, laplace, target, log_sds, coefficients)
        stays = log_sds > np.log(smallest_sd)
        if stays.all():
            return part, notes
        notes += [_zero_note(name) for name, stayed in zip(part.names, stays, strict=True) if not stayed]
        kept, log_sds = kept[stays], log_sds[stays]
    return None, notes


def _restricted(part: _Part, notes: list[str]) -> Mixed | None:
    """The fit where the adjusted likelihood has its maximum near an optimum; None where it has none."""
    laplace = part.laplace
    if _unbounded(part.log_sds).any():
        return None
    log_sds, coefficients = settle(laplace, part.log_sds, part.coefficients, part.target)
    scale = _scale(laplace, log_sds, coefficients)
    hessian = restricted_hessian(laplace, np.concatenate([log_sds, coefficients]), scale)
    _, slope = part.target(log_sds, coefficients)
    if not _is_curved(hessian) or _unbounded(log_sds).any() or np.abs(scale.T @ slope).max() > SETTLED:
        return None
    deviance = laplace.deviance(log_sds, coefficients)
    return _assembled(part, log_sds, coefficients, deviance, _covariance(hessian, scale), notes, with_degrees=True)


def _most_likely(design: Design, notes: list[str], points: int, *, with_degrees: bool = False) -> Mixed:
    """The fit of maximum likelihood."""
    part, said = _searched(design, lambda laplace: laplace.with_gradient, SMALLEST_SD * (1.0 + LIMIT_TOLERANCE))
    if part is None:
        return _all_zero(design, [*notes, *said])
    laplace, target, log_sds, coefficients = part.laplace, part.target, part.log_sds, part.coefficients
    second_derivatives = partial(laplace_hessian, laplace)
    if points > 1:
        target = Quadrature(laplace, points).with_gradient
        second_derivatives = partial(scaled_hessian, target)
        log_sds, coefficients = search(laplace, log_sds, coefficients, target)
    unbounded = _unbounded(log_sds)
    if not unbounded.any():
        log_sds, coefficients = settle(laplace, log_sds, coefficients, target)
    scale = _scale(laplace, log_sds, coefficients)
    hessian = second_derivatives(np.concatenate([log_sds, coefficients]), scale, len(log_sds))
    deviance, slope = target(log_sds, coefficients)
    settled = unbounded.any() or np.abs(scale.T @ slope).max() <= SETTLED
    if not _is_curved(hessian) or not settled:
        raise Refused(
            "The mixed model reached no proper maximum: its likelihood is flat in some direction. Take a"
            " group or a term out, or merge sparse levels."
        )
    for name in np.array(part.names)[_unbounded(log_sds)]:
        raise Refused(
            f"The spread between levels of {name} grows without bound: nearly all"
            " of its levels lost or kept every egg. Take that group out, or report the counts as they are."
        )
    joint = _covariance(hessian, scale)
    return _assembled(part, log_sds, coefficients, deviance, joint, [*notes, *said], with_degrees=with_degrees)


def _scale(laplace: Laplace, log_sds: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Matrix whose columns are moves of (log sds, coefficients) of about one standard error each."""
    log_sd_errors, root = standard_errors(laplace, log_sds, coefficients)
    return np.asarray(block_diag(np.diag(np.minimum(log_sd_errors, LONGEST_LOG_SD)), root), dtype=float)


def _covariance(hessian: FloatArray, scale: FloatArray) -> FloatArray:
    """From second derivatives of −2 log-likelihood in units of the scale."""
    return np.asarray(2.0 * scale @ np.linalg.inv(hessian) @ scale.T, dtype=float)


def _unbounded(log_sds: FloatArray) -> BoolArray:
    """Which spreads lie at the limit of the search."""
    return np.asarray(log_sds >= np.log(LARGEST_SD) - LIMIT_TOLERANCE, dtype=bool)


def _zero_note(name: str) -> str:
    return (
        f"The best estimate of the spread between levels of {name} is zero: the rows show no more variation"
        f" between them than the rest of the model already explains, so {name} changes nothing here."
    )


def _assembled(
    part: _Part,
    log_sds: FloatArray,
    coefficients: FloatArray,
    deviance: float,
    joint: FloatArray,
    notes: list[str],
    *,
    with_degrees: bool,
) -> Mixed:
    """The fit at (log sds, coefficients); joint: their covariance; with_degrees: for t intervals."""
    design, laplace, count = part.design, part.laplace, len(part.kept)
    sds = np.zeros(len(design.groupings))
    sds[part.kept] = np.exp(log_sds)
    mode = laplace.mode(np.exp(log_sds), coefficients)
    scale, diagonal = mode.factor.scale, invert(mode.factor).diagonal
    spots = dict(zip(part.kept, laplace.layout.spots, strict=True))
    precision = precision_at(laplace, log_sds, coefficients) if with_degrees else None
    return Mixed(
        coefficients=coefficients,
        covariance=joint[count:, count:],
        dispersion=_dispersion(design, mode.share, len(coefficients) + float(np.sum(1.0 - diagonal))),
        log_likelihood=-0.5 * deviance,
        notes=(*notes, *_wide_notes(part.names, log_sds)),
        sds=sds,
        modes=_modes(design, scale * mode.effects, scale * np.sqrt(diagonal), spots),
        joint_covariance=joint,
        fitted=mode.share,
        precision=replace(precision, log_sd_covariance=joint[:count, :count]) if precision else None,
    )


def _dispersion(design: Design, share: FloatArray, parameters: float) -> float:
    """Pearson's statistic at these shares over rows less effective parameters: coefficients, and what shrinkage
    leaves of the levels."""
    survived, trials = design.rows.survived, design.rows.trials
    variance = np.maximum(trials * share * (1.0 - share), 1e-300)
    spare = design.rows.used - parameters
    return float(np.sum((survived - trials * share) ** 2 / variance)) / spare if spare > 0 else np.nan


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
    design: Design, effects: FloatArray, errors: FloatArray, spots: Mapping[int, IntArray]
) -> dict[str, pd.DataFrame]:
    """`Mixed.modes`, zero for the levels of groupings without spots."""
    frames = {}
    for place, grouping in enumerate(design.groupings):
        frame = pd.DataFrame({"level": list(grouping.levels), "effect": 0.0, "std_error": 0.0})
        if place in spots:
            frame = frame.assign(effect=effects[spots[place]], std_error=errors[spots[place]])
        frames[grouping.name] = frame
    return frames


def _all_zero(design: Design, notes: list[str]) -> Mixed:
    """No grouping has any spread: the plain binomial fit."""
    plain = plain_fit(design)
    share = expit(design.matrix @ plain.coefficients)
    return Mixed(
        coefficients=plain.coefficients,
        covariance=plain.covariance,
        dispersion=_dispersion(design, share, len(plain.coefficients)),
        log_likelihood=plain.log_likelihood,
        notes=tuple(notes),
        sds=np.zeros(len(design.groupings)),
        modes=_modes(design, np.empty(0), np.empty(0), {}),
        joint_covariance=plain.covariance,
        fitted=share,
    )
