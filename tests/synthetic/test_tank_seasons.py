"""The light generator: seeded, sized as asked, and telling the truth about what it planted."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tests.simulated.tank_seasons import TankSeasonPlan, draw_tank_seasons

from broodyear.errors import UsageError


def test_same_seed_same_frame():
    first = draw_tank_seasons(np.random.default_rng(9))
    pd.testing.assert_frame_equal(first, draw_tank_seasons(np.random.default_rng(9)))
    assert not first.equals(draw_tank_seasons(np.random.default_rng(10)))


def test_one_row_per_tank_and_season_with_possible_counts():
    frame = draw_tank_seasons(np.random.default_rng(1), TankSeasonPlan(sites=30, seasons=4, tanks_per_season=25))
    assert len(frame) == 100
    assert not frame.duplicated(["season", "tank_id"]).any()
    assert frame["survivors"].between(0, frame["eggs"]).all()
    assert frame["eggs"].between(30, 300).all()
    assert frame.groupby("batch_id")["season"].nunique().max() == 1
    assert frame.groupby("site_id")["room_type"].nunique().max() == 1


def test_planted_effects_and_spreads_are_there():
    plan = TankSeasonPlan(
        sites=2000, tanks_per_season=2000, seasons=1, batches_per_season=1, batch_sd=0.0, season_sd=0.0,
        tank_sd=0.0, site_sd=0.5, gravel_effects={"gravel": 0.8},
    )  # fmt: skip
    frame = draw_tank_seasons(np.random.default_rng(2), plan)
    logit = np.log((frame["survivors"] + 0.5) / (frame["eggs"] - frame["survivors"] + 0.5))
    means = logit.groupby(frame["gravel_practice"]).mean()
    assert means["gravel"] - means["bare"] == pytest.approx(0.8, abs=0.08)
    assert logit[frame["gravel_practice"] == "bare"].std() == pytest.approx(0.5, abs=0.12)


def test_more_tanks_than_sites_is_refused():
    with pytest.raises(UsageError, match="tanks_per_season \\(20\\) must not exceed sites \\(10\\)"):
        draw_tank_seasons(np.random.default_rng(1), TankSeasonPlan(sites=10, tanks_per_season=20))
