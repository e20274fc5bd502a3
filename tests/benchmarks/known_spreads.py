"""How often a planted practice would be claimed by one who knows every spread: the best that records allow."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import logit, ndtr

from broodyear.claims import CLAIMED_AT
from broodyear.statistics.multiplicity import single_step
from broodyear.survival.practices.factors import outcome_rows
from broodyear.survival.practices.findings import factor_contrasts
from broodyear.survival.practices.model import fit_adjusted
from broodyear.survival.tank_frame import prepare


def oracle_power(
    frame: pd.DataFrame, truth: pd.Series, lowered: np.ndarray, name: str, level: str, spreads: dict[str, float]
) -> float:
    """Chance (0–1) that the contrast of `level` is claimed by weighted least squares under the true variances.

    frame: rows of one outcome, in the order of truth (share that lives, 0–1) and lowered (log-odds that the
    practice takes, zero elsewhere); spreads: logit standard deviations of site, batch and tank. The family is
    that of the model without temperature; its critical value is the tool's own, with normal quantiles.
    """
    outcome = str(frame["outcome"].iloc[0])
    known = frame.assign(true_log_odds=logit(truth.to_numpy()), taken=lowered)
    rows = outcome_rows(prepare(known), outcome)
    model = fit_adjusted(rows.used, [one for other, one in rows.factors.items() if other not in rows.waiting])
    named = [one for one in model.factors if model.factors[one].is_comparable]
    contrasts = [one for other in named for one in factor_contrasts(model, other, model.averages_of(other))]
    told = [one for one in contrasts if one.refused is None]
    directions = np.array([one.direction for one in told])
    matrix, used = model.fit.design.matrix, model.rows
    inverse = np.linalg.inv(_variance(used, spreads))
    covariance = np.linalg.inv(matrix.T @ inverse @ matrix)
    expected = directions @ covariance @ (matrix.T @ inverse @ used["taken"].to_numpy(dtype=float))
    joint = directions @ covariance @ directions.T
    errors = np.sqrt(np.diag(joint))
    critical = _critical(joint / np.outer(errors, errors))
    own = [place for place, one in enumerate(told) if one.factor == name and level in (one.level, one.reference)]
    best = max(own, key=lambda place: abs(expected[place]) / errors[place])
    return float(ndtr(abs(expected[best]) / errors[best] - critical))


def _variance(used: pd.DataFrame, spreads: dict[str, float]) -> np.ndarray:
    share = 1.0 / (1.0 + np.exp(-used["true_log_odds"].to_numpy(dtype=float)))
    found = np.diag(1.0 / (used["eggs"].to_numpy(dtype=float) * share * (1.0 - share)) + spreads["tank"] ** 2)
    for group, column in (("site", "site_id"), ("batch", "batch_id")):
        codes = pd.factorize(used[column])[0]
        found += spreads[group] ** 2 * (codes[:, None] == codes[None, :])
    return found


def _critical(correlation: np.ndarray) -> float:
    """The score at which the family's adjusted p is that of a claim."""
    low, high = 1.9, 5.0
    for _ in range(20):
        middle = 0.5 * (low + high)
        raw = np.full(len(correlation), 2.0 * ndtr(-middle))
        low, high = (middle, high) if single_step(raw, correlation)[0] > CLAIMED_AT else (low, middle)
    return middle
