"""An invented programme whose true curve is known, for recovery tests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.development.models.forms import Curve, curve

# A curve of the log_inverse family near Heming's chinook pairs; the tests only need that it is known.
TRUE = curve("true", "log_inverse", {"ln_a": 9.41, "b": -1.9365, "c": -6.28}, 0.0, 20.0)
SIMULATED_DAYS = 260


@dataclass(frozen=True)
class Programme:
    """Tank records as ``fit_development`` takes them, with their temperatures and true event days."""

    frame: pd.DataFrame
    daily: dict[str, np.ndarray]
    true: Curve


def simulate_programme(
    seed: int,
    *,
    tanks: int = 150,
    batches: int = 12,
    batch_sd: float = 0.03,
    tank_sd: float = 0.01,
    low_c: float = 5.0,
    high_c: float = 11.0,
    is_looked_at_weekends: bool = False,
    stocks: int = 1,
    stock_sd: float = 0.0,
    true: Curve = TRUE,
    look_hour: float = 24.0,
) -> Programme:
    """Eyed eggs at 55 % of development, steady water per tank, looks on weekdays at look_hour (24: the day's end).

    Batches belong to donor stocks in turn, which differ by stock_sd in log days (column stock_log_effect).
    """
    rng = np.random.default_rng(seed)
    batch = rng.integers(0, batches, tanks)
    slowness = rng.normal(0.0, batch_sd, batches)[batch] + rng.normal(0.0, tank_sd, tanks)
    stock_effect = np.random.default_rng([seed, 2]).normal(0.0, stock_sd, stocks)
    slowness = slowness + stock_effect[batch % stocks]
    days = np.arange(SIMULATED_DAYS)
    rows, daily = [], {}
    looked = np.maximum(days - (1.0 - look_hour / 24.0), 0.0)
    for i in range(tanks):
        wave = 0.3 * np.sin(days / 9.0 + rng.uniform(0, 6))
        temps = rng.uniform(low_c, high_c) + wave + rng.normal(0, 0.2, SIMULATED_DAYS)
        hatchery_c = rng.uniform(7.0, 10.0)
        needed = np.exp(slowness[i])
        start = 0.55 * needed
        done = start + np.cumsum(true.rate(temps))
        reached = int(np.searchsorted(done, needed))
        before = done[reached - 1] if reached else start
        event = reached + (needed - before) / (done[reached] - before)
        first_weekday = rng.integers(0, 5)
        is_look = (((days + first_weekday) % 7) < 5) | is_looked_at_weekends
        daily[f"t{i}"] = temps
        rows.append(
            {
                "tank_id": f"t{i}",
                "batch_id": f"b{batch[i]:02d}",
                "absent_day": float(days[(looked < event) & is_look].max()),
                "seen_day": float(days[(looked >= event) & is_look].min()),
                "units_at_delivery_c_days": start * hatchery_c * float(true.days(hatchery_c)),
                "hatchery_temp_c": hatchery_c,
                "event_day": event,
                "site_id": f"s{i % 40}",
                "season": 2020 + batch[i] % 4,
                "species": "chinook",
                "stage": "hatch_half",
                "donor_stock": f"ds{batch[i] % stocks}",
                "stock_log_effect": stock_effect[batch[i] % stocks],
            }
        )
    return Programme(pd.DataFrame(rows), daily, true)


def is_midway(rows: pd.DataFrame) -> bool:
    """Whether each bias has its limits, and lies as far from one as from the other, as Student's t has it."""
    below, above = rows["bias_days"] - rows["bias_low"], rows["bias_high"] - rows["bias_days"]
    return bool(np.allclose(below, above, rtol=1e-6) and (below > 0).all())
