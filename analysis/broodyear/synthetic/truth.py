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
from .people_and_places import Places
from .plan import Plan, Shape
from .season import SeasonTruth
from .streams import Floats

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


def gather_truth(
    seed: int,
    plan: Plan,
    shape: Shape,
    lived: tuple[SeasonTruth, ...],
    places: Places,
    mistakes: pd.DataFrame,
) -> dict[str, Any]:
    """Everything planted, as nested plain values."""
    tanks = tank_seasons(lived)
    return {
        "seed": seed,
        "seasons": list(shape.years),
        "tanks_per_season": shape.tanks,
        "regions": sorted(set(places.sites["region"])),
        "plan": asdict(plan),
        "effects": planted_effects(lived, plan, seed),
        "effects_meaning": MEANING,
        "no_effect": NULL_EFFECTS,
        "poor_tanks": _poor(tanks, "tank"),
        "poor_sites": _poor(tanks, "site"),
        "collapsed": _listed(tanks[tanks["collapsed"]]),
        "not_reporting": _listed(tanks[~tanks["reports"]]),
        "regions_truth": _regions(lived, plan),
        "batches": _plain(_batches(lived)),
        "sites": _plain(_sites(places)),
        "development": _development(),
        "forecast_sheet_units_c_days": HANDOUT_UNITS_C_DAYS,
        "record_errors": _record_errors(mistakes),
        "tank_seasons": _plain(tanks.drop(columns="poor")),
    }


def tank_seasons(lived: tuple[SeasonTruth, ...]) -> pd.DataFrame:
    """One row per season and tank: true counts, true expected survival, true days of stages, what struck
    it."""
    return pd.concat([_season_rows(truth) for truth in lived], ignore_index=True)


def _season_rows(truth: SeasonTruth) -> pd.DataFrame:
    setups, fates, main = truth.setups, truth.fates, truth.main
    eggs = np.bincount(truth.cohorts["at"], truth.cohorts["eggs"], len(setups)).astype(np.int64)
    background, shock = (part[:, main] for part in truth.hazard.cumulative())
    frame = setups[
        ["season", "tank_id", "site_id", "region", "room_type", "gravel_practice", "poor", "reports"]
    ].copy()
    batches = truth.batches.iloc[truth.cohorts["batch"].to_numpy()[main]]
    frame["batch_id"], frame["species"] = batches["batch_id"].to_numpy(), batches["species"].to_numpy()
    frame["collapsed"] = setups["collapses"].to_numpy()
    frame["true_eggs"] = eggs
    frame["true_hatched"] = fates.hatched
    frame["true_left_alive"] = fates.left + fates.partial + fates.moved_out - fates.moved_in
    frame["true_escaped"] = fates.escaped
    frame["true_dead_egg"], frame["true_dead_alevin"], frame["true_dead_fry"] = fates.dead
    frame["expected_hatch_pct"] = _pct(np.exp(-background[0] - shock[0]))
    frame["expected_release_pct"] = _pct(np.exp(-(background + shock).sum(axis=0)))
    usual = background / truth.poor_factor[main]
    frame["expected_release_pct_if_not_poor"] = _pct(np.exp(-(usual + shock).sum(axis=0)))
    frame["expected_release_pct_without_shocks"] = _pct(np.exp(-background.sum(axis=0)))
    frame["true_fraction_at_delivery"] = truth.cohorts["fraction"].to_numpy()[main].round(4)
    frame["true_units_at_delivery_c_days"] = truth.cohorts["true_units_c_days"].to_numpy()[main].round(1)
    frame["true_hatch_day"] = _days_after_delivery(truth.progress.hatch_day[main], truth)
    frame["true_button_up_day"] = _days_after_delivery(truth.progress.button_up_day[main], truth)
    frame["true_mean_water_temp_c"] = _mean_water(truth)
    frame["struck_by"] = _struck_by(truth)
    return frame


def _pct(share: Floats) -> Floats:
    return (100 * share).round(2)


def _days_after_delivery(day: Floats, truth: SeasonTruth) -> Floats:
    """Days from the end of the day of delivery, as the record set counts them."""
    days: Floats = (day - truth.cohorts["day"].to_numpy()[truth.main] - 1).round(3)
    return days


def _mean_water(truth: SeasonTruth) -> Floats:
    daily = truth.water.daily_mean_c()
    day = np.arange(daily.shape[1])[None, :]
    first = truth.cohorts["day"].to_numpy()[truth.main][:, None]
    here = (day >= first) & (day < truth.schedule.close_day[:, None])
    mean: Floats = (np.where(here, daily, 0).sum(axis=1) / np.maximum(here.sum(axis=1), 1)).round(3)
    return mean


