"""What the records say of a level stands beside a trial that would give it to live animals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tests.simulated.tank_seasons import TankSeasonPlan, draw_tank_seasons

from broodyear.trials import plan_trial
from broodyear.trials.analysis import found_worse

PLAN = TankSeasonPlan(sites=60, seasons=3, tanks_per_season=40, gravel_effects={"gravel": 1.5})


@pytest.fixture(scope="module")
def records() -> pd.DataFrame:
    """A bare bottom costs some 20 points; who has carried media over does not matter."""
    rng = np.random.default_rng(4)
    frame = draw_tank_seasons(rng, PLAN).assign(outcome="delivered_to_release", usable=True, delivered=True)
    return frame.assign(media_carried_over_pct=rng.choice([0.0, 50.0], len(frame)), light_cover=True)


def test_a_level_found_worse_is_named_beside_the_plan(records: pd.DataFrame) -> None:
    (claim,) = found_worse(records, "gravel_practice", ("gravel", "bare"))
    assert {claim.level, claim.reference} == {"gravel", "bare"} and claim.is_claimed
    said = plan_trial(records, records, "gravel_practice", ("gravel", "bare")).sentences()
    (harm,) = [one for one in said if "found worse" in one]
    assert harm.startswith(
        f"on these records gravel practice: bare was found worse than gravel by {abs(claim.estimate):.0f} points"
    )
    assert harm.endswith("clear: what was found worse is not worth a trial; leave that level out")


@pytest.mark.parametrize(
    ("factor", "levels"),
    [
        ("gravel_practice", ("gravel", "single_layer_stones")),  # neither is the worse one
        ("media_carried_over_pct", ("0", "50")),  # compared, and not clear
        ("light_cover", ("true", "false")),  # every tank has one
        ("thermostat", ("a", "b")),  # no practice of the records
    ],
)
def test_nothing_is_said_of_levels_that_the_records_do_not_show_to_be_worse(
    records: pd.DataFrame, factor: str, levels: tuple[str, ...]
) -> None:
    assert found_worse(records, factor, levels) == ()


def test_records_that_carry_no_comparison_say_nothing(records: pd.DataFrame) -> None:
    assert found_worse(records.head(0), "gravel_practice", ("gravel", "bare")) == ()
    assert found_worse(records.head(3), "gravel_practice", ("gravel", "bare")) == ()
