"""Lowest points of many functions of one kind at once, between limits.

Projected quasi-Newton steps (Bertsekas 1982, SIAM J. Control Optim. 20:221): parameters at a limit that the slope
presses against stay there, the others take a Newton step with a curvature that is begun from one known beforehand
and kept up by BFGS. Steps that do not go down are shortened. Each function is followed only until it has arrived.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from broodyear.development.arrays import Floats, Masks, Whole

#: Values (m,) and slopes (m, q) of the functions numbered by the second argument, each at its row of the first.
Target = Callable[[Floats, Whole], tuple[Floats, Floats]]

_MOST_STEPS = 60
#: Of a log-likelihood, a hundred-thousandth of a standard error.
_LEAST_GAIN = 1e-10
#: What still counts as arrived where rounding lets no step go down: a thousandth of a standard error.
_ROUNDED_GAIN = 1e-6
_SHORTEST = 1e-4
_SHORTENED = 0.3
_ENOUGH = 1e-4  # of what a step promises has to come true
_ROUNDING = 1e-13


def lowest_points(
    target: Target,
    begin: Floats,
    low: Floats,
    high: Floats,
    curvature: Callable[[], Floats],
    longest: Floats,
    *,
    least_gain: float = _LEAST_GAIN,
    enough_gain: float = _ROUNDED_GAIN,
) -> tuple[Floats, Masks]:
    """(k, q) points and (k,) whether the search arrived there.

    begin, low, high: (k, q); curvature: called once, after the first look, for (k, q, q) positive definite
    second derivatives, near enough; longest: (q,) by how much a step may move each at most; least_gain: what a
    step has to promise to be taken; enough_gain: what may still be promised where no step goes down.
    """
    point, live, length = np.clip(begin, low, high), np.arange(len(begin)), np.ones(len(begin))
    value, slope = target(point, live)
    bent = curvature()
    gain = np.zeros(len(begin))
    for _ in range(_MOST_STEPS):
        step, gain = _steps(point, slope, bent, low, high, longest)
        live = live[(gain[live] > least_gain) & (length[live] > _SHORTEST)]
        if not len(live):
            break
        trial = np.clip(point[live] + length[live, None] * step[live], low[live], high[live])
        there, slope_there = target(trial, live)
        moved, change = trial - point[live], slope_there - slope[live]
        promised = np.minimum(np.sum(slope[live] * moved, axis=1), 0.0)
        is_down = there <= value[live] + _ENOUGH * promised + _ROUNDING * np.abs(value[live])
        taken = live[is_down]
        bent[taken] = _kept_up(bent[taken], moved[is_down], change[is_down])
        point[taken], value[taken], slope[taken] = trial[is_down], there[is_down], slope_there[is_down]
        length[taken] = 1.0
        length[live[~is_down]] *= _SHORTENED
    return point, np.asarray(gain <= max(enough_gain, 100.0 * least_gain))


def _steps(
    point: Floats, slope: Floats, curvature: Floats, low: Floats, high: Floats, longest: Floats
) -> tuple[Floats, Floats]:
    """Newton steps of the parameters that no limit holds, and what each step promises to gain."""
    is_held = ((point <= low) & (slope > 0.0)) | ((point >= high) & (slope < 0.0))
    is_free = ~is_held[:, :, None] & ~is_held[:, None, :]
    alone = np.where(is_free, curvature, np.eye(point.shape[1]))
    downhill = np.where(is_held, 0.0, -slope)
    step = np.linalg.solve(alone, downhill[:, :, None])[:, :, 0]
    too_long = np.maximum(np.abs(step / longest).max(axis=1), 1.0)
    return step / too_long[:, None], 0.5 * np.sum(step * downhill, axis=1)


def _kept_up(curvature: Floats, moved: Floats, change: Floats) -> Floats:
    """The curvature after a step, by BFGS; left as it was where the slope did not rise along the step."""
    known = np.einsum("kij,kj->ki", curvature, moved)
    along, before = np.sum(change * moved, axis=1), np.sum(known * moved, axis=1)
    is_rising = along > 1e-8 * np.maximum(before, 1e-300)
    new = np.einsum("ki,kj->kij", change, change) / np.where(is_rising, along, 1.0)[:, None, None]
    old = np.einsum("ki,kj->kij", known, known) / np.where(is_rising, before, 1.0)[:, None, None]
    return np.where(is_rising[:, None, None], curvature + new - old, curvature)
