"""What was recorded about a flagged tank that its shortfall is consistent with; never a cause."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

#: A circumstance shared by this share of the season's tanks or more does not mark a tank out.
COMMON_SHARE = 0.5

NOTHING_ON_RECORD = "nothing unusual on record"


@dataclass(frozen=True)
class Circumstance:
    """column: where it is recorded; holds: which values count; words: how it is said, {} is the value."""

    column: str
    holds: Callable[[pd.Series], pd.Series]
    words: str


def _at_least(limit: float) -> Callable[[pd.Series], pd.Series]:
    return lambda values: pd.to_numeric(values, errors="coerce") >= limit


def _at_most(limit: float) -> Callable[[pd.Series], pd.Series]:
    return lambda values: pd.to_numeric(values, errors="coerce") <= limit


def _one_of(*names: str) -> Callable[[pd.Series], pd.Series]:
    return lambda values: values.isin(names)


def _is(flag: bool) -> Callable[[pd.Series], pd.Series]:
    # A column nobody filled in holds only missing values, of whatever kind the frame was read with.
    return lambda values: values.astype("boolean").eq(flag).fillna(False).astype(bool)


#: Limits follow the published ones where there are any: 13 °C is the 7-day mean of daily maxima for incubation,
#: the rest are the handbook's and common practice, meant to point at records, not to judge.
CIRCUMSTANCES = (
    Circumstance("hours_above_warm", _at_least(6.0), "{:.0f} h above the warm limit"),
    Circumstance("max_7day_mean_of_daily_max_c", _at_least(13.0), "7-day mean of daily maxima of {:.1f} °C"),
    Circumstance("mean_water_temp_c", _at_least(11.0), "mean water temperature of {:.1f} °C"),
    Circumstance("mean_water_temp_c", _at_most(4.0), "mean water temperature of {:.1f} °C"),
    Circumstance("largest_rise_24h_c", _at_least(3.0), "a rise of {:.1f} °C within 24 h"),
    Circumstance("hours_interrupted", _at_least(1.0), "{:.0f} h of interrupted cooling or water movement"),
    Circumstance("dead_on_arrival_pct", _at_least(5.0), "{:.0f} % dead on arrival"),
    Circumstance("transit_hours", _at_least(6.0), "{:.0f} h in transit"),
    Circumstance("unaccounted_pct", _at_least(10.0), "{:.0f} % of the eggs unaccounted for"),
    Circumstance("losses_look_cumulative", _is(True), "dead counts that look like running totals"),
    Circumstance("late_picks", _at_least(5.0), "{:.0f} dead eggs picked late"),
    Circumstance("end_reason", _one_of("equipment_failure"), "equipment failure given as reason for ending"),
    Circumstance("room_type", _one_of("hallway", "foyer"), "a {} as room"),
    Circumstance("gravel_practice", _one_of("layered_stones", "bare"), "{} as gravel practice"),
    Circumstance("light_cover", _is(False), "no light cover"),
    Circumstance("insulated", _is(False), "no insulation"),
    Circumstance("weekend_access", _is(False), "nobody looking on weekends"),
    Circumstance("differential_c", _at_least(2.5), "a thermostat differential of {:.1f} °C"),
    Circumstance("conditioning_days", _at_most(5.0), "{:.0f} days between filling and delivery"),
    Circumstance("media_carried_over_pct", _at_most(0.0), "no filter media carried over"),
    Circumstance("chiller_age_years", _at_least(10.0), "a chiller {:.0f} years old"),
)


def circumstances(rows: pd.DataFrame, flagged: pd.Series) -> pd.Series:
    """One sentence fragment per row, empty where `flagged` is False.

    A circumstance is named only when fewer than half of the season's tanks with that record share it.
    """
    found: dict[object, list[str]] = {index: [] for index in rows.index[flagged]}
    table = _with_shares(rows)
    for circumstance in CIRCUMSTANCES:
        if circumstance.column in table:
            _collect(table, circumstance, found)
    said = {index: _sentence(names) for index, names in found.items()}
    return pd.Series([said.get(index, "") for index in rows.index], index=rows.index, dtype=object)


def _with_shares(rows: pd.DataFrame) -> pd.DataFrame:
    """Counts as shares of the eggs, where the counts are there."""
    table = rows.copy(deep=False)
    if "dead_on_arrival" in rows:
        dead = pd.to_numeric(rows["dead_on_arrival"], errors="coerce")
        table["dead_on_arrival_pct"] = 100.0 * dead / (dead + rows["eggs"])
    if "unaccounted" in rows:
        table["unaccounted_pct"] = 100.0 * pd.to_numeric(rows["unaccounted"], errors="coerce") / rows["eggs"]
    return table


def _collect(table: pd.DataFrame, circumstance: Circumstance, found: dict[object, list[str]]) -> None:
    values = table[circumstance.column]
    known = values.notna() & (values.astype(object) != "")
    holds = circumstance.holds(values).fillna(False).astype(bool) & known
    tanks = known.astype(float).groupby(table["season"]).sum().clip(lower=1.0)
    share = holds.astype(float).groupby(table["season"]).sum() / tanks
    uncommon = table["season"].map(share) < COMMON_SHARE
    for index in table.index[holds & uncommon]:
        if index in found:
            value = values.at[index]
            found[index].append(circumstance.words.format(value if ":" in circumstance.words else _plain(value)))


def _plain(value: object) -> str:
    return str(value).replace("_", " ")


def _sentence(names: list[str]) -> str:
    return "consistent with " + "; ".join(names) if names else NOTHING_ON_RECORD
