"""Outer maximisation of a binomial mixed model: standard deviations and coefficients together."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
import pandas as pd
from scipy.linalg import block_diag

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray, IntArray, expit
from broodyear.survival.design.matrix import Design
from broodyear.survival.methods.binomial import Answer, plain_fit
from broodyear.survival.mixed.laplace import Laplace, Quadrature, laplace_for
from broodyear.survival.mixed.optimum import (
    LARGEST_SD,
    SMALLEST_SD,
    Target,
    adjusted,
    approach,
    laplace_hessian,
    precision_at,
    restricted_hessian,
    scaled_hessian,
    search,
    settle,
    standard_errors,
)
from broodyear.survival.mixed.system import invert

START_SD = 0.4
WIDE_SD = 6.0  # logits: a level one such spread from even lost or kept all but one fish in four hundred
LIMIT_TOLERANCE = 1e-6
SETTLED = 1e-3  # slope of the likelihood per standard error
ZERO_SD = 0.02  # logits: a restricted spread below it adds nothing to any error
LONGEST_LOG_SD = 1.0  # most that the log of a spread moves for one standard error, where it is hardly known


def fit_mixed(design: Design, *, quadrature_points: int = 1, small_sample: bool = False) -> Answer:
    """Maximum likelihood of a binomial model with normal random intercepts.

    quadrature_points: 1 is the Laplace approximation, for any number of crossed or nested groupings; more
    is adaptive Gauss–Hermite quadrature (Pinheiro & Bates 1995, doi 10.1080/10618600.1995.10474663), for
    one grouping. small_sample: restricted spreads and t intervals, see optimum.py.
    The maximum is over spreads and coefficients jointly; standard errors come from the second derivatives of
    −2 log-likelihood over both. A spread of zero is reported only where the likelihood falls as soon as the
    variance leaves it.
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        try:
            return _fit(design, quadrature_points, small_sample)
        except FloatingPointError as error:
            raise Refused(
                f"The mixed model did not settle ({error}): look for a covariate with extreme values (put it in"
                " other units, or centre it) or a group with nearly all-or-nothing tanks."
            ) from error


@dataclass(frozen=True, eq=False)
class _Part:
    """A likelihood with only some of a design's groupings (their places), and where its search ended.

    target: what is minimised; deviance: −2 log-likelihood; hessian: second derivatives of the target at values
    (log sds, then coefficients) in units of a scale. scale: columns are moves of about one standard error each.
    """

    design: Design
    kept: IntArray
    laplace: Laplace
    target: Target
    deviance: Callable[[FloatArray], float]
    hessian: Callable[[FloatArray, FloatArray], FloatArray]
    values: FloatArray

    @property
    def log_sds(self) -> FloatArray:
        return self.values[: len(self.kept)]

    @property
    def names(self) -> list[str]:
        return [self.design.groupings[place].name for place in self.kept]

    @property
    def unbounded(self) -> list[str]:
        """Groupings whose spread lies at the limit of the search."""
        limit = np.log(LARGEST_SD) - LIMIT_TOLERANCE
        return [name for name, log_sd in zip(self.names, self.log_sds, strict=True) if log_sd >= limit]

    @cached_property
    def scale(self) -> FloatArray:
        log_sd_errors, root = standard_errors(self.laplace, self.values)
        return np.asarray(block_diag(np.diag(np.minimum(log_sd_errors, LONGEST_LOG_SD)), root), dtype=float)

    @cached_property
    def curvature(self) -> FloatArray:
        return self.hessian(self.values, self.scale)

    def settled(self) -> _Part:
        """The same where the slope is zero, unless a spread has no bound."""
        if self.unbounded:
            return self
        return replace(self, values=settle(self.laplace, self.values, self.target))

    def is_maximum(self) -> bool:
        """Whether the likelihood falls in every direction; where a spread has no bound, bends at least."""
        slope = self.target(self.values)[1]
        is_curved = np.isfinite(self.curvature).all() and np.linalg.eigvalsh(self.curvature)[0] > 0
        return bool(is_curved and (self.unbounded or np.abs(self.scale.T @ slope).max() <= SETTLED))


