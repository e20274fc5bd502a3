"""Speed of forecasts; run alone on two cores.

Run: python -m pytest tests/benchmarks/development_speed_test.py -s
"""

from __future__ import annotations

import time

import numpy as np
from tests.development.derived_frames import daily_temperature, observed_stages, records, tank_seasons

from broodyear.development import forecast_table

TANKS, DAYS = 10_000, 60
MOST_SECONDS = 5.0


def test_ten_thousand_tank_seasons_with_intervals() -> None:
    rng = np.random.default_rng(1)
    set_point = rng.uniform(6, 10, TANKS)
    tanks = tank_seasons(
        TANKS,
        species=rng.choice(["chinook", "rainbow_trout"], TANKS),
        set_point_c=set_point,
        units_at_delivery_c_days=rng.uniform(250, 320, TANKS),
        hatchery_temp_c=rng.uniform(6, 10, TANKS),
    )
    daily = daily_temperature(tanks, DAYS, set_point[:, None] + rng.normal(0, 0.3, (TANKS, DAYS)))
    source = records(tanks, daily, observed_stages())
    begin = time.perf_counter()
    table = forecast_table(source)
    seconds = time.perf_counter() - begin
    print(f"{TANKS} tank-seasons of {DAYS} days, {len(table)} rows of dates: {seconds:.2f} s")
    assert table["headline"].sum() == 2 * TANKS
    assert seconds < MOST_SECONDS
