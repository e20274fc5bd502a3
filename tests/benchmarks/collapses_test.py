"""What is claimed where practices and regions do nothing, but pumps stop, tanks collapse and some fall silent.

The simulator's own programme with every effect of a practice, of warmth and of a site's diligence taken out: what
strikes a tank stays, with the tails that no normal spread has. Seeds were chosen before looking. Fewer programmes,
or seeds never seen:

    PROGRAMMES=40 FIRST_SEED=50000 python -m pytest tests/benchmarks/collapses_test.py -s
"""

from __future__ import annotations

import os

import pandas as pd
from tests.simulated.outcomes import outcome_rows
from tests.simulated.traps import changed

from broodyear.regions import region_comparison
from broodyear.survival import effects_report
from broodyear.synthetic import simulate
from broodyear.synthetic.plan import Plan

PROGRAMMES = int(os.environ.get("PROGRAMMES", "120"))
FIRST_SEED = int(os.environ.get("FIRST_SEED", "4400"))
#: What is allowed of programmes with a claim: 5 %, and twice its standard error.
ALLOWED = 0.05 + 2.0 * (0.05 * 0.95 / PROGRAMMES) ** 0.5
TANKS = (16, 24, 40, 80)
IDLE = dict.fromkeys(
    (
        "bare_alevin_log_hazard", "layered_stones_alevin_log_hazard", "hallway_log_hazard",
        "no_light_cover_egg_log_hazard", "no_media_fry_log_hazard", "warm_log_hazard_per_c",
        "late_feeding_log_hazard_per_day", "keen_site_log_hazard",
    ),
    0.0,
)  # fmt: skip


def programme(seed: int) -> pd.DataFrame:
    """Tank-seasons of one to four seasons of 16 to 80 tanks."""
    plan = changed(Plan(), places={"poor_tanks": 0, "poor_sites": 0}, survival=IDLE)
    size = {"seasons": 1 + seed % 4, "tanks": TANKS[seed // 4 % 4]}
    return outcome_rows(simulate(seed, **size, plan=plan, with_readings=False))


def test_nothing_is_claimed_of_practices_and_regions_that_do_nothing() -> None:
    claimed = {"practices": 0, "practices without the rule of one tank": 0, "regions": 0}
    for seed in range(FIRST_SEED, FIRST_SEED + PROGRAMMES):
        frame = programme(seed)
        reasons = effects_report(frame).effects["reason"]
        claimed["practices"] += (reasons == "clear").any()
        claimed["practices without the rule of one tank"] += reasons.isin(["clear", "hangs_on_one_tank"]).any()
        claimed["regions"] += (region_comparison(frame).rows["reason"] == "clear").any()
    shares = {name: number / PROGRAMMES for name, number in claimed.items()}
    print(f"\n{PROGRAMMES} programmes: " + ", ".join(f"{name} {100 * one:.1f} %" for name, one in shares.items()))
    assert shares["practices"] <= ALLOWED
    assert shares["regions"] <= ALLOWED
