"""Contrasts of an adjusted model with everything that decides them: their family, their batches, the silent tanks.

Within batches: the means of a factor's columns over the batch, added to the model, leave its own coefficients to
comparisons within batches (Mundlak 1978, doi 10.2307/1913646); the coefficient of a mean is by how much batches
compared with each other say something else.

A tank that stopped reporting is neither a survivor nor a loss. Had silent tanks fared as the others with their
practice, the contrast stands as estimated. Had they lost every fish, a level keeps the share of its survival that
its reporting tanks are of all; that share is compared between levels with the other practices allowed for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import CLAIMED_AT, Claim, ClaimKind, Reason, claims_from, clear_or_not
from broodyear.notes import note
from broodyear.statistics.crossed import Precision
from broodyear.statistics.multiplicity import no_surer, shrunken, single_step
from broodyear.statistics.numbers import FloatArray, delta_errors, level_sums, two_sided_p
from broodyear.survival.practices.factors import FEWEST_BATCHES, FEWEST_TANKS, MERGED, Factor, OutcomeRows, varying
from broodyear.survival.practices.model import AdjustedModel, build_columns
from broodyear.survival.result import Average, Difference, LogOdds

TEMPERATURE = "mean_water_temp_c"
STEP_LEVEL = "+1 °C"
#: The room's effect with the water temperature held, beside its total effect under the name of the factor itself.
DIRECT = "room_type_direct"
_WITHIN = ("within_batch_odds_ratio", "within_batch_low", "within_batch_high")
EFFECT_COLUMNS = (
    "outcome", "factor", "level", "reference", "tanks", "batches", "odds_ratio", "or_low", "or_high",
    "difference_points", "difference_low", "difference_high", "p_value", "p_family", "comparisons", "decision",
    "reason", "shrunken_points", "typical_difference_points", *_WITHIN, "tanks_silent",
    "points_if_silent_lost", "points_if_silent_alike", "silence_blurs", "p_without_one_tank", "most_telling_tank",
    "methods_low", "methods_high", "methods_agree", "methods_not_clear", "method", "rows_given",
    "rows_used", "adjusted_for", "note",
)  # fmt: skip
METHOD_COLUMNS = [*EFFECT_COLUMNS[:13], "method", "note"]
_KEY = ["factor", "level", "reference"]
#: Both answers are said to differ at this p, when they lie this many standard errors apart.
DIFFERS_BELOW = 0.01
DIFFERS_BY = 1.0
#: Factor and level -> tanks that fell silent, and their share with the other practices allowed for.
SilentTanks = Mapping[tuple[str, str], tuple[int, float]]


@dataclass(frozen=True, eq=False)
class Within(LogOdds):
    """One contrast within batches; shift: from the answer of all tanks; p_between: that batches compared with
    each other say the same."""

    shift: float
    p_between: float


@dataclass(frozen=True, eq=False)
class Finding(Difference):
    """One level against a reference, or one step of a measured covariate (reference blank), and what decides it.

    typical_difference_points: at a site and batch in the middle of the spread. direction: over the model's
    coefficients.
    refused: why there is no estimate; partners: factors it cannot be told apart from, where that is why; why: the
    model's own words then, or what a curve says beside a step. p_family: adjusted over the `comparisons` of the
    outcome's family, and not below that of the whole stay, which is asked first; p_without_one_tank: the same
    without most_telling_tank ("TK-0012 in 2024"), nan where p_value is not small; shrunken_points: for what is
    to gain; adjusted_for: in words; tanks_silent: with the level; points_if_silent_lost: the contrast had all
    silent tanks lost every fish, nan for a step.
    """

    factor: str
    level: str
    reference: str
    tanks: int
    batches: int
    outcome: str = ""
    typical_difference_points: float = np.nan
    direction: FloatArray | None = None
    refused: Reason | None = None
    partners: tuple[str, ...] = ()
    why: str = ""
    adjusted_for: str = ""
    within: Within | None = None
    tanks_silent: int = 0
    points_if_silent_lost: float = np.nan
    p_family: float = np.nan
    p_without_one_tank: float = np.nan
    most_telling_tank: str = ""
    comparisons: int = 0
    shrunken_points: float = np.nan

    @property
    def key(self) -> tuple[str, str, str]:
        """Factor, level and reference, the same in every outcome."""
        return self.factor, self.level, self.reference

    @property
    def reason(self) -> Reason:
        """Why it is claimed, or not."""
        if self.refused is not None:
            return self.refused
        turns = self.points_if_silent_lost * self.points <= 0.0
        return reason_beside(self.p_family, self.p_without_one_tank, self.is_otherwise_within, turns)

    @property
    def is_otherwise_within(self) -> bool:
        """Whether tanks of one batch contradict it: other in sign, or clearly not the same."""
        if self.within is None:
            return False
        apart = abs(self.within.log_odds - self.log_odds) > DIFFERS_BY * self.error
        opposite = self.within.log_odds * self.log_odds < 0.0
        return apart and (opposite or self.within.p_between < DIFFERS_BELOW)

    @property
    def is_blurred(self) -> bool:
        """Whether it would no longer be clear of zero, had every silent tank lost all its fish."""
        lost = np.sign(self.points) * self.points_if_silent_lost
        return bool(lost - self.critical * self.points_error <= 0.0)

    @property
    def note(self) -> str:
        """Why it has no estimate, or what stands beside it."""
        if self.refused is None:
            return note("practices", "estimated", one=self)
        return note("practices", "refused", one=self, few=FEWEST_TANKS, few_batches=FEWEST_BATCHES, merged=MERGED)

    @property
    def estimates(self) -> dict[str, Any]:
        """The columns of METHOD_COLUMNS that every method fills."""
        return {name: getattr(self, name) for name in METHOD_COLUMNS[:6]} | self.shown()

    def row(self, others: pd.DataFrame) -> dict[str, Any]:
        """EFFECT_COLUMNS but the rows; others: METHOD_COLUMNS of the same by other methods."""
        points = [one for one in (self.points, *others["difference_points"]) if np.isfinite(one)]
        unlike = others[(others["p_value"] > CLAIMED_AT) & (self.reason is Reason.CLEAR)].to_dict("records")
        ratios = [self.within.odds_ratio(side) for side in (0, -1, 1)] if self.within else [np.nan] * 3
        own = {name: getattr(self, name) for name in EFFECT_COLUMNS if hasattr(self, name)}
        return {
            **own,
            **self.estimates,
            "decision": str(self.reason.decision),
            "reason": str(self.reason),
            **dict(zip(_WITHIN, ratios, strict=True)),
            "points_if_silent_alike": self.points if np.isfinite(self.points_if_silent_lost) else np.nan,
            "silence_blurs": self.is_blurred,
            "methods_low": min(points, default=np.nan),
            "methods_high": max(points, default=np.nan),
            "methods_agree": all(self.points_limit(-1) <= one <= self.points_limit(1) for one in points),
            "methods_not_clear": note("practices", "not_clear", methods=unlike),
            "method": "mixed",
        }


def reason_beside(p_family: float, p_without_one_tank: float, disagrees: bool, turns: bool) -> Reason:
    """Why an estimated difference is claimed, or not; disagrees: whether batches compared with each other say
    otherwise; turns: whether it would turn, had every silent tank lost all its fish."""
    first = clear_or_not(p_family, p_without_one_tank)
    if first is not Reason.CLEAR:
        return first
    if disagrees:
        return Reason.BATCHES_DISAGREE
    return Reason.DEPENDS_ON_SILENT if turns else Reason.CLEAR


def effect_rows(findings: Sequence[Finding], methods: pd.DataFrame, given: int, used: int) -> pd.DataFrame:
    """Rows of effects.csv of one outcome, in the order of the findings; methods: the same by other methods."""
    others, sizes = dict(iter(methods.groupby(_KEY))), {"rows_given": given, "rows_used": used}
    rows = [one.row(others.get(one.key, methods[:0])) | sizes for one in findings]
    return pd.DataFrame(rows, columns=list(EFFECT_COLUMNS))


def effect_claims(effects: pd.DataFrame) -> list[Claim]:
    """One claim per row of effects.csv, made or looked for and not made."""
    names = {"estimate": "difference_points", "low": "difference_low", "high": "difference_high"}
    kinds = {True: ClaimKind.TEMPERATURE_DIFFERS, False: ClaimKind.PRACTICE_DIFFERS}
    stated = effects.assign(kind=(effects["factor"] == TEMPERATURE).map(kinds))
    return claims_from(stated, {**names, "subject": "factor"}, unit="points", section="practices")


def refusals(
    factors: Mapping[str, Factor], outcome: str, out: Mapping[str, Reason], why: str = ""
) -> list[Finding]:
    """Levels that cannot be compared, and all of factors that are not in the model; out: why these are not."""
    found = []
    for name, factor in factors.items():
        refused = dict.fromkeys(factor.compared[1:], out[name]) if name in out else {}
        if not refused and len(factor.compared) == 1:
            refused = {factor.reference: Reason.ONE_LEVEL}
        for level, reason in [*refused.items(), *factor.refused.items()]:
            reference = "" if level == factor.reference else factor.reference
            found.append(Finding(name, level, reference, *factor.sizes[level], outcome, refused=reason, why=why))
    return found


def factor_contrasts(model: AdjustedModel, name: str, averages: Mapping[str, Average]) -> list[Finding]:
    """Every level of a factor that may be compared against its reference, refusals included."""
    factor, found = model.factors[name], []
    for level in factor.compared[1:]:
        blank = Finding(name, level, factor.reference, *factor.sizes[level])
        direction = model.direction(name, level)
        if not model.columns.is_estimable(direction):
            partners = model.columns.partners(direction, name)
            found.append(replace(blank, refused=Reason.CONFOUNDED, partners=partners))
        elif not factor.shares_batches(level):
            found.append(replace(blank, refused=Reason.NEVER_SHARE_BATCH))
        else:
            vector = direction[model.columns.kept]
            found.append(estimated(model, blank, vector, averages[level], averages[factor.reference]))
    return found


def step_contrast(model: AdjustedModel, name: str, level: str, tanks: int, batches: int, step: float) -> Finding:
    """The effect of raising a measured covariate by a step in every row."""
    blank, direction = Finding(name, level, "", tanks, batches), model.columns.along(name, step)
    if not model.columns.is_estimable(direction):
        return replace(blank, refused=Reason.CONFOUNDED, partners=model.columns.partners(direction, name))
    vector, matrix = direction[model.columns.kept], model.fit.design.matrix
    return estimated(model, blank, vector, model.fit.average(matrix + vector), model.fit.average(matrix))


def estimated(
    model: AdjustedModel, blank: Finding, vector: FloatArray, first: Average, second: Average
) -> Finding:
    """A contrast with its estimates, delta-method errors and degrees of freedom."""
    found = model.fit.difference(vector, first, second)
    typical = 100.0 * (first.typical - second.typical)
    return replace(blank, **vars(found), typical_difference_points=typical, direction=vector)


def correlation_between(vectors: FloatArray, covariance: FloatArray) -> FloatArray:
    """Correlation of combinations (rows) of estimates with this covariance; empty without any."""
    joint = vectors @ covariance @ vectors.T if len(vectors) else np.zeros((0, 0))
    errors = np.sqrt(np.diag(joint))
    return np.asarray(joint / np.outer(errors, errors), dtype=float)


def within_batches(model: AdjustedModel, contrasts: Sequence[Finding]) -> list[Finding]:
    """The contrasts of the model with their answers within batches, where batches can tell, and those that might
    be claimed with their p value without the tank that speaks loudest for each."""
    wider: dict[str, Precision | None] = {}
    for name in {one.factor for one in contrasts if one.direction is not None and "batch_id" in model.fit.groups}:
        means = batch_means(model.rows["batch_id"], model.columns.matrix[:, model.columns.spans[name]])
        wider[name] = model.with_columns(means)

    def answered(one: Finding) -> Finding:
        own, wide = one.direction, wider.get(one.factor)
        if own is None:
            return one
        found = replace(one, within=_within(model, one, own, wide) if wide else None)
        if not one.p_value <= CLAIMED_AT:
            return found
        p, tank = without_one_tank(model, model.working, own, one.log_odds, one.degrees)
        return replace(found, p_without_one_tank=p, most_telling_tank=tank)

    return [answered(one) for one in contrasts]


def without_one_tank(
    model: AdjustedModel, own: Precision, contrast: FloatArray, log_odds: float, degrees: float
) -> tuple[float, str]:
    """The p value of a contrast without the tank-season that speaks loudest for it, and which that is."""
    row, ratio = own.without_one(contrast, log_odds)
    tank = model.rows.iloc[row]
    return float(two_sided_p(ratio, degrees)), f"{tank['tank_id']} in {tank['season']}"


def batch_means(batch: pd.Series, columns: FloatArray) -> FloatArray:
    """Means of columns over the rows of each row's batch, from the mean of all."""
    codes, levels = pd.factorize(batch)
    means = (level_sums(codes.astype(np.int64), columns, len(levels)) / np.bincount(codes)[:, None])[codes]
    return np.asarray(means - means.mean(axis=0), dtype=float)


