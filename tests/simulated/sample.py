"""The small sample kept with the code: two seasons of twelve tanks, with as many kinds of mistakes as fit."""

from __future__ import annotations

from pathlib import Path

from tests.simulated.traps import changed

from broodyear.synthetic.plan import Plan
from broodyear.synthetic.programme import Programme, simulate
from broodyear.synthetic.writing import write_truth, write_uploads

SEED = 11
SEASONS, TANKS, REGIONS, LOGGER_INTERVAL_MINUTES = 2, 12, 2, 360

# In so few tank-seasons the planned shares would leave most mistakes out, so the sample has more of each.
_SHARES = {
    "f_readings_tank_share": 0.08,
    "f_units_share": 0.12,
    "units_restarted_share": 0.12,
    "zero_filled_weekends_share": 0.3,
    "cumulative_dead_share": 0.15,
    "copied_run_share": 0.15,
    "set_point_typed_share": 0.08,
    "copied_forecast_share": 0.3,
    "logger_in_air_share": 0.4,
    "clock_offset_share": 0.4,
}


def sample_plan() -> Plan:
    """The plan of the sample: one poor tank, and more mistakes than the full plan has."""
    return changed(Plan(), places={"poor_tanks": 1, "poor_sites": 0}, mistakes=_SHARES)


def simulate_sample() -> Programme:
    """The programme of the sample."""
    return simulate(
        SEED,
        seasons=SEASONS,
        tanks=TANKS,
        regions=REGIONS,
        logger_interval_minutes=LOGGER_INTERVAL_MINUTES,
        plan=sample_plan(),
    )


def write_sample(folder: Path | str) -> None:
    """Write the sample as it is kept: uploads in `folder`/sample, and `folder`/sample_truth.json beside."""
    programme = simulate_sample()
    write_uploads(programme, Path(folder) / "sample")
    write_truth(programme, Path(folder) / "sample_truth.json")
