"""Contrasts of an adjusted model with everything that decides them: their family, their batches, the silent tanks;
and the claims they make.

Within batches: the means of a factor's columns over the batch, added to the model, leave its own coefficients to
comparisons within batches (Mundlak 1978, doi 10.2307/1913646); the coefficient of a mean is by how much batches
compared with each other say something else.

A tank that stopped reporting is neither a survivor nor a loss. Had silent tanks fared as the others with their
practice, the contrast stands as estimated. Had they lost every fish, a level keeps the share of its survival that
its reporting tanks are of all; that share is compared between levels with the other practices allowed for.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from broodyear.claims import Claim, ClaimKind, Reason, clear_or_not
from broodyear.statistics.multiplicity import shrunken, single_step
from broodyear.statistics.numbers import FloatArray, delta_errors, two_sided_p
from broodyear.survival.averaging import Average, Difference, LogOdds
from broodyear.survival.mixed.system import Precision
from broodyear.survival.practices.factors import Factor
from broodyear.survival.practices.model import AdjustedModel, build_columns

TEMPERATURE = "mean_water_temp_c"
STEP_LEVEL = "+1 °C"
#: The room's effect with the water temperature held, beside its total effect under the name of the factor itself.
DIRECT = "room_type_direct"
#: Both answers are said to differ at this p, when they lie this many standard errors apart.
DIFFERS_BELOW = 0.01
DIFFERS_BY = 1.0


@dataclass(frozen=True, eq=False)
class Contrast(Difference):
    """One level against a reference, or one step of a measured covariate (reference blank).

    typical_points: at a site and batch in the middle of the spread. direction: over the model's coefficients.
    refused: why there is no estimate; partners: factors it cannot be told apart from, where that is why.
    """

    factor: str
    level: str
    reference: str
    tanks: int
    batches: int
    typical_points: float = np.nan
    direction: FloatArray | None = None
    refused: Reason | None = None
    partners: tuple[str, ...] = ()

    @property
    def key(self) -> tuple[str, str, str]:
        """Factor, level and reference, the same in every outcome."""
        return self.factor, self.level, self.reference


def factor_contrasts(model: AdjustedModel, name: str, averages: Mapping[str, Average]) -> list[Contrast]:
    """Every level of a factor that may be compared against its reference, refusals included."""
    factor, found = model.factors[name], []
    for level in factor.compared[1:]:
        blank = Contrast(name, level, factor.reference, *factor.sizes[level])
        direction = model.direction(name, level)
        if not model.columns.is_estimable(direction):
            found.append(_confounded(model, blank, direction))
        elif not factor.shares_batches(level):
            found.append(replace(blank, refused=Reason.NEVER_SHARE_BATCH))
        else:
            vector = direction[model.columns.kept]
            found.append(estimated(model, blank, vector, averages[level], averages[factor.reference]))
    return found


def step_contrast(model: AdjustedModel, name: str, level: str, tanks: int, batches: int, step: float) -> Contrast:
    """The effect of raising a measured covariate by a step in every row."""
    blank, direction = Contrast(name, level, "", tanks, batches), model.columns.along(name, step)
    if not model.columns.is_estimable(direction):
        return _confounded(model, blank, direction)
    vector, matrix = direction[model.columns.kept], model.fit.design.matrix
    return estimated(model, blank, vector, model.fit.average(matrix + vector), model.fit.average(matrix))


def _confounded(model: AdjustedModel, blank: Contrast, direction: FloatArray) -> Contrast:
    partners = model.columns.partners(direction, blank.factor)
    return replace(blank, refused=Reason.CONFOUNDED, partners=partners)


def estimated(
    model: AdjustedModel, blank: Contrast, vector: FloatArray, first: Average, second: Average
) -> Contrast:
    """A contrast with its estimates, delta-method errors and degrees of freedom."""
    found = model.fit.difference(vector, first, second)
    typical = 100.0 * (first.typical - second.typical)
    return replace(blank, **vars(found), typical_points=typical, direction=vector)


def correlation_of(model: AdjustedModel, contrasts: Iterable[Contrast]) -> FloatArray:
    """Correlation of the estimates of some contrasts of one model (log-odds), without those that have none."""
    vectors = np.array([contrast.direction for contrast in contrasts if contrast.direction is not None])
    if not vectors.size:
        return np.zeros((0, 0))
    covariance = vectors @ model.fit.covariance.to_numpy(dtype=float) @ vectors.T
    errors = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / np.outer(errors, errors), dtype=float)


@dataclass(frozen=True, eq=False)
class Within(LogOdds):
    """One contrast within batches; shift: from the answer of all tanks; p_between: that batches compared with
    each other say the same."""

    shift: float
    p_between: float

    def disagrees(self, contrast: Contrast) -> bool:
        """Whether tanks of one batch contradict the contrast: other in sign, or clearly not the same."""
        apart = abs(self.log_odds - contrast.log_odds) > DIFFERS_BY * contrast.error
        opposite = self.log_odds * contrast.log_odds < 0.0
        return apart and (opposite or self.p_between < DIFFERS_BELOW)


def within_batches(model: AdjustedModel, contrasts: list[Contrast]) -> dict[tuple[str, str], Within]:
    """Contrasts of the model within batches, by factor and level; without those that no batch can tell."""
    told = [contrast for contrast in contrasts if contrast.direction is not None and "batch_id" in model.groups]
    found: dict[tuple[str, str], Within] = {}
    for name in dict.fromkeys(contrast.factor for contrast in told):
        means = batch_means(model.rows["batch_id"], model.columns.matrix[:, model.columns.places[name]])
        wider = model.working.with_columns(means)
        if wider is not None:
            own = [contrast for contrast in told if contrast.factor == name]
            found |= {(name, contrast.level): _within(model, contrast, wider) for contrast in own}
    return found


def batch_means(batch: pd.Series, columns: FloatArray) -> FloatArray:
    """Means of columns over the rows of each row's batch, from the mean of all."""
    codes, levels = pd.factorize(batch)
    members = np.bincount(codes, minlength=len(levels))
    means = np.column_stack([(np.bincount(codes, column, len(levels)) / members)[codes] for column in columns.T])
    return np.asarray(means - means.mean(axis=0), dtype=float)


