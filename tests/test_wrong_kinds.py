"""Whoever passes something of another kind is told what was expected, by an error of this package."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest

import broodyear
from broodyear.development import PlannedDelivery, days_to_stage, forecast_day, plan_dates, read_models
from broodyear.errors import UsageError
from broodyear.regions import region_comparison
from broodyear.setups import compare_setups, screen_setups, sites_table


def planned(species: Any) -> Any:
    return plan_dates(PlannedDelivery(species, dt.date(2024, 11, 20), 250.0))


FRAMES = (compare_setups, screen_setups, sites_table, region_comparison)
PATHS = (read_models, broodyear.open_store)


@pytest.mark.parametrize("given", [None, {}, []], ids=["None", "dict", "list"])
@pytest.mark.parametrize("function", [*FRAMES, *PATHS, planned], ids=lambda function: function.__name__)
def test_another_kind_of_value_is_refused_by_its_name(function: Callable[[Any], Any], given: object) -> None:
    with pytest.raises(UsageError, match=f"of type {type(given).__name__}$"):
        function(given)


@pytest.mark.parametrize("given", [{}, ["warm"], [[1.0], [2.0, 3.0]]], ids=["dict", "words", "ragged"])
@pytest.mark.parametrize("function", [days_to_stage, forecast_day])
def test_temperatures_are_numbers(function: Callable[..., Any], given: object) -> None:
    with pytest.raises(UsageError, match=r"temperatures are numbers \(°C\)"):
        function("fit_Heming1982_chinook_hatch", given)