def _within(model: AdjustedModel, contrast: Finding, direction: FloatArray, wider: Precision) -> Within:
    longer, between = np.zeros((2, len(wider.coefficients)))
    longer[: len(direction)] = direction
    whole = np.zeros(model.columns.matrix.shape[1])
    whole[model.columns.kept] = direction
    between[len(direction) :] = whole[model.columns.spans[contrast.factor]]
    shift = float(longer @ wider.coefficients - direction @ model.working.coefficients)
    gap, gap_error = float(between @ wider.coefficients), float(delta_errors(between, wider.covariance))
    return Within(
        log_odds=contrast.log_odds + shift,
        shift=shift,
        error=float(delta_errors(longer, wider.covariance)),
        degrees=wider.degrees(longer),
        p_between=float(two_sided_p(gap / gap_error, wider.degrees(between))),
    )


def silent_tanks(rows: OutcomeRows) -> SilentTanks:
    """Tanks that fell silent, of all with eggs, by factor and level; their share is nan where no tank did.
    One that is waited for is none of them."""
    is_silent = ~rows.given["is_used"] & rows.given["survivors"].isna() & ~rows.given["is_waiting"]
    given = rows.given[rows.given["is_used"] | is_silent].reset_index(drop=True)
    given["batch_id"] = given["batch_id"].astype(object).where(given["batch_id"].notna(), "")
    factors = varying(given, rows.factors)
    silent, found = (~given["is_used"]).to_numpy(dtype=float), {}
    columns = build_columns(len(given), {factor.name: factor for factor in factors})
    weights = np.zeros(columns.matrix.shape[1])
    weights[columns.kept] = np.linalg.lstsq(columns.kept_matrix, silent, rcond=None)[0]
    fitted = columns.matrix @ weights
    for factor in factors:
        own = weights[columns.spans[factor.name]]
        shares = np.clip(float(np.mean(fitted - factor.columns @ own)) + factor.dummies @ own, 0.0, 1.0)
        for index, level in enumerate(factor.levels):
            number = int(silent[factor.codes == index].sum())
            found[factor.name, level] = number, float(shares[index]) if silent.any() else np.nan
    return found