def _within(model: AdjustedModel, contrast: Contrast, wider: Precision) -> Within:
    assert contrast.direction is not None
    direction, place = contrast.direction, model.columns.places[contrast.factor]
    longer, between = np.zeros((2, len(wider.coefficients)))
    longer[: len(direction)] = direction
    whole = np.zeros(model.columns.matrix.shape[1])
    whole[model.columns.kept] = direction
    between[len(direction) :] = whole[place]
    shift = float(longer @ wider.coefficients - direction @ model.working.plain.coefficients)
    gap, gap_error = float(between @ wider.coefficients), float(delta_errors(between, wider.covariance))
    return Within(
        log_odds=contrast.log_odds + shift,
        shift=shift,
        error=float(delta_errors(longer, wider.covariance)),
        degrees=wider.degrees(longer),
        p_between=float(two_sided_p(gap / gap_error, wider.degrees(between))),
    )


@dataclass(frozen=True)
class Silence:
    """silent: tanks with the level that fell silent; lost_points: the contrast had all silent tanks lost every
    fish."""

    silent: int
    lost_points: float

    def undoes(self, contrast: Contrast) -> bool:
        """Whether the contrast would turn, had every silent tank lost all its fish."""
        return self.lost_points * contrast.points <= 0.0

    def blurs(self, contrast: Contrast) -> bool:
        """Whether the contrast would no longer be clear of zero then."""
        side = np.sign(contrast.points)
        return bool(side * self.lost_points - contrast.reach * contrast.points_error <= 0.0)


@dataclass(frozen=True, eq=False)
class SilentTanks:
    """The share of silent tanks by factor and level, other practices allowed for.

    shares: factor -> level -> share, empty where no tank fell silent; counts: the same, tanks.
    """

    shares: dict[str, dict[str, float]]
    counts: dict[str, dict[str, int]]

    def beside(self, contrast: Contrast, shares: Mapping[str, Average]) -> Silence:
        """The bounds of a contrast of levels."""
        silent, own = self.counts.get(contrast.factor, {}), self.shares.get(contrast.factor, {})
        if contrast.level not in own:
            return Silence(silent.get(contrast.level, 0), contrast.points)
        kept = [(1.0 - own[level]) * shares[level].share for level in (contrast.level, contrast.reference)]
        return Silence(silent.get(contrast.level, 0), 100.0 * (kept[0] - kept[1]))


