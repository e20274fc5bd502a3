"""One contrast with everything that decides it: its family, its batches, the silent tanks; and the claim it
makes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from broodyear.claims import Claim, ClaimKind, Reason, clear_or_not
from broodyear.statistics.multiplicity import shrunken, single_step
from broodyear.statistics.numbers import FloatArray
from broodyear.survival.practices.contrasts import Contrast
from broodyear.survival.practices.silence import Silence
from broodyear.survival.practices.within import Within

TEMPERATURE = "mean_water_temp_c"
STEP_LEVEL = "+1 °C"
#: The room's effect with the water temperature held, beside its total effect under the name of the factor itself.
DIRECT = "room_type_direct"


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

    @property
    def key(self) -> tuple[str, str, str]:
        """Factor, level and reference, the same in every outcome."""
        return self.contrast.factor, self.contrast.level, self.contrast.reference


def as_family(findings: Sequence[Finding], correlation: FloatArray) -> list[Finding]:
    """The findings of one outcome with p values adjusted over all of them, and shrunken contrasts.

    correlation: of the estimates of those with an estimate, in their order.
    """
    told = [finding for finding in findings if finding.contrast.refused is None]
    p_family = single_step([finding.contrast.p_value for finding in told], correlation)
    points = np.array([finding.contrast.points for finding in told])
    drawn = shrunken(points, np.array([finding.contrast.points_error for finding in told]))
    done = {
        id(finding): replace(
            finding, p_family=float(p), shrunken_points=float(small), comparisons=int(np.isfinite(p_family).sum())
        )
        for finding, p, small in zip(told, p_family, drawn, strict=True)
    }
    return [decided(done.get(id(finding), finding)) for finding in findings]


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
    main = {finding.key: finding.p_family for finding in findings if finding.outcome == main_outcome}
    outcomes = len({finding.outcome for finding in findings})
    found = []
    for finding in findings:
        p_family = finding.p_family
        if not main:
            p_family = min(1.0, p_family * outcomes)
        elif finding.outcome != main_outcome:
            gate = main.get(finding.key, np.nan)
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
