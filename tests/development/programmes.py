"""An invented programme whose true curve is known, for recovery tests."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.development import fit_development, forecast_stages
from broodyear.development.models.forms import Curve
from broodyear.errors import Refused

from .derived_frames import observed_stages, records

# A curve of the log_inverse family near Heming's chinook pairs; the tests only need that it is known.
TRUE = Curve("true", "log_inverse", {"ln_a": 9.41, "b": -1.9365, "c": -6.28}, 0.0, 20.0)
SIMULATED_DAYS = 260
#: What a household thermometer may be off (SD, °C), dates with day and month swapped, and what stocks differ by.
OFFSET_SD_C, WRONG_SHARE, STOCK_SD = 0.4, 0.03, 0.03
STOCKS = 3


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
    seasons: int = 4,
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
                "season": 2020 + batch[i] % seasons,
                "species": "chinook",
                "stage": "hatch_half",
                "donor_stock": f"ds{batch[i] % stocks}",
                "stock_log_effect": stock_effect[batch[i] % stocks],
            }
        )
    return Programme(pd.DataFrame(rows), daily, true)


def troubled(seed: int, sites: int, *, tanks: int = 120, batches: int = 12, seasons: int = 4) -> Programme:
    """A programme whose sites read their water warm or cold, with wrong dates, batches of three stocks."""
    made = simulate_programme(
        seed, tanks=tanks, batches=batches, stock_sd=STOCK_SD, stocks=STOCKS, seasons=seasons
    )
    rng = np.random.default_rng([seed, 1])
    offset = rng.normal(0.0, OFFSET_SD_C, sites)
    frame = made.frame.assign(site_id=[f"s{i % sites}" for i in range(tanks)])
    daily = {tank: made.daily[tank] + offset[i % sites] for i, tank in enumerate(frame["tank_id"])}
    is_wrong = rng.uniform(size=tanks) < WRONG_SHARE
    moved = np.where(is_wrong, rng.choice([-1.0, 1.0], tanks) * rng.integers(20, 60, tanks), 0.0)
    moved = np.where(frame["absent_day"] + moved < 1.0, np.abs(moved), moved)
    shifted = {edge: frame[edge] + moved for edge in ("absent_day", "seen_day")}
    return Programme(frame.assign(**shifted), daily, made.true)


def is_midway(rows: pd.DataFrame) -> bool:
    """Whether each bias has its limits, and lies as far from one as from the other, as Student's t has it."""
    below, above = rows["bias_days"] - rows["bias_low"], rows["bias_high"] - rows["bias_days"]
    return bool(np.allclose(below, above, rtol=1e-6) and (below > 0).all())


def as_season(made: Programme, is_in: np.ndarray, days: int = 10) -> dict[str, pd.DataFrame]:
    """The chosen tanks as derived tables, so many days read, and what was seen by then nowhere."""
    frame = made.frame[is_in].reset_index(drop=True)
    delivered = pd.Timestamp("2024-11-08")
    tanks = frame[["season", "tank_id", "batch_id", "species", "site_id", "donor_stock"]].assign(
        delivered_on=delivered, stage_at_delivery="eyed", lot_id="l", closed_on=pd.NaT, set_point_c=np.nan,
        units_at_delivery_c_days=frame["units_at_delivery_c_days"], hatchery_temp_c=frame["hatchery_temp_c"],
        day_share=1.0, region="r", weekend_access=False,
    )  # fmt: skip
    daily = pd.DataFrame(
        {
            "season": np.repeat(frame["season"].to_numpy(), days),
            "tank_id": np.repeat(frame["tank_id"].to_numpy(), days),
            "day": np.tile(pd.date_range(delivered, periods=days).to_numpy(), len(frame)),
            "water_temp_c": np.concatenate([made.daily[tank][:days] for tank in frame["tank_id"]]),
            "instrument": "logger",
            "source": "observed",
            "se_c": 0.0,
        }
    )
    return records(tanks, daily, observed_stages())


def siblings_inside(made: Programme) -> pd.DataFrame:
    """Whether each tank of a batch of the last season of which others were seen, but not this one, lies inside its
    intervals on the day of the first sighting in one of the batches: in_80, in_95, width_days."""
    frame = made.frame
    is_last = (frame["season"] == frame["season"].max()).to_numpy()
    last = frame[is_last]
    today = int(last.loc[last["batch_id"] == last["batch_id"].min(), "seen_day"].min())
    is_seen = (frame["seen_day"] <= today).to_numpy()
    fits = {}
    for form in ("constant_units", "exponential", "log_inverse"):
        with suppress(Refused):
            fits[form] = fit_development(frame[~is_last | is_seen], form, daily=made.daily)
    table = forecast_stages(
        as_season(made, is_last & ~is_seen, today), fits={("chinook", "hatch_half"): fits}, stages=("hatch_half",)
    )
    is_own = table["model"].str.startswith("own_") & table["headline"] & table["low_95"].notna()
    rows = table[is_own & table["batch_id"].isin(last.loc[last["seen_day"] <= today, "batch_id"])]
    event = frame.set_index("tank_id")["event_day"].reindex(rows["tank_id"]).to_numpy()
    on = rows["delivered_on"] + pd.to_timedelta(np.ceil(event) - 1, unit="D")
    inside = {f"in_{level}": rows[f"low_{level}"].le(on) & on.le(rows[f"high_{level}"]) for level in (80, 95)}
    return pd.DataFrame({**inside, "width_days": (rows["high_95"] - rows["low_95"]).dt.days})
