"""Small and odd programmes, cut out of one simulated programme: what a first year, or a bad one, looks like."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pandas as pd

from broodyear.schemas import table
from broodyear.synthetic import simulate

Frames = Mapping[str, pd.DataFrame]

LAST_SEASON = 2024
#: A logger's reading every twelve hours: small files, and still several readings a day.
_EVERY_MINUTES = 720
#: The day on which a season "just begun" is looked at: eggs have come to most tanks, few have hatched.
JUST_BEGUN = dt.date(LAST_SEASON, 11, 25)

_DATES = {
    "losses": "checked_on",
    "stages": "first_seen_on",
    "exits": "exited_on",
    "incidents": "started_at",
    "water_tests": "tested_on",
    "temperatures": "read_at",
    "deliveries": "delivered_on",
}


@dataclass(frozen=True)
class SmallProgramme:
    """name: as tests show it; seasons, tanks: at most so many; odd: what is odd about it, of ODDITIES."""

    name: str
    seasons: int
    tanks: int
    odd: tuple[str, ...] = ()


@cache
def _whole() -> dict[str, pd.DataFrame]:
    """Three seasons of thirty tanks, as careful people keep them."""
    clean = simulate(11, seasons=3, tanks=30, logger_interval_minutes=_EVERY_MINUTES).clean
    names = [*_DATES, "sites", "tanks", "setups", "batches"]
    return {name: getattr(clean, name).reset_index(drop=True) for name in names}


def frames_of(programme: SmallProgramme) -> dict[str, pd.DataFrame]:
    """The tables of a small programme; a table without rows is left out."""
    frames = _cut(_whole(), programme.seasons, programme.tanks)
    for odd in programme.odd:
        frames = {**frames, **ODDITIES[odd](frames)}
    return {name: frame for name, frame in frames.items() if len(frame)}


def _cut(frames: Frames, seasons: int, tanks: int) -> dict[str, pd.DataFrame]:
    """The last so many seasons, and in each the first so many tanks."""
    setups = frames["setups"]
    setups = setups[setups["season"] > LAST_SEASON - seasons]
    return _of_setups(frames, setups.groupby("season", group_keys=False).head(tanks))


def _of_setups(frames: Frames, setups: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Every table, with only what belongs to these set-ups."""
    kept = setups[["season", "tank_id"]].rename(columns={"season": "_season"})
    parts = {name: frames[name].merge(kept, on=["_season", "tank_id"]) for name in _DATES}
    parts["setups"] = setups
    parts["sites"] = frames["sites"][frames["sites"]["site_id"].isin(setups["site_id"])]
    parts["tanks"] = frames["tanks"][frames["tanks"]["tank_id"].isin(setups["tank_id"])]
    parts["batches"] = frames["batches"][frames["batches"]["batch_id"].isin(parts["deliveries"]["batch_id"])]
    return parts


def _one_species(species: str) -> Callable[[Frames], dict[str, pd.DataFrame]]:
    def cut(frames: Frames) -> dict[str, pd.DataFrame]:
        batches = frames["batches"].loc[frames["batches"]["species"] == species, "batch_id"]
        held = frames["deliveries"][frames["deliveries"]["batch_id"].isin(batches)]
        kept = held[["_season", "tank_id"]].drop_duplicates().rename(columns={"_season": "season"})
        return _of_setups(frames, frames["setups"].merge(kept, on=["season", "tank_id"]))

    return cut


def _without(*names: str) -> Callable[[Frames], dict[str, pd.DataFrame]]:
    return lambda frames: {name: frames[name].head(0) for name in names}


def _one_region(frames: Frames) -> dict[str, pd.DataFrame]:
    sites = frames["sites"]
    chosen = sites.loc[sites["region"] == sites["region"].iloc[0], "site_id"] if len(sites) else []
    return _of_setups(frames, frames["setups"][frames["setups"]["site_id"].isin(chosen)])


def _one_batch(frames: Frames) -> dict[str, pd.DataFrame]:
    only = frames["batches"].head(1)
    return {"batches": only, "deliveries": frames["deliveries"].assign(batch_id=only["batch_id"].iloc[0])}


def _one_practice(frames: Frames) -> dict[str, pd.DataFrame]:
    alike = {"gravel_practice": "gravel", "room_type": "classroom", "light_cover": True, "insulated": True}
    return {"setups": frames["setups"].assign(**alike)}


def _bare_setups(frames: Frames) -> dict[str, pd.DataFrame]:
    """Set-ups that say nothing but whose tank it is."""
    said = {"season", "tank_id", "site_id"}
    columns = [name for name in table("setups").column_names if name not in said]
    return {"setups": frames["setups"].assign(**dict.fromkeys(columns))}


