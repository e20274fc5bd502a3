"""Dates at several set points for a delivery that is still to come."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from numbers import Real
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from broodyear.development.arrays import Floats
from broodyear.development.forecast.forecast_models import candidate_models
from broodyear.development.forecast.forecasting import (
    ALL_FITS,
    cautions_on,
    in_stage_order,
    own_fits,
    stage_forecast,
)
from broodyear.development.forecast.paths import AHEAD_SD_SET_POINT_C, Journeys
from broodyear.development.likelihood.fit_result import Fits
from broodyear.development.likelihood.tank_records import MOST_UNITS_C_DAYS
from broodyear.development.models.own_models import DevelopmentModel, nominal_models
from broodyear.development.models.published import known_models
from broodyear.errors import UsageError
from broodyear.settings import Settings, species_entry, words_of_species

if TYPE_CHECKING:
    from broodyear.store import Store

SET_POINTS_C = (6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0)
PLAN_STAGES = ("hatch_half", "button_up")
_DATES = ("expected_on", "low_80", "high_80", "low_95", "high_95")
PLAN_COLUMNS = ("set_point_c", "stage", "model", "headline", *_DATES, "in_window", "in_window_80", "note")


@dataclass(frozen=True)
class PlannedDelivery:
    """A delivery that is still to come.

    species: as in the batches table; units_at_delivery_c_days: thermal units in °C·d; hatchery_temp_c: mean before
    delivery (None: 5 to 11 °C is allowed for); window: first and last date wanted for button-up and, where
    release_after_days (days from button-up to release) is given, for release. Raises UsageError for impossible
    units, temperatures or dates.
    """

    species: str
    delivered_on: dt.date
    units_at_delivery_c_days: float
    hatchery_temp_c: float | None = None
    window: tuple[dt.date, dt.date] | None = None
    release_after_days: int | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.delivered_on, dt.date):
            raise UsageError(f"a delivery is on a date, but this is of type {type(self.delivered_on).__name__}")
        units, hatchery_c = self.units_at_delivery_c_days, self.hatchery_temp_c
        if not isinstance(units, Real) or not 0.0 <= units <= MOST_UNITS_C_DAYS:
            raise UsageError(
                f"thermal units at delivery are {units}; expected 0 to {MOST_UNITS_C_DAYS:g} °C·d "
                "(°F·d divide by 1.8)"
            )
        if hatchery_c is not None and not 0.0 < hatchery_c <= 25.0:
            raise UsageError(f"the hatchery temperature is {hatchery_c} °C; expected one above 0 and up to 25")
        if self.window is not None and self.window[0] > self.window[1]:
            first, last = self.window
            raise UsageError(f"the window ends on {last}, before it begins on {first}; give the earlier first")


def plan_dates(
    delivery: PlannedDelivery,
    *,
    set_points_c: Sequence[float] = SET_POINTS_C,
    fits: Fits | None = None,
    settings: Settings | None = None,
    models: Sequence[DevelopmentModel] = (),
) -> pd.DataFrame:
    """Expected dates of the stages of one delivery at each set point (°C), and which set points meet its window.

    fits: own fits as ``own_fits`` makes them (default: published models); settings: may declare the species;
    models: of one's own.

    Columns: PLAN_COLUMNS. in_window: the expected date lies in the window; in_window_80: so does the whole 80 %
    interval; blank without a window, for other stages, and without an interval. Rows of stage "release" stand
    only where release_after_days is given: when to release is the permit's word, not the model's. Raises
    UsageError for set points that cannot be, and for a species without a model.

    >>> planned = plan_dates(PlannedDelivery("chinook", dt.date(2024, 11, 8), 310), set_points_c=[8.0])
    >>> planned.query("headline and stage == 'hatch_half'")["expected_on"].dt.date.iloc[0]
    datetime.date(2024, 12, 10)
    """
    if not len(set_points_c) or not all(0.0 < point <= 25.0 for point in set_points_c):
        raise UsageError("set points are °C above 0 and up to 25; give at least one")
    given = [*models, *nominal_models(settings or Settings())]
    delivery = _by_its_code(delivery, settings or Settings())
    _check_species(delivery.species, fits or {}, given)
    hatchery_c = delivery.hatchery_temp_c
    tanks = pd.DataFrame(
        {
            "tank_id": [f"{set_point:g}" for set_point in set_points_c],
            "species": delivery.species,
            "batch_id": "planned",
            "delivered_on": pd.Timestamp(delivery.delivered_on),
            "units_at_delivery_c_days": float(delivery.units_at_delivery_c_days),
            "hatchery_temp_c": np.nan if hatchery_c is None else float(hatchery_c),
        }
    )
    journeys = _still_ahead(np.asarray(set_points_c, dtype=float))
    parts = [
        stage_forecast(tanks, journeys, stage, candidate_models(delivery.species, stage, fits or {}, given))
        for stage in PLAN_STAGES
    ]
    rows = pd.concat(parts, ignore_index=True)
    rows["set_point_c"] = rows["tank_id"].astype(float)
    if delivery.release_after_days is not None:
        rows = pd.concat([rows, _release(rows, delivery.release_after_days)], ignore_index=True)
    return _arranged(rows, delivery.window, [*PLAN_STAGES, "release"])


def plan_by_records(
    delivery: PlannedDelivery, store: Store | None, settings: Settings, models: Sequence[DevelopmentModel] = ()
) -> tuple[pd.DataFrame, list[str]]:
    """The rows of ``plan_dates`` by the fits to a store's records, where there is one, and the cautions on them;
    models: of one's own.

    >>> dates, _ = plan_by_records(PlannedDelivery("chinook", dt.date(2024, 11, 8), 310), None, Settings())
    >>> dates["stage"].unique().tolist()
    ['hatch_half', 'button_up']
    """
    fits = own_fits(store, stages=PLAN_STAGES) if store else None
    dates = plan_dates(delivery, fits=fits, settings=settings, models=models)
    return dates, [*([ALL_FITS] if fits else []), *cautions_on(models)]


def _by_its_code(delivery: PlannedDelivery, settings: Settings) -> PlannedDelivery:
    """The delivery with the code of its species, where it has another spelling that the settings know."""
    _, spelt = words_of_species(settings)
    return replace(delivery, species=spelt.get(str(delivery.species).strip().lower(), delivery.species))


def _check_species(species: str, fits: Fits, given: Sequence[DevelopmentModel]) -> None:
    if not isinstance(species, str):
        raise UsageError(f"a species is a word, but this is of type {type(species).__name__}")
    declared = (model.species for model in given)
    known = sorted({*known_models()["species"], *(of_fit for of_fit, _ in fits), *declared})
    if species not in known:
        raise UsageError(
            f"there is no model of development for the species {species!r}; expected one of {', '.join(known)}, "
            f"a store with enough records of it, or {species_entry(species)}"
        )


def _still_ahead(set_points_c: Floats) -> Journeys:
    """Journeys at the set points, half of the day of delivery left, as in a forecast without its hour."""
    n = len(set_points_c)
    first, spread = np.ones((n, 1)), np.full(n, AHEAD_SD_SET_POINT_C)
    temps, doubt = set_points_c[:, None], spread[:, None]
    return Journeys(temps, 0.5 * first, doubt, np.ones(n, dtype=np.intp), set_points_c, spread)


def _release(rows: pd.DataFrame, after_days: int) -> pd.DataFrame:
    release = rows[rows["stage"] == "button_up"].copy()
    for name in _DATES:
        release[name] = release[name] + pd.Timedelta(days=after_days)
    note = f"{after_days} days after button-up, as given; release only as the permit says; "
    return release.assign(stage="release", note=note + release["note"].astype(str))


def _arranged(rows: pd.DataFrame, window: tuple[dt.date, dt.date] | None, stages: Sequence[str]) -> pd.DataFrame:
    rows["in_window"], rows["in_window_80"] = _in_window(rows, window)
    return in_stage_order(rows, "set_point_c", stages).loc[:, list(PLAN_COLUMNS)]


def _in_window(rows: pd.DataFrame, window: tuple[dt.date, dt.date] | None) -> tuple[pd.Series, pd.Series]:
    if window is None:
        blank = pd.Series(pd.NA, index=rows.index, dtype="boolean")
        return blank, blank.copy()
    first, last = pd.Timestamp(window[0]), pd.Timestamp(window[1])
    has_window = rows["stage"].isin(["button_up", "release"])
    inside = rows["expected_on"].between(first, last).astype("boolean")
    surely = (rows["low_80"].ge(first) & rows["high_80"].le(last)).astype("boolean")
    return (
        inside.mask(~has_window | rows["expected_on"].isna()),
        surely.mask(~has_window | rows["low_80"].isna() | rows["high_80"].isna()),
    )
