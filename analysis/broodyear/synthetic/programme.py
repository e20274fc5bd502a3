"""The whole invented programme: its tables as kept, the same as sent with mistakes, and the truth beside them."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd

from broodyear.errors import UsageError
from broodyear.schemas import table

from .batches import build_batches
from .exits import exits_written
from .frames import as_date
from .happenings import incidents_written, water_tests_written
from .mistakes import plant_mistakes
from .people_and_places import Places, build_places, region_code
from .plan import MOST_SEASONS, MOST_TANKS, Plan, Shape
from .readings import as_frame, read_water
from .records import (
    deliveries_written,
    finish,
    losses_written,
    setups_written,
    stages_written,
)
from .season import SeasonTruth, live_season
from .set_ups import build_setups
from .tables import Tables
from .truth import gather_truth


@dataclass(frozen=True)
class Programme:
    """A simulated programme. `clean`: the tables as careful people keep them; `sent`: the same with the
    planned mistakes, as they are uploaded; `mistakes`: one row per mistake (rule, table, season, tank_id,
    rows, detail); `seasons`: the truth of each season, as arrays; `truth`: what is planted, as plain values
    ready for JSON."""

    seed: int
    plan: Plan
    shape: Shape
    clean: Tables
    sent: Tables
    mistakes: pd.DataFrame
    seasons: tuple[SeasonTruth, ...]
    truth: dict[str, Any]

    @property
    def last_season(self) -> int:
        """The latest season."""
        return self.shape.years[-1]

    def table(self, name: str) -> pd.DataFrame:
        """A clean table, declared columns only."""
        return self.clean.declared(name)


def simulate(
    seed: int,
    *,
    seasons: int = 5,
    tanks: int = 90,
    regions: int = 4,
    logger_interval_minutes: int = 60,
    with_readings: bool = True,
    plan: Plan | None = None,
) -> Programme:
    """Simulate an invented programme; the same arguments give the same programme on every machine.

    Args:
        seasons, tanks, regions: size; `tanks` is per season.
        logger_interval_minutes: a logger writes one reading so often.
        with_readings: False leaves out the temperature table, many times quicker.
        plan: the effects, spreads and shares; default the plan of synthetic_data/plan.md.

    Raises:
        UsageError: when a size is out of range or a season has fewer tanks than regions.
    """
    shape = Shape(seasons, tanks, regions, logger_interval_minutes, with_readings)
    refuse_odd_sizes(shape)
    plan = plan or Plan()
    places = build_places(seed, plan, shape)
    setups, batches = build_setups(seed, places, plan, shape), build_batches(seed, plan, shape)
    region_names = [region_code(number) for number in range(regions)]
    lived = tuple(
        live_season(seed, season, _of(setups, season), _of(batches, season), plan, region_names)
        for season in shape.years
    )
    clean = _written(seed, lived, places, plan, shape)
    return _complete(seed, plan, shape, clean, lived, places)


def _complete(
    seed: int, plan: Plan, shape: Shape, clean: Tables, lived: tuple[SeasonTruth, ...], places: Places
) -> Programme:
    """Plant the mistakes and gather the truth."""
    sent, mistakes = plant_mistakes(seed, clean, lived, plan)
    truth = gather_truth(seed, plan, shape, lived, places, mistakes)
    return Programme(seed, plan, shape, clean, sent, mistakes, lived, truth)


def refuse_odd_sizes(shape: Shape) -> None:
    """Raise UsageError for a size that cannot be simulated, naming the smallest and the largest that can."""
    if shape.tanks < shape.regions and shape.tanks > 0:
        why = f"{shape.tanks} {'tank' if shape.tanks == 1 else 'tanks'} cannot serve {shape.regions} regions"
    else:
        sizes = ("seasons", "tanks", "regions", "logger_interval_minutes")
        too_small = [f"{name} is {getattr(shape, name)}" for name in sizes if getattr(shape, name) < 1]
        limits = (("seasons", MOST_SEASONS), ("tanks", MOST_TANKS))
        too_large = [f"{name} is {getattr(shape, name)}" for name, most in limits if getattr(shape, name) > most]
        why = ", ".join([*too_small, *too_large])
    if why:
        raise UsageError(
            f"{why}; the smallest programme that can be simulated has 1 season and {max(shape.regions, 1)} tanks, "
            f"the largest {MOST_SEASONS} seasons and {MOST_TANKS} tanks"
        )


def _of(frame: pd.DataFrame, season: int) -> pd.DataFrame:
    return frame[frame["season"] == season].reset_index(drop=True)


def _written(seed: int, lived: tuple[SeasonTruth, ...], places: Places, plan: Plan, shape: Shape) -> Tables:
    """Every table, season under season."""
    made: dict[str, list[pd.DataFrame]] = {field.name: [] for field in fields(Tables)}
    for truth in lived:
        made["setups"].append(setups_written(truth, seed))
        made["batches"].append(_batches_written(truth))
        made["deliveries"].append(deliveries_written(truth, plan, seed))
        made["losses"].append(losses_written(truth, plan, seed))
        made["stages"].append(stages_written(truth, plan, seed))
        made["exits"].append(exits_written(truth, plan, seed))
        made["incidents"].append(incidents_written(truth, plan, seed))
        made["water_tests"].append(water_tests_written(truth, plan, seed))
        if shape.with_readings:
            made["temperatures"].append(as_frame(read_water(truth, plan, shape, seed), truth))
    made["temperatures"] = made["temperatures"] or [_no_readings()]
    joined = {name: _joined(parts) for name, parts in made.items() if parts}
    return Tables(sites=_sites_written(places), tanks=_tanks_written(places), **joined)


def _joined(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Season frames under each other; columns that are all blank in one season do not change a column's
    kind."""
    if isinstance(parts[0].get("tank_id", pd.Series()).dtype, pd.CategoricalDtype):
        parts = _with_common_categories(parts)
    usable = [
        part.astype({c: object for c in part if part[c].isna().all() and part[c].dtype == object})
        for part in parts
    ]
    return pd.concat(usable, ignore_index=True)