def beside_silent(contrast: Finding, silent: SilentTanks, averages: Mapping[str, Average]) -> Finding:
    """A contrast of levels with what silent tanks could make of it; averages: survival by level."""
    if contrast.refused is not None:
        return contrast
    levels = contrast.level, contrast.reference
    (number, own), (_, others) = (silent.get((contrast.factor, level), (0, np.nan)) for level in levels)
    kept = [(1.0 - share) * averages[level].survival for level, share in zip(levels, (own, others), strict=True)]
    lost = contrast.points if np.isnan(own) else 100.0 * (kept[0] - kept[1])
    return replace(contrast, tanks_silent=number, points_if_silent_lost=lost)


def as_family(findings: Sequence[Finding], correlation: FloatArray) -> list[Finding]:
    """The findings of one outcome with p values adjusted over all of them, and shrunken contrasts.

    correlation: of the estimates of those with an estimate, in their order.
    """
    known = [one for one in findings if one.refused is None]
    p_values, without, points, errors = (
        np.array([getattr(one, name) for one in known], dtype=float)
        for name in ("p_value", "p_without_one_tank", "points", "points_error")
    )
    p_family, small = single_step(p_values, correlation), shrunken(points, errors)
    p_without = np.where(np.isnan(without), np.nan, single_step(np.fmax(without, p_values), correlation))
    comparisons = int(np.isfinite(p_family).sum())
    adjusted = (
        replace(
            one, p_family=float(p), p_without_one_tank=float(p_one), shrunken_points=float(gain),
            comparisons=comparisons,
        )
        for one, p, p_one, gain in zip(known, p_family, p_without, small, strict=True)
    )  # fmt: skip
    return [next(adjusted) if one.refused is None else one for one in findings]


def gated(findings: Sequence[Finding], main_outcome: str) -> list[Finding]:
    """Findings of single stages no surer than that of the whole stay, so that all outcomes together err as one.

    The whole stay is asked first; which stage a difference belongs to is asked only where there is one. Where the
    whole stay was not fitted, each p value is multiplied by the number of outcomes.
    """
    main = {finding.key: finding for finding in findings if finding.outcome == main_outcome}
    outcomes = len({finding.outcome for finding in findings})

    def held_to_first(one: Finding) -> Finding:
        first = main.get(one.key)
        p = no_surer(one.p_family, (first.p_family if first else np.nan) if main else None, outcomes)
        without = np.fmax(one.p_without_one_tank, first.p_without_one_tank if first else np.nan)
        return replace(one, p_family=float(p), p_without_one_tank=float(without))

    return [one if one.outcome == main_outcome else held_to_first(one) for one in findings]
