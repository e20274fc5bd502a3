"""What a trial could find: larger with more tanks, and what the spreads of the records make of it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.setups.programmes import programme
from tests.trials.programmes import ORDINARY, planned_tanks

from broodyear.errors import NothingToAnalyse
from broodyear.trials import assign, plan_trial, power_of, spreads_of
from broodyear.trials.power import reached_at, shift_for

#: 400 simulated trials know power to 2 points; near 80 % a point of difference is worth 3 to 4 points of power.
POINTS = 1.5


def assigned(tanks: int):  # type: ignore[no-untyped-def]
    listed = planned_tanks(tanks)
    past = listed.assign(gravel_practice="bare")
    return assign(listed, past, "gravel_practice", ("bare", "gravel"), season=2025, seed=1).rows


def test_spreads_are_those_that_were_planted() -> None:
    frame = programme(5, sites=150, seasons=4, tanks_per_season=150, site_sd=0.5, tank_sd=0.3)
    found = spreads_of(frame.assign(outcome="delivered_to_release", usable=True))
    # recovered to about a tenth from 600 tanks
    assert found.site_sd == pytest.approx(0.5, abs=0.12) and found.tank_sd == pytest.approx(0.3, abs=0.1)
    assert found.silent_share == 0.0
    with pytest.raises(NothingToAnalyse, match="^10 tanks at .* sites have a usable count so far; 20 at 5 are"):
        spreads_of(frame.head(10).assign(outcome="delivered_to_release", usable=True))


def test_tanks_that_are_waited_for_are_not_silent() -> None:
    frame = programme(5, sites=20, seasons=3, tanks_per_season=20).assign(outcome="delivered_to_release")
    last = frame["season"] == frame["season"].max()
    one_silent = frame.assign(usable=~last & (frame.index != frame.index[0]))
    assert spreads_of(one_silent.assign(is_waiting=last)).silent_share == pytest.approx(1.0 / 40.0)
    assert spreads_of(one_silent).silent_share == pytest.approx(21.0 / 60.0)


def test_a_first_season_of_a_tank_a_site_tells_its_spread_between_tanks() -> None:
    frame = programme(5, sites=60, seasons=1, tanks_per_season=60, site_sd=0.4, tank_sd=0.3)
    found = spreads_of(frame.assign(outcome="delivered_to_release", usable=True))
    # sites and tanks together: the root of 0.4² + 0.3²
    assert found.site_sd == 0.0 and found.tank_sd == pytest.approx(0.5, abs=0.15)


def test_one_site_is_not_several() -> None:
    frame = programme(5, sites=60, seasons=1, tanks_per_season=1).assign(
        outcome="delivered_to_release", usable=True
    )
    with pytest.raises(NothingToAnalyse, match="^1 tank at 1 site has a usable count so far; 20 at 5 are needed$"):
        spreads_of(frame)


def test_a_trial_is_drawn_though_every_fish_lived_and_says_that_power_is_not_known() -> None:
    frame = programme(5, sites=20, seasons=3, tanks_per_season=20).assign(
        outcome="delivered_to_release", usable=True
    )
    frame = frame.assign(survivors=frame["eggs"])
    seasons = frame.assign(delivered=True, gravel_practice="bare")
    plan = plan_trial(seasons, frame, "gravel_practice", ("bare", "gravel"))
    assert plan.power is None and len(plan.assignment.rows) == 20
    counts = f"in {plan.assignment.blocks} block{'s' if plan.assignment.blocks > 1 else ''} (batches are not known"
    assert counts in plan.sentences()[0]
    assert plan.sentences()[-1].startswith("what it could find cannot be worked out: ")


def test_a_plan_waits_for_the_season_that_runs() -> None:
    frame = programme(5, sites=20, seasons=3, tanks_per_season=20).assign(outcome="delivered_to_release")
    last = frame["season"] == frame["season"].max()
    day = pd.to_datetime(frame["season"].astype(str) + "-12-01")
    seasons = frame.assign(
        delivered=True, gravel_practice="bare", delivered_on=day, last_record_on=day + pd.Timedelta(days=50),
        left_alive=np.where(last, np.nan, frame["survivors"]),
    )  # fmt: skip
    seasons.loc[last, "last_record_on"] = day + pd.Timedelta(days=30)
    plan = plan_trial(seasons, frame.assign(usable=~last), "gravel_practice", ("bare", "gravel"))
    silent = plan_trial(
        seasons.assign(closed_on=day), frame.assign(usable=~last), "gravel_practice", ("bare", "gravel")
    )
    assert plan.power is not None and silent.power is not None
    assert plan.power.smallest_points[1] < silent.power.smallest_points[1]


def test_four_times_the_tanks_find_half_the_difference() -> None:
    small = power_of(assigned(48), ORDINARY, seed=1, seasons=(1,))
    large = power_of(assigned(192), ORDINARY, seed=1, seasons=(1,))
    assert large.smallest_points[1] == pytest.approx(small.smallest_points[1] / 2, abs=POINTS)
    assert small.tanks_for == math.ceil(48 * (small.smallest_points[1] / 5.0) ** 2)


def test_the_usual_formula_agrees_without_silence_or_binomial_noise() -> None:
    """(1.96 + 0.84)·s·√(2/n) for n tanks a level, s their spread in points (any text on sample size)."""
    quiet = replace(ORDINARY, log_odds=0.0, site_sd=0.0, batch_sd=0.0, tank_sd=0.2, eggs=np.array([10**6]),
                    silent_share=0.0)  # fmt: skip
    spread = 100.0 * 0.25 * 0.2  # slope of the logistic curve at one half
    expected = 2.80 * spread * math.sqrt(2 / 48)
    assert power_of(assigned(96), quiet, seed=1, seasons=(1,)).smallest_points[1] == pytest.approx(
        expected, rel=0.1
    )


def test_where_power_is_reached_lies_between_two_differences() -> None:
    found = np.zeros(120)
    found[10:] = 1.0
    assert reached_at(found, 0.8) == pytest.approx(5.0 + 0.5 * 0.8)
    assert math.isnan(reached_at(np.zeros(120), 0.8))


def test_a_shift_costs_what_it_says() -> None:
    """Without spread the cost is that of one logistic curve: from 50 % down by 0.8473 lie 30 %."""
    even = replace(ORDINARY, log_odds=0.0, site_sd=0.0, batch_sd=0.0, tank_sd=0.0)
    assert shift_for(20.0, even) == pytest.approx(0.8473, abs=1e-3)
    assert math.isnan(shift_for(60.0, even))


def test_a_plan_without_past_counts_assigns_and_says_that_power_is_not_known() -> None:
    frame = programme(2, sites=20, seasons=1, tanks_per_season=12).assign(outcome="delivered_to_release")
    seasons = frame.assign(delivered=True, gravel_practice="bare")
    plan = plan_trial(seasons, frame.assign(usable=False), "gravel_practice", ("bare", "gravel"))
    assert plan.power is None and plan.assignment.rows["level"].value_counts().tolist() == [6, 6]
    assert plan.sentences()[-1].startswith("what it could find cannot be worked out: 0 tanks at 0 sites")


def test_tanks_that_hold_eggs_of_the_season_already_are_counted_beside_the_list() -> None:
    frame = programme(2, sites=20, seasons=1, tanks_per_season=12).assign(outcome="delivered_to_release")
    year, levels = int(frame["season"].iloc[0]), ("bare", "gravel")
    seasons = frame.assign(delivered=[True] * 5 + [False] * 7, gravel_practice="bare")
    of_year = plan_trial(seasons, frame.assign(usable=False), "gravel_practice", levels, season=year)
    assert of_year.has_eggs == 5
    assert of_year.sentences()[1] == (
        "5 of these tanks got the eggs of that season already: a level given now is a change made among living"
        " animals, and one chosen before was not drawn; leave them as they are and draw before a delivery"
    )
    to_come = plan_trial(seasons, frame.assign(usable=False), "gravel_practice", levels, season=year + 1)
    assert to_come.has_eggs == 0 and not any("already" in one for one in to_come.sentences())