def _with_common_categories(parts: list[pd.DataFrame]) -> list[pd.DataFrame]:
    """Give the categorical columns of all parts the same categories, so that they stay categories when
    joined."""
    common = {}
    for name in parts[0].columns[parts[0].dtypes == "category"]:
        common[name] = sorted({value for part in parts for value in part[name].cat.categories})
    return [
        part.assign(**{n: part[n].cat.set_categories(values) for n, values in common.items()}) for part in parts
    ]


def _no_readings() -> pd.DataFrame:
    frame = pd.DataFrame({name: pd.Series(dtype=object) for name in table("temperatures").column_names})
    for name in ("read_at_has_hour", "_season", "_region", "_at"):
        frame[name] = pd.Series(dtype=object)
    return frame.astype({"read_at": "datetime64[us]", "water_temp": float})


def _batches_written(truth: SeasonTruth) -> pd.DataFrame:
    """Batches that reached a tank."""
    used = np.unique(truth.cohorts["batch"].to_numpy())
    frame = truth.batches.iloc[used].copy()
    frame["spawned_on"] = as_date(frame["spawned_on"].to_numpy())
    frame["_at"] = 0
    return finish(frame, "batches", truth).assign(_region="")


def _sites_written(places: Places) -> pd.DataFrame:
    """Sites, each in the season in which it was first hosted (`_season`)."""
    started = places.hosting.groupby("site_id")["season"].min()
    frame = places.sites[list(table("sites").column_names)].copy()
    return frame.assign(_season=frame["site_id"].map(started), _region=frame["region"], _at=0)


def _tanks_written(places: Places) -> pd.DataFrame:
    """Tanks, each in the season in which it was registered."""
    frame = places.tanks[list(table("tanks").column_names)].copy()
    return frame.assign(_season=places.tanks["registered"], _region="", _at=0)