def _all_dead(frames: Frames) -> dict[str, pd.DataFrame]:
    """Every egg is found dead three weeks after it came."""
    first = frames["deliveries"].drop_duplicates(["_season", "tank_id"])
    eggs = frames["deliveries"].groupby(["_season", "tank_id"])["eggs_live"].sum()
    counts = [eggs[place] for place in first[["_season", "tank_id"]].itertuples(index=False, name=None)]
    day = pd.to_datetime(first["delivered_on"]).dt.date + dt.timedelta(21)
    said = {"stage": "egg", "dead": counts, "entry": "counted"}
    dead = first[["tank_id", "_season"]].assign(checked_on=day, **said)
    return {"losses": dead, "exits": frames["exits"].head(0), "stages": frames["stages"].head(0)}


def _none_dead(frames: Frames) -> dict[str, pd.DataFrame]:
    """No loss is written down but zeros, and as many are released as came."""
    exits = frames["exits"].drop_duplicates(["_season", "tank_id"])
    eggs = frames["deliveries"].groupby(["_season", "tank_id"])["eggs_live"].sum()
    counts = [eggs[place] for place in exits[["_season", "tank_id"]].itertuples(index=False, name=None)]
    return {"losses": frames["losses"].assign(dead=0), "exits": exits.assign(fate="released", count=counts)}


def _just_begun(frames: Frames) -> dict[str, pd.DataFrame]:
    """As it stands some weeks after the first eggs came in the last season."""
    end = pd.Timestamp(JUST_BEGUN)
    cut = {name: frames[name][pd.to_datetime(frames[name][column]) <= end] for name, column in _DATES.items()}
    return {**cut, "setups": frames["setups"].assign(closed_on=None, end_reason=None)}


ODDITIES: Mapping[str, Callable[[Frames], dict[str, pd.DataFrame]]] = {
    "chinook_alone": _one_species("chinook"),
    "coho_alone": _one_species("coho"),
    "rainbow_trout_alone": _one_species("rainbow_trout"),
    "no_temperatures": _without("temperatures"),
    "no_losses": _without("losses"),
    "no_stages": _without("stages"),
    "no_exits": _without("exits"),
    "no_deliveries": _without("deliveries", "losses", "stages", "exits", "temperatures"),
    "no_happenings": _without("incidents", "water_tests"),
    "setups_alone": _without(*_DATES, "batches"),
    "sites_and_tanks_alone": _without(*_DATES, "batches", "setups"),
    "one_region": _one_region,
    "one_batch": _one_batch,
    "one_practice": _one_practice,
    "bare_setups": _bare_setups,
    "all_dead": _all_dead,
    "none_dead": _none_dead,
    "just_begun": _just_begun,
}

_SIZES = ((1, 1), (1, 2), (1, 3), (1, 5), (1, 15), (1, 30), (2, 1), (2, 4), (2, 30), (3, 1), (3, 3), (3, 8))
_ALSO_LARGE = (
    "chinook_alone", "coho_alone", "rainbow_trout_alone", "no_temperatures", "no_losses", "no_stages",
    "one_region", "all_dead", "none_dead", "just_begun", "one_batch", "one_practice",
)  # fmt: skip

#: Sixty of them.
SMALL_PROGRAMMES: tuple[SmallProgramme, ...] = (
    *(SmallProgramme(f"{seasons}x{tanks}", seasons, tanks) for seasons, tanks in _SIZES),
    *(SmallProgramme(f"{odd}-{s}x{t}", s, t, (odd,)) for odd in ODDITIES for s, t in ((1, 6), (3, 2))),
    *(SmallProgramme(f"{odd}-2x30", 2, 30, (odd,)) for odd in _ALSO_LARGE),
)

#: For the default run, in which each takes one part of the commands; the sweep of all is among the benchmarks.
FEW: tuple[str, ...] = ("all_dead-3x2", "no_temperatures-1x6", "2x4", "just_begun-1x6")


def write_uploads(programme: SmallProgramme, folder: Path) -> Path:
    """Write the tables as CSV files into a new folder, and return it."""
    folder.mkdir(parents=True)
    for name, frame in frames_of(programme).items():
        columns = [column for column in table(name).column_names if column in frame.columns]
        ready = frame[columns].copy()
        for column in columns:
            has_hour = frame.get(f"{column}_has_hour")
            if has_hour is not None:
                timed, dated = (
                    ready[column].dt.strftime("%Y-%m-%dT%H:%M:%S"),
                    ready[column].dt.strftime("%Y-%m-%d"),
                )
                ready[column] = timed.where(has_hour.astype(bool), dated)
            elif pd.api.types.is_datetime64_any_dtype(ready[column]):
                ready[column] = ready[column].dt.strftime("%Y-%m-%d")
        ready = ready.drop_duplicates(list(table(name).primary_key)) if name == "temperatures" else ready
        ready.to_csv(folder / f"{name}.csv", index=False)
    return folder
