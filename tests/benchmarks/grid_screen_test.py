"""The screen beside a simpler one: exact marginal likelihoods on a logit grid, tanks from a contaminated normal.

Both allow for species, units at delivery, season and batch. Poor tanks found are compared where both flag the same
share of ordinary ones. Run: PROGRAMMES=60 python -m pytest tests/benchmarks/grid_screen_test.py -s
"""

from __future__ import annotations

import os
import time

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.special import gammaln, ndtri
from tests.setups.programmes import SMALL_SPREADS, programme, thinned

from broodyear.setups import screen_setups
from broodyear.statistics.numbers import binomial_cdf

PROGRAMMES = int(os.environ.get("PROGRAMMES", "60"))
GRID = np.arange(-5.0, 8.001, 0.08)
#: Share of tanks that stand apart, and how many times wider these are spread.
APART, WIDER = 0.05, 3.0
#: Prior spreads (logit) of the coefficients of a batch: level, species, units, each season.
PRIOR_SD = (5.0, 1.5, 0.5)
SEASON_SD = 0.3
#: Flags among ordinary tanks at which the two are compared (%).
FALSE_FLAGS = (0.3, 1.0, 2.5)


def kernel(sd: float) -> np.ndarray:
    found = np.exp(-0.5 * ((GRID[:, None] - GRID) / sd) ** 2)
    return np.asarray(found / found.sum(axis=0))


def grid_scores(frame: pd.DataFrame) -> np.ndarray:
    """Normal score of every tank against its batch, its own count left out."""
    alive, eggs = (frame[name].to_numpy(dtype=float)[:, None] for name in ("survivors", "eggs"))
    batch, names = pd.factorize(frame["batch_id"])
    own = frame.groupby(batch).first()
    units = own["units_at_delivery_c_days"].to_numpy(dtype=float)
    seasons = np.eye(own["season"].nunique())[pd.factorize(own["season"])[0]]
    design = np.column_stack(
        [np.ones(len(names)), own["species"] == "coho", (units - units.mean()) / units.std(), seasons]
    )
    prior_sd = np.array([*PRIOR_SD, *[SEASON_SD] * seasons.shape[1]])
    choose = gammaln(eggs + 1.0) - gammaln(alive + 1.0) - gammaln(eggs - alive + 1.0)
    given = np.exp(choose + alive * GRID - eggs * np.logaddexp(0.0, GRID))

    def parts(values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        tank_sd, batch_sd = np.exp(values[:2])
        likelihood = np.log(given @ ((1.0 - APART) * kernel(tank_sd) + APART * kernel(WIDER * tank_sd)) + 1e-300)
        prior = -0.5 * ((GRID - (design @ values[2:])[:, None]) / batch_sd) ** 2
        prior -= np.log(np.exp(prior).sum(axis=1))[:, None]
        together = np.zeros_like(prior)
        np.add.at(together, batch, likelihood)
        return likelihood, prior, together

    def minus_log(values: np.ndarray) -> float:
        _, prior, together = parts(values)
        total = prior + together
        top = total.max(axis=1)
        marginal = top + np.log(np.exp(total - top[:, None]).sum(axis=1))
        return float(-marginal.sum() + 0.5 * np.sum((values[2:] / prior_sd) ** 2) + 0.02 * np.sum(values[:2] ** 2))

    level = np.log(alive.sum() / (eggs - alive).sum())
    found = minimize(minus_log, np.array([-0.9, -0.7, level, *np.zeros(design.shape[1] - 1)]), method="L-BFGS-B",
                     options={"maxiter": 25, "ftol": 1e-7}).x  # fmt: skip
    likelihood, prior, together = parts(found)
    others = prior[batch] + together[batch] - likelihood
    others = np.exp(others - others.max(axis=1)[:, None])
    expected = (others / others.sum(axis=1)[:, None]) @ kernel(np.exp(found[0])).T
    share = 1.0 / (1.0 + np.exp(-GRID)) + np.zeros_like(given)
    up_to = binomial_cdf(alive + np.zeros_like(given), eggs + np.zeros_like(given), share)
    return np.asarray(ndtri(np.clip(((up_to - 0.5 * given) * expected).sum(axis=1), 1e-16, 1.0 - 1e-16)))


def drawn(seed: int, plan: dict[str, float], points: float) -> tuple[pd.DataFrame, np.ndarray]:
    """A programme whose seasons differ, whose coho lose 6 points and early eggs some; a twentieth are poor."""
    rng = np.random.default_rng(seed + 7_000)
    frame = programme(seed, season_sd=0.4, **plan)
    frame["units_at_delivery_c_days"] = frame["batch_id"].map(
        {name: rng.uniform(200.0, 480.0) for name in sorted(frame["batch_id"].unique())}
    )
    frame = thinned(frame, seed, frame["species"] == "coho", 6.0)
    frame = thinned(frame, seed + 1, frame["units_at_delivery_c_days"] < 300.0, 5.0)
    poor = pd.Series(rng.random(len(frame)) < 0.05)
    return thinned(frame, seed + 2, poor, points), poor.to_numpy()


@pytest.mark.parametrize(("points", "plan"), [(35.0, {}), (20.0, {}), (12.0, SMALL_SPREADS)])
def test_the_simpler_screen_finds_no_more(points: float, plan: dict[str, float]) -> None:
    scores: dict[str, list[np.ndarray]] = {"screen": [], "grid": []}
    seconds, poor = dict.fromkeys(scores, 0.0), []
    for seed in range(PROGRAMMES):
        frame, chosen = drawn(seed, plan, points)
        poor.append(chosen)
        began = time.process_time()
        rows = screen_setups(frame).rows.set_index(["season", "tank_id"])
        scores["screen"].append(rows.loc[pd.MultiIndex.from_frame(frame[["season", "tank_id"]]), "z_score"])
        between = time.process_time()
        scores["grid"].append(grid_scores(frame))
        seconds["screen"] += between - began
        seconds["grid"] += time.process_time() - between
    is_poor, found = np.concatenate(poor), {}
    for name, parts in scores.items():
        score = np.concatenate(parts).astype(float)
        known = np.isfinite(score)
        limits = np.quantile(score[known & ~is_poor], np.array(FALSE_FLAGS) / 100.0)
        found[name] = [100.0 * float((score[known & is_poor] < limit).mean()) for limit in limits]
    print(f"\n-{points:.0f} points {plan}, {is_poor.sum()} poor tanks, at {FALSE_FLAGS} % false flags:")
    for name, shares in found.items():
        print(f"  {name}: {', '.join(f'{share:.0f}' for share in shares)} % found, {seconds[name]:.0f} s")
    error = 100.0 * float(np.sqrt(0.25 / is_poor.sum()))
    assert np.mean(found["grid"]) <= np.mean(found["screen"]) + 2.0 * error