def _struck_by(truth: SeasonTruth) -> list[str]:
    kinds: dict[int, list[str]] = {}
    for at, kind, is_collapse in zip(
        truth.incidents["at"], truth.incidents["kind"], truth.incidents["is_collapse"], strict=True
    ):
        kinds.setdefault(int(at), []).append(f"collapse:{kind or 'unknown'}" if is_collapse else str(kind))
    return ["; ".join(kinds.get(at, [])) for at in range(len(truth.setups))]


def _poor(tanks: pd.DataFrame, kind: str) -> list[dict[str, Any]]:
    """Planted poor tanks or sites: their seasons and by how many points each lacks against its usual self."""
    rows = tanks[tanks["poor"] == kind]
    by = "tank_id" if kind == "tank" else "site_id"
    return [
        {
            by: name,
            "tanks": sorted(set(part["tank_id"])),
            "seasons": sorted({int(s) for s in part["season"]}),
            "shortfall_points": (part["expected_release_pct_if_not_poor"] - part["expected_release_pct"])
            .round(2)
            .tolist(),
            "expected_release_pct": part["expected_release_pct"].tolist(),
        }
        for name, part in rows.groupby(by)
    ]


def _listed(tanks: pd.DataFrame) -> list[dict[str, Any]]:
    return _plain(tanks[["season", "tank_id"]])


def _regions(lived: tuple[SeasonTruth, ...], plan: Plan) -> dict[str, Any]:
    """Where the bad batch went, and which regions share batches."""
    rows = pd.concat(
        [
            pd.DataFrame(
                {
                    "region": t.setups["region"],
                    "batch_id": t.batches["batch_id"].to_numpy()[batch],
                    "is_bad": t.batches["is_bad"].to_numpy()[batch],
                }
            )
            for t in lived
            for batch in [t.cohorts["batch"].to_numpy()[t.main]]
        ]
    )
    shared = rows.groupby("batch_id")["region"].nunique()
    return {
        "log_hazard": dict.fromkeys(sorted(set(rows["region"])), plan.survival.region_log_hazard),
        "bad_batches": sorted(set(rows.loc[rows["is_bad"], "batch_id"])),
        "share_of_tanks_with_bad_batch": rows.groupby("region")["is_bad"].mean().round(3).to_dict(),
        "batches_shared": {
            region: int((shared[sorted(set(part["batch_id"]))] > 1).sum())
            for region, part in rows.groupby("region")
        },
    }


def _batches(lived: tuple[SeasonTruth, ...]) -> pd.DataFrame:
    columns = [
        "batch_id",
        "season",
        "species",
        "donor_stock",
        "log_hazard",
        "is_bad",
        "rate_factor",
        "hatchery_temp_c",
    ]
    return pd.concat([truth.batches[columns] for truth in lived], ignore_index=True).round(5)


def _sites(places: Places) -> pd.DataFrame:
    columns = [
        "site_id",
        "region",
        "log_hazard",
        "keen",
        "thermometer_offset_c",
        "thermometer_step",
        "reads_fahrenheit",
    ]
    return places.sites[columns].round(4)


def _development() -> dict[str, Any]:
    """The true curves of an average batch, and their days at constant temperatures."""
    names = ("fertilisation to half hatched", "half hatched to half buttoned up")
    return {
        species: {
            name: {
                **asdict(curve),
                "days_at_c": {str(t): round(curve.days(t), 3) for t in CURVE_TEMPERATURES_C},
            }
            for name, curve in zip(names, curves, strict=True)
        }
        for species, curves in TRUE_CURVES.items()
    }


def _record_errors(mistakes: pd.DataFrame) -> list[dict[str, Any]]:
    """Every planted mistake, with the rule of the checks that should find it."""
    columns = ["rule", "found_by", "table", "season", "tank_id", "rows", "detail"]
    return _plain(mistakes.assign(found_by=mistakes["rule"].map(FOUND_BY).fillna(""))[columns])


def _plain(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as dictionaries of Python values; missing numbers become None."""
    columns = {str(name): frame[name].tolist() for name in frame}
    return [
        {
            name: None if isinstance(value, float) and np.isnan(value) else value
            for name, value in zip(columns, row, strict=True)
        }
        for row in zip(*columns.values(), strict=True)
    ]