def _fit(design: Design, points: int, small_sample: bool) -> Answer:
    notes: list[str] = []
    if small_sample:
        part, notes = _searched(design, adjusted, restricted_hessian, ZERO_SD)
        if part is None:
            return _all_zero(design, notes)
        part = part if part.unbounded else part.settled()
        if not part.unbounded and part.is_maximum():
            return _assembled(part, notes, with_degrees=True)
        notes = ["Spreads are those of maximum likelihood: the restricted likelihood has no maximum here."]
    smallest = SMALLEST_SD * (1.0 + LIMIT_TOLERANCE)
    part, said = _searched(design, Laplace.with_gradient, laplace_hessian, smallest)
    notes += said
    if part is None:
        return _all_zero(design, notes)
    if points > 1:
        exact = Quadrature(part.laplace, points)
        part = replace(
            part, values=search(part.laplace, part.values, exact.with_gradient), target=exact.with_gradient,
            deviance=exact.deviance, hessian=partial(scaled_hessian, exact.with_gradient),
        )  # fmt: skip
    part = part.settled()
    if not part.is_maximum():
        raise Refused(
            "The mixed model reached no proper maximum: its likelihood is flat in some direction. Take a"
            " group or a term out, or merge sparse levels."
        )
    for name in part.unbounded:
        raise Refused(
            f"The spread between levels of {name} grows without bound: nearly all"
            " of its levels lost or kept every egg. Take that group out, or report the counts as they are."
        )
    return _assembled(part, notes, with_degrees=small_sample)


def _searched(
    design: Design,
    target: Callable[[Laplace, FloatArray], tuple[float, FloatArray]],
    hessian: Callable[[Laplace, FloatArray, FloatArray], FloatArray],
    smallest_sd: float,
) -> tuple[_Part | None, list[str]]:
    """A search from the binomial coefficients and middling spreads, and the sentences to it.

    Groupings whose spread ends below the smallest leave with a sentence; None when none is left. Restricted
    spreads are searched from the start: maximum likelihood takes many a spread for zero that the coefficients have
    used up, and t tests on what is left reject too often (9 % instead of 5 with 37 coefficients on 100 sites).
    """
    kept = np.arange(len(design.groupings), dtype=np.int64)
    values = np.concatenate([np.full(len(kept), np.log(START_SD)), plain_fit(design).coefficients])
    values = approach(laplace_for(design, kept), values)
    notes: list[str] = []
    while kept.size:
        laplace = laplace_for(design, kept)
        own = partial(target, laplace)
        values = search(laplace, values, own)
        part = _Part(design, kept, laplace, own, laplace.deviance, partial(hessian, laplace), values)
        stays = part.log_sds > np.log(smallest_sd)
        if stays.all():
            return part, notes
        notes += [
            f"The best estimate of the spread between levels of {name} is zero: the rows show no more variation"
            f" between them than the rest of the model already explains, so {name} changes nothing here."
            for name, stayed in zip(part.names, stays, strict=True)
            if not stayed
        ]
        values = np.concatenate([part.log_sds[stays], values[len(kept) :]])
        kept = kept[stays]
    return None, notes


def _assembled(part: _Part, notes: list[str], *, with_degrees: bool) -> Answer:
    """The fit at the end of a search; with_degrees: for t intervals."""
    design, laplace, count, coefficients = part.design, part.laplace, len(part.kept), part.values[len(part.kept) :]
    # From second derivatives of −2 log-likelihood in units of the scale.
    joint = np.asarray(2.0 * part.scale @ np.linalg.inv(part.curvature) @ part.scale.T, dtype=float)
    sds = np.zeros(len(design.groupings))
    sds[part.kept] = np.exp(part.log_sds)
    mode = laplace.mode(part.values)
    scale, diagonal = mode.factor.scale, invert(mode.factor).diagonal
    spots = dict(zip(part.kept, laplace.layout.spots, strict=True))
    precision = precision_at(laplace, mode.factor) if with_degrees else None
    # A spread so wide that hardly any level has a rate between none and all.
    wide = [
        f"The spread between levels of {name} comes out at {np.exp(log_sd):.0f} logits:"
        " nearly all of its levels lost or kept every egg, so its size rests on few rows, and odds ratios with it."
        " Read the percentages, or take that group out."
        for name, log_sd in zip(part.names, part.log_sds, strict=True)
        if log_sd > np.log(WIDE_SD)
    ]
    return Answer(
        coefficients=coefficients,
        covariance=joint[count:, count:],
        dispersion=_dispersion(design, mode.share, len(coefficients) + float(np.sum(1.0 - diagonal))),
        log_likelihood=-0.5 * part.deviance(part.values),
        notes=(*notes, *wide),
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


def _modes(
    design: Design, effects: FloatArray, errors: FloatArray, spots: Mapping[int, IntArray]
) -> dict[str, pd.DataFrame]:
    """`Answer.modes`, zero for the levels of groupings without spots."""
    frames = {}
    for place, grouping in enumerate(design.groupings):
        frame = pd.DataFrame({"level": list(grouping.levels), "effect": 0.0, "std_error": 0.0})
        if place in spots:
            frame = frame.assign(effect=effects[spots[place]], std_error=errors[spots[place]])
        frames[grouping.name] = frame
    return frames


def _all_zero(design: Design, notes: list[str]) -> Answer:
    """No grouping has any spread: the plain binomial fit."""
    plain = plain_fit(design)
    share = expit(design.matrix @ plain.coefficients)
    return Answer(
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
