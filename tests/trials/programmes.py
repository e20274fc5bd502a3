"""Simulated trials: a programme of tanks, its assignment, and what is recorded of it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.trials.power import Spreads, log_odds_drawn, survival_drawn

#: Spreads of an ordinary programme: logit SD 0.3 between sites, 0.3 between batches, 0.45 between tanks.
ORDINARY = Spreads(1.2, 0.3, 0.3, 0.45, np.arange(80, 200), 0.10)
#: Survivors are written per this many eggs, so that a share drawn from any number of eggs is kept.
EGGS = 10_000


def planned_tanks(tanks: int = 64, batches: int = 4, regions: int = 2) -> pd.DataFrame:
    """Tanks at sites of their own, spread evenly over batches and regions."""
    place = np.arange(tanks)
    return pd.DataFrame(
        {
            "tank_id": [f"T-{number:03d}" for number in place],
            "site_id": [f"S-{number:03d}" for number in place],
            "region": [f"R{number % regions}" for number in place],
            "batch_id": [f"B{number // regions % batches}" for number in place],
        }
    )


def recorded(
    rows: pd.DataFrame,
    shift: float,
    rng: np.random.Generator,
    *,
    not_followed: float = 0.0,
    spreads: Spreads = ORDINARY,
) -> tuple[pd.DataFrame, float]:
    """trial_outcomes of a trial, and the true effect of its assignment.

    rows: an assignment; the last level of the alphabet shifts the log-odds by ``shift``. Tanks that do not follow
    do the other level. The true effect is the mean over these tanks of survival, in points, if assigned to the
    last level less if assigned to the other, each following or not as it does.
    """
    last = (rows["level"] == max(rows["level"])).to_numpy()
    other = rng.random(len(rows)) < not_followed
    site, batch = (pd.factorize(rows[name])[0] for name in ("site_id", "batch_id"))
    log_odds = log_odds_drawn(spreads, site, batch, rng)
    without, with_it = (100.0 / (1.0 + np.exp(-(log_odds + size))) for size in (0.0, shift))
    truth = float(np.mean(np.where(other, -1.0, 1.0) * (with_it - without)))
    pct = survival_drawn(spreads, log_odds + shift * (last != other), rng)
    usable = ~np.isnan(pct)
    counts = {
        "eggs": np.where(usable, EGGS, np.nan),
        "survivors": np.round(pct / 100.0 * EGGS),
        "usable": usable,
        "followed": ~other,
    }
    return rows.assign(outcome="delivered_to_release", why_unusable=None, **counts), truth
