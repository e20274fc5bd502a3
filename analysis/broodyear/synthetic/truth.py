"""The truth beside the data: what was planted, as plain values ready for JSON. For tests only; no analysis
reads it."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from .development import TRUE_CURVES
from .effects import MEANING, planted_effects
from .mistakes import FOUND_BY, HANDOUT_UNITS_C_DAYS
from .places import Places
from .scenario import SIMULATED_DAYS, Floats, Scenario
from .season import SeasonTruth

CURVE_TEMPERATURES_C = (4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0)
NULL_EFFECTS = {
    "region": "regions differ only through their batches",
    "site_seasons": "a site's experience does nothing",
    "gravel_practice: gravel against single_layer_stones": "gravel does nothing; it goes with quiet rooms",
    "has_logger": "a logger does nothing; keen sites get loggers and do slightly better",
    "insulated": "acts on temperature only",
    "crushed_shell": "does nothing",
    "disinfectant": "does nothing",
    "volume_l": "acts on temperature only",
    "conditioning_days": "does nothing",
    "transit_hours": "does nothing; trips differ by luck",
}
BATCH = ["batch_id", "season", "species", "donor_stock", "log_hazard", "is_bad", "rate_factor", "hatchery_temp_c"]
SITE = ["site_id", "region", "log_hazard", "keen", "thermometer_offset_c", "thermometer_step", "reads_fahrenheit"]
TANK = ["season", "tank_id", "site_id", "region", "room_type", "gravel_practice", "poor", "reports"]


def gather_truth(
    scenario: Scenario, lived: tuple[SeasonTruth, ...], places: Places, mistakes: pd.DataFrame
) -> dict[str, Any]:
    """Everything planted, as nested plain values."""
    tanks = pd.concat([_tank_seasons(truth) for truth in lived], ignore_index=True)
    batches = pd.concat([truth.batches[BATCH] for truth in lived], ignore_index=True)
    errors = mistakes.assign(found_by=mistakes["rule"].map(FOUND_BY).fillna(""))
    return {
        "seed": scenario.seed,
        "seasons": list(scenario.shape.years),
        "tanks_per_season": scenario.shape.tanks,
        "regions": sorted(set(places.sites["region"])),
        "plan": asdict(scenario.plan),
        "effects": planted_effects(lived),
        "effects_meaning": MEANING,
        "no_effect": NULL_EFFECTS,
        "poor_tanks": _poor(tanks, "tank"),
        "poor_sites": _poor(tanks, "site"),
        "collapsed": _plain(tanks.loc[tanks["collapsed"], ["season", "tank_id"]]),
        "not_reporting": _plain(tanks.loc[~tanks["reports"], ["season", "tank_id"]]),
        "regions_truth": _regions(tanks, batches, scenario),
        "batches": _plain(batches.round(5)),
        "sites": _plain(places.sites[SITE].round(4)),
        "development": _development(),
        "forecast_sheet_units_c_days": HANDOUT_UNITS_C_DAYS,
        "record_errors": _plain(errors[["rule", "found_by", "table", "season", "tank_id", "rows", "detail"]]),
        "tank_seasons": _plain(tanks.drop(columns="poor")),
    }


def _tank_seasons(truth: SeasonTruth) -> pd.DataFrame:
    """One row per tank: true counts, true expected survival, true days of stages, what struck it."""
    fates, main, first = truth.fates, truth.main, truth.cohorts.iloc[truth.main].reset_index(drop=True)
    background, shock = (part[:, main] for part in truth.hazard.cumulative())
    usual = background / truth.poor_factor[main]
    dead_egg, dead_alevin, dead_fry = fates.dead
    day_of_delivery_ends = truth.first_day + 1  # as the record set counts days
    return truth.setups[TANK].assign(
        batch_id=truth.of_batch("batch_id")[main],
        species=truth.of_batch("species")[main],
        collapsed=truth.setups["collapses"],
        true_eggs=truth.cohorts.groupby("at")["eggs"].sum().to_numpy(),
        true_hatched=fates.hatched,
        true_left_alive=fates.left + fates.partial + fates.moved_out - fates.moved_in,
        true_escaped=fates.escaped,
        true_dead_egg=dead_egg,
        true_dead_alevin=dead_alevin,
        true_dead_fry=dead_fry,
        expected_hatch_pct=_survival_pct(background[0] + shock[0]),
        expected_release_pct=_survival_pct((background + shock).sum(axis=0)),
        expected_release_pct_if_not_poor=_survival_pct((usual + shock).sum(axis=0)),
        expected_release_pct_without_shocks=_survival_pct(background.sum(axis=0)),
        true_fraction_at_delivery=first["fraction"].round(4),
        true_units_at_delivery_c_days=first["true_units_c_days"].round(1),
        true_hatch_day=(truth.progress.hatch_day[main] - day_of_delivery_ends).round(3),
        true_button_up_day=(truth.progress.button_up_day[main] - day_of_delivery_ends).round(3),
        true_mean_water_temp_c=_mean_water_c(truth),
        struck_by=_struck_by(truth),
    )


def _survival_pct(hazard: Floats) -> Floats:
    return (100 * np.exp(-hazard)).round(2)


def _mean_water_c(truth: SeasonTruth) -> Floats:
    """(tanks,) mean water temperature from delivery to emptying, °C."""
    day = np.arange(SIMULATED_DAYS)
    here = (day >= truth.first_day[:, None]) & (day < truth.close_day[:, None])
    mean_c: Floats = (truth.water.daily_mean_c() * here).sum(axis=1) / np.maximum(here.sum(axis=1), 1)
    return mean_c.round(3)


def _struck_by(truth: SeasonTruth) -> list[str]:
    kinds: list[list[str]] = [[] for _ in range(len(truth.setups))]
    for at, kind, is_collapse in truth.incidents[["at", "kind", "is_collapse"]].to_numpy():
        kinds[at].append(f"collapse:{kind or 'unknown'}" if is_collapse else kind)
    return ["; ".join(struck) for struck in kinds]


def _poor(tanks: pd.DataFrame, kind: str) -> list[dict[str, Any]]:
    """Planted poor tanks or sites: their seasons and by how many points each lacks against its usual self."""
    shortfall = tanks["expected_release_pct_if_not_poor"] - tanks["expected_release_pct"]
    rows = tanks.assign(shortfall=shortfall.round(2))[tanks["poor"] == kind]
    return [
        {
            f"{kind}_id": name,
            "tanks": sorted(set(part["tank_id"])),
            "seasons": sorted(set(part["season"].tolist())),
            "shortfall_points": part["shortfall"].tolist(),
            "expected_release_pct": part["expected_release_pct"].tolist(),
        }
        for name, part in rows.groupby(f"{kind}_id")
    ]


def _regions(tanks: pd.DataFrame, batches: pd.DataFrame, scenario: Scenario) -> dict[str, Any]:
    """Where the bad batch went, and which regions share batches."""
    rows = tanks[["region", "batch_id"]].merge(batches[["batch_id", "is_bad"]], on="batch_id")
    served = rows.drop_duplicates(["region", "batch_id"])
    shared = served.assign(shared=served.groupby("batch_id")["region"].transform("size") > 1)
    return {
        "log_hazard": dict.fromkeys(sorted(set(rows["region"])), scenario.plan.survival.region_log_hazard),
        "bad_batches": sorted(set(rows.loc[rows["is_bad"], "batch_id"])),
        "share_of_tanks_with_bad_batch": rows.groupby("region")["is_bad"].mean().round(3).to_dict(),
        "batches_shared": shared.groupby("region")["shared"].sum().to_dict(),
    }


def _development() -> dict[str, Any]:
    """The true curves of an average batch, and their days at constant temperatures."""
    names = ("fertilisation to half hatched", "half hatched to half buttoned up")
    return {
        species: {
            name: asdict(curve) | {"days_at_c": {str(t): round(curve.days(t), 3) for t in CURVE_TEMPERATURES_C}}
            for name, curve in zip(names, curves, strict=True)
        }
        for species, curves in TRUE_CURVES.items()
    }


def _plain(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as dictionaries of Python values; missing numbers become None."""
    rows: list[Any] = frame.astype(object).where(frame.notna(), None).to_dict("records")
    return rows
