"""One trap at a time: plans in which everything is quiet except one planted thing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from broodyear.synthetic.plan import MistakesPlan, Plan
from broodyear.synthetic.programme import Programme, simulate

SMALL_TANK_SD = 0.15
SMALL_SITE_SD = 0.06
ORDINARY_TANK_SD = 0.45
ORDINARY_SITE_SD = 0.30


def changed(plan: Plan, **parts: dict[str, Any]) -> Plan:
    """A plan with some numbers of some parts replaced: `changed(plan, survival={"collapse_share": 0.1})`."""
    return replace(plan, **{name: replace(getattr(plan, name), **numbers) for name, numbers in parts.items()})


def quiet_plan() -> Plan:
    """No practice, room, warmth or batch does anything; nothing strikes, nobody errs, everybody reports.

    Ordinary variation is small (log hazard SD 0.15 between tank-seasons, 0.06 between sites).
    """
    quiet = changed(
        Plan(),
        places={"poor_tanks": 0, "poor_sites": 0},
        eggs={
            "bad_batch_every_seasons": 0,
            "small_delivery_share": 0.0,
            "late_trip_share": 0.0,
            "green_trip_share": 0.0,
            "batch_log_hazard_sd": 0.20,
            "stock_log_hazard_sd": 0.0,
            "lot_log_hazard_sd": 0.0,
            "isolated_last_region": False,
            "second_delivery_share": 0.0,
        },
        water={
            "chiller_stop_share": 0.0,
            "power_cut_per_region": 0.0,
            "pump_stop_share": 0.0,
            "ice_share": 0.0,
        },
        survival={
            "fry_hazard_per_day": 0.0002,  # deaths run on development, so that later releases do not differ
            "alevin_hazard": 0.07,
            "tank_log_hazard_sd": SMALL_TANK_SD,
            "site_log_hazard_sd": SMALL_SITE_SD,
            "season_log_hazard_sd": 0.0,
            "keen_site_log_hazard": 0.0,
            "bare_alevin_log_hazard": 0.0,
            "layered_stones_alevin_log_hazard": 0.0,
            "hallway_log_hazard": 0.0,
            "no_light_cover_egg_log_hazard": 0.0,
            "no_media_fry_log_hazard": 0.0,
            "warm_log_hazard_per_c": 0.0,
            "late_feeding_log_hazard_per_day": 0.0,
            "fungus_hazard_per_dead_egg": 0.0,
            "bad_day_probability": 0.0,
            "collapse_share": 0.0,
        },
        records={
            "reported_share": 1.0,
            "escape_share": 0.0,
            "transfer_share": 0.0,
            "partial_release_share": 0.0,
            "dead_alevins_found_in_stones_share": 0.92,
        },
    )
    return replace(quiet, mistakes=no_mistakes())


def no_mistakes() -> MistakesPlan:
    """Nobody makes a mistake, and every file is plain."""
    zeros: dict[str, Any] = {name: 0.0 for name in MistakesPlan.__dataclass_fields__ if name.endswith("_share")}
    return replace(MistakesPlan(), **zeros, rejected_rows=0, file_quirks=False)


_TRAPS: dict[str, tuple[str, dict[str, dict[str, Any]]]] = {
    "null": ("no tank, site, practice or region differs beyond small ordinary variation", {}),
    "null_ordinary_spread": (
        "the same with ordinary spreads (0.45 tanks, 0.30 sites): the smallest findable shortfall is large, "
        "and the worst of one season are better in the next by themselves",
        {"survival": {"tank_log_hazard_sd": ORDINARY_TANK_SD, "site_log_hazard_sd": ORDINARY_SITE_SD}},
    ),
    "worst_region_worst_batch": (
        "the first region's own batch is bad in every season; some of its tanks share batches with others",
        {
            "eggs": {
                "bad_batch_every_seasons": 1,
                "bad_batch_log_hazard": 1.1,
                "own_batch_share": 0.75,
                "neighbour_batch_share": 0.10,
                "shared_batch_share": 0.15,
            }
        },
    ),
    "worst_region_unshared_batch": (
        "the same, but no region shares a batch with another: nothing can separate them",
        {
            "eggs": {
                "bad_batch_every_seasons": 1,
                "bad_batch_log_hazard": 1.1,
                "own_batch_share": 1.0,
                "neighbour_batch_share": 0.0,
                "shared_batch_share": 0.0,
            }
        },
    ),
    "small_deliveries": ("four tanks in ten get 30 to 60 eggs", {"eggs": {"small_delivery_share": 0.4}}),
    "gravel_is_room_type": (
        "hallways lose fish, gravel does nothing, and gravel stands in quiet rooms",
        {
            "survival": {"hallway_log_hazard": 0.7},
            "places": {"hallway_share": 0.4, "layered_stones_share": 0.0, "gravel_share_quiet_rooms": 0.8},
        },
    ),
    "silent_failures": (
        "tanks collapse, and most of those that do stop reporting",
        {
            "survival": {"collapse_share": 0.12},
            "records": {"reported_share": 0.93, "reported_share_collapsed": 0.35},
        },
    ),
    "new_sites_new_chillers": (
        "new sites get new chillers, and old chillers stop: experience looks harmful",
        {
            "places": {"new_sites_get_new_chillers": True},
            "water": {"chiller_stop_share": 0.35, "chiller_stop_hours_median": 40.0},
        },
    ),
    "loggers_at_keen_sites": (
        "keen sites do better and have the loggers",
        {
            "survival": {"keen_site_log_hazard": -0.5},
            "places": {"logger_share_keen": 0.8, "logger_share_other": 0.05},
        },
    ),
    "late_deliveries": (
        "trips of one batch are far apart: later eggs are further on and are at risk for fewer days",
        {"eggs": {"trip_spacing_days": 6.0, "tanks_per_trip": 3}, "survival": {"egg_hazard": 0.4}},
    ),
    "hidden_deaths": (
        "alevins die in layered stones and most are never found",
        {
            "survival": {"layered_stones_alevin_log_hazard": 1.2},
            "records": {"dead_alevins_found_in_stones_share": 0.25},
        },
    ),
    "copied_forecasts": (
        "a third of hatch dates are copied from the forecast sheet",
        {"mistakes": {"copied_forecast_share": 0.33, "forecast_declared_share": 0.0}},
    ),
    "narrow_band": (
        "all water lies between 7 and 9 °C",
        {
            "places": {
                "cold_site_share": 0.0,
                "warm_site_share": 0.0,
                "set_point_low_c": 7.5,
                "set_point_high_c": 8.5,
            },
            "water": {"controller_offset_sd_c": 0.15, "slow_drift_sd_c": 0.05},
        },
    ),
    "poor_setups": (
        "eight tanks lack 12 points in every season, with 150 eggs each",
        {"places": {"poor_tanks": 8, "poor_tank_shortfall_points": 12.0}},
    ),
    "poor_practice": (
        "layered stones cost about 8 points",
        {"survival": {"layered_stones_alevin_log_hazard": 0.86}},
    ),
}

TRAPS: dict[str, str] = {name: words for name, (words, _) in _TRAPS.items()}
"""Name of each trap: what is planted."""


def trap_plan(name: str) -> Plan:
    """The plan of one trap. Raises ValueError for a name that is none."""
    if name not in _TRAPS:
        raise ValueError(f"{name!r} is no trap; choose one of {', '.join(_TRAPS)}")
    return changed(quiet_plan(), **_TRAPS[name][1])


def simulate_trap(name: str, seed: int, *, with_readings: bool = False, **sizes: int) -> Programme:
    """A programme with one trap planted alone.

    Args:
        name: one of TRAPS.
        with_readings: True to simulate the temperature table too (slower).
        sizes: seasons, tanks, regions, as in `simulate`.

    Raises:
        ValueError: when `name` is no trap.
    """
    return simulate(seed, plan=trap_plan(name), with_readings=with_readings, **sizes)
