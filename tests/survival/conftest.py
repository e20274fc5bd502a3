"""Golden numbers and small frames shared by the survival tests."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from tests.simulated.tank_seasons import TankSeasonPlan, draw_tank_seasons

GOLDEN = Path(__file__).parent.parent / "golden" / "survival"


class Golden:
    """Published and reference numbers, each with its source in the file it comes from."""

    def frame(self, name: str) -> pd.DataFrame:
        return pd.read_csv(GOLDEN / f"{name}.csv")

    def value(self, file: str, entry: str) -> Any:
        return json.loads((GOLDEN / f"{file}.json").read_text())[entry]["value"]


@pytest.fixture(scope="session")
def golden() -> Golden:
    return Golden()


@pytest.fixture(scope="session")
def seeds(golden: Golden) -> pd.DataFrame:
    return golden.frame("seed_germination")


@pytest.fixture(scope="session")
def tanks() -> pd.DataFrame:
    """300 tank-seasons, 60 sites, 20 batches; gravel +0.4 and hallway −0.6 on the logit scale."""
    plan = TankSeasonPlan(gravel_effects={"gravel": 0.4}, room_effects={"hallway": -0.6}, temp_effect_per_c=-0.1)
    frame = draw_tank_seasons(np.random.default_rng(2), plan)
    return frame.assign(tank_season=frame["season"].astype(str) + frame["tank_id"])