def silent_tanks(rows: pd.DataFrame, factors: Sequence[Factor]) -> SilentTanks:
    """Shares and counts of silent tanks; rows: tanks with eggs, `is_silent` marked; factors: coded over them."""
    silent = rows["is_silent"].to_numpy(dtype=float)
    counts = {
        factor.name: {level: int(silent[factor.codes == place].sum()) for place, level in enumerate(factor.levels)}
        for factor in factors
    }
    if not silent.any():
        return SilentTanks({}, counts)
    columns = build_columns(len(rows), factors, {})
    weights = np.zeros(columns.matrix.shape[1])
    weights[columns.kept] = np.linalg.lstsq(columns.kept_matrix, silent, rcond=None)[0]
    fitted, shares = columns.matrix @ weights, {}
    for factor in factors:
        own = weights[columns.places[factor.name]]
        rest = float(np.mean(fitted - factor.columns @ own))
        levels = np.clip(rest + factor.dummies @ own, 0.0, 1.0)
        shares[factor.name] = dict(zip(factor.levels, map(float, levels), strict=True))
    return SilentTanks(shares, counts)


@dataclass(frozen=True, eq=False)
class Finding:
    """A contrast of one outcome and what was found of it.

    p_family: adjusted over the `comparisons` of the outcome's family, and not below that of the whole stay, which
    is asked first; shrunken_points: for what is to gain; within: nan-free or None; reason: the decision's.
    """

    outcome: str
    contrast: Contrast
    within: Within | None = None
    silence: Silence | None = None
    p_family: float = np.nan
    comparisons: int = 0
    shrunken_points: float = np.nan
    reason: Reason = Reason.NO_INTERVAL


def as_family(findings: Sequence[Finding], correlation: FloatArray) -> list[Finding]:
    """The findings of one outcome with p values adjusted over all of them, and shrunken contrasts.

    correlation: of the estimates of those with an estimate, in their order.
    """
    told = [place for place, finding in enumerate(findings) if finding.contrast.refused is None]
    contrasts = [findings[place].contrast for place in told]
    p_family = single_step([contrast.p_value for contrast in contrasts], correlation)
    points, errors = ([getattr(one, name) for one in contrasts] for name in ("points", "points_error"))
    drawn, found = shrunken(np.array(points), np.array(errors)), list(findings)
    for place, p, small in zip(told, p_family, drawn, strict=True):
        found[place] = replace(
            found[place],
            p_family=float(p), shrunken_points=float(small), comparisons=int(np.isfinite(p_family).sum()),
        )  # fmt: skip
    return [decided(finding) for finding in found]


def decided(finding: Finding) -> Finding:
    """The finding with the reason of its decision."""
    return replace(finding, reason=_reason(finding))


def _reason(finding: Finding) -> Reason:
    contrast = finding.contrast
    if contrast.refused is not None:
        return contrast.refused
    first = clear_or_not(finding.p_family)
    if first is not Reason.CLEAR:
        return first
    if finding.within is not None and finding.within.disagrees(contrast):
        return Reason.BATCHES_DISAGREE
    if finding.silence is not None and finding.silence.undoes(contrast):
        return Reason.DEPENDS_ON_SILENT
    return Reason.CLEAR


def gated(findings: Sequence[Finding], main_outcome: str) -> list[Finding]:
    """Findings of single stages no surer than that of the whole stay, so that all outcomes together err as one.

    The whole stay is asked first; which stage a difference belongs to is asked only where there is one (a fixed
    sequence of hypotheses: Maurer, Hothorn & Lehmacher 1995). Where the whole stay was not fitted, each p value
    is multiplied by the number of outcomes.
    """
    main = {finding.contrast.key: finding.p_family for finding in findings if finding.outcome == main_outcome}
    outcomes = len({finding.outcome for finding in findings})
    found = []
    for finding in findings:
        p_family = finding.p_family
        if not main:
            p_family = min(1.0, p_family * outcomes)
        elif finding.outcome != main_outcome:
            gate = main.get(finding.contrast.key, np.nan)
            p_family = max(p_family, gate if np.isfinite(gate) else 1.0) if np.isfinite(p_family) else p_family
        found.append(decided(replace(finding, p_family=p_family)))
    return found


def claim_of(finding: Finding) -> Claim:
    """The claim a finding makes, or looked for and does not make."""
    contrast = finding.contrast
    step = contrast.factor == TEMPERATURE
    return Claim(
        kind=ClaimKind.TEMPERATURE_DIFFERS if step else ClaimKind.PRACTICE_DIFFERS,
        subject=contrast.factor,
        reason=finding.reason,
        level=contrast.level,
        reference=contrast.reference,
        outcome=finding.outcome,
        estimate=contrast.points,
        low=contrast.points_low,
        high=contrast.points_high,
        unit="points",
        p_value=contrast.p_value,
        p_family=finding.p_family,
        comparisons=finding.comparisons,
        section="practices",
    )
