"""The whole invented programme: its tables as kept, the same as sent with mistakes, and the truth beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from broodyear.errors import UsageError
from broodyear.schemas import table

from . import events, records
from .batches import build_batches
from .mistakes import plant_mistakes
from .places import Places, build_places
from .plan import MOST_SEASONS, MOST_TANKS, Plan, Shape
from .scenario import Scenario, Season, calendar_of
from .season import SeasonTruth, live_season
from .truth import gather_truth


@dataclass(frozen=True)
class Tables:
    """The tables of an invented programme, one frame each, columns as declared; it made no trial.

    A moment column `c` has a companion `c_has_hour` (bool). Hidden columns that begin with an underscore
    (`_season`, `_region`, `_at`) say which season, region and row of the season's setups a row came from;
    they are never written.
    """

    sites: pd.DataFrame
    tanks: pd.DataFrame
    setups: pd.DataFrame
    batches: pd.DataFrame
    deliveries: pd.DataFrame
    temperatures: pd.DataFrame
    losses: pd.DataFrame
    stages: pd.DataFrame
    exits: pd.DataFrame
    incidents: pd.DataFrame
    water_tests: pd.DataFrame

    def frame(self, name: str) -> pd.DataFrame:
        """The frame of a table by its name."""
        found: pd.DataFrame = getattr(self, name)
        return found


@dataclass(frozen=True)
class Programme(Scenario):
    """A simulated programme: its scenario, and what came of it.

    `clean`: the tables as careful people keep them; `sent`: the same with the planned mistakes, as they are
    uploaded; `mistakes`: one row per mistake (rule, table, season, tank_id, rows, detail); `seasons`: the truth
    of each season, as arrays; `truth`: what is planted, as plain values ready for JSON.
    """

    clean: Tables
    sent: Tables
    mistakes: pd.DataFrame
    seasons: tuple[SeasonTruth, ...]
    truth: dict[str, Any]

    @property
    def last_season(self) -> int:
        """The latest season."""
        return self.shape.years[-1]


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
    scenario = Scenario(seed, plan or Plan(), shape)
    places, batches = build_places(scenario), build_batches(scenario)
    lived = tuple(
        live_season(Season(scenario, calendar_of(year), _of(places.setups, year), _of(batches, year)))
        for year in shape.years
    )
    clean = Tables(**_written(lived, places))
    sent, mistakes = plant_mistakes(scenario, lived, vars(clean))
    truth = gather_truth(scenario, lived, places, mistakes)
    return Programme(
        **vars(scenario), clean=clean, sent=Tables(**sent), mistakes=mistakes, seasons=lived, truth=truth
    )


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


def _written(lived: tuple[SeasonTruth, ...], places: Places) -> dict[str, pd.DataFrame]:
    """Every table, season under season; sites in the season that first hosted them, tanks as registered."""
    writers = {
        "setups": records.setups_written,
        "batches": records.batches_written,
        "deliveries": records.deliveries_written,
        "temperatures": records.readings_written,
        "losses": records.losses_written,
        "stages": records.stages_written,
        "exits": events.exits_written,
        "incidents": events.incidents_written,
        "water_tests": events.water_tests_written,
    }
    made = {
        name: pd.concat([write(truth) for truth in lived], ignore_index=True) for name, write in writers.items()
    }
    started = places.setups.groupby("site_id")["season"].min()
    sites = places.sites.assign(_season=places.sites["site_id"].map(started), _region=places.sites["region"])
    tanks = places.tanks.assign(_season=places.tanks["registered"], _region="")
    for name, frame in {"sites": sites, "tanks": tanks}.items():
        made[name] = frame.assign(_at=0)[[*table(name).column_names, "_season", "_region", "_at"]]
    return made
