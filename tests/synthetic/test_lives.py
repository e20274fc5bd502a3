"""What happens in the tanks: every egg is accounted for, and records show what happened."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from broodyear.synthetic import Programme

BIAS_TOLERANCE_DAYS = 0.15
"""Interval mid-error of an unbiased reader: about 1 800 events with spreads up to 2 days."""


def test_every_egg_is_accounted_for(programme: Programme) -> None:
    tanks = pd.DataFrame(programme.truth["tank_seasons"])
    dead = tanks["true_dead_egg"] + tanks["true_dead_alevin"] + tanks["true_dead_fry"]
    assert (tanks["true_eggs"] == dead + tanks["true_left_alive"] + tanks["true_escaped"]).all()
    assert (tanks["true_hatched"] == tanks["true_eggs"] - tanks["true_dead_egg"]).all()


def test_found_dead_never_exceed_the_dead(programme: Programme) -> None:
    for truth in programme.seasons:
        assert (truth.fates.dead_found.sum(axis=2) <= truth.fates.dead).all()


def test_about_nine_in_ten_dead_are_found_and_fewer_alevins_in_stones(programme: Programme) -> None:
    found, dead, layered = [], [], []
    for truth in programme.seasons:
        found.append(truth.fates.dead_found[1].sum(axis=1))
        dead.append(truth.fates.dead[1])
        layered.append((truth.setups["gravel_practice"] == "layered_stones").to_numpy())
    share = pd.DataFrame({"found": np.concatenate(found), "dead": np.concatenate(dead)})
    share = share.groupby(np.concatenate(layered)).sum()
    assert share.loc[False, "found"] / share.loc[False, "dead"] == pytest.approx(0.92, abs=0.03)
    assert share.loc[True, "found"] / share.loc[True, "dead"] == pytest.approx(0.45, abs=0.06)


def test_written_losses_are_the_found_dead(programme: Programme) -> None:
    losses = programme.clean.losses
    for truth in programme.seasons:
        written = losses[losses["_season"] == truth.calendar.season].groupby("_at")["dead"].sum()
        found = (truth.fates.dead_found * truth.open_days).sum(axis=(0, 2))
        assert (written.reindex(range(len(found)), fill_value=0) == found).all()


def test_released_and_dead_balance_within_counting_error(programme: Programme) -> None:
    """Of tanks that reported, few have more fish out than eggs in beyond a tenth."""
    exits, losses = programme.clean.exits, programme.clean.losses
    deliveries = programme.clean.deliveries
    eggs = deliveries.groupby(["_season", "_at"])["eggs_live"].sum()
    out = exits[exits["fate"] != "transferred_in"].groupby(["_season", "_at"])["count"].sum()
    dead = losses.groupby(["_season", "_at"])["dead"].sum()
    share = (out.add(dead, fill_value=0) / eggs).dropna()
    assert (share > 1.10).mean() < 0.03
    assert 0.03 < (share > 1.0).mean() < 0.45, "honest counts do exceed the eggs now and then"


def test_transfers_balance(programme: Programme) -> None:
    exits = programme.clean.exits
    out = exits[exits["fate"] == "transferred_out"].groupby(["_season", "exited_on"])["count"].sum()
    into = exits[exits["fate"] == "transferred_in"].groupby(["_season", "exited_on"])["count"].sum()
    both = out.index.intersection(into.index)
    assert len(both) >= 2
    assert (out[both] == into[both]).all()


@pytest.mark.parametrize(("stage", "day"), [("hatch_half", "hatch_day"), ("button_up", "button_up_day")])
def test_intervals_hold_the_event_without_bias(programme: Programme, stage: str, day: str) -> None:
    """The middle of short intervals is right on average: nobody's dates are early or late by construction."""
    errors = []
    for truth in programme.seasons:
        rows = programme.clean.stages
        rows = rows[(rows["_season"] == truth.calendar.season) & (rows["stage"] == stage)]
        rows = rows[rows["last_absent_on"].notna()]
        width = (rows["first_seen_on"] - rows["last_absent_on"]).dt.days
        rows = rows[width <= 3]
        middle = rows["last_absent_on"] + (rows["first_seen_on"] - rows["last_absent_on"]) / 2
        middle_day = (middle - pd.Timestamp(truth.calendar.first)) / pd.Timedelta(days=1) + 1
        true_day = getattr(truth.progress, day)[truth.main][rows["_at"].to_numpy()]
        errors.append(middle_day.to_numpy() - true_day)
    error = np.concatenate(errors)
    standard_error = error.std() / np.sqrt(len(error))
    assert abs(error.mean()) < BIAS_TOLERANCE_DAYS + 3 * standard_error


def test_stages_come_in_order(programme: Programme) -> None:
    wide = programme.clean.stages.pivot(index=["_season", "_at"], columns="stage", values="first_seen_on")
    for earlier, later in [
        ("hatch_first", "hatch_half"),
        ("hatch_half", "hatch_all"),
        ("hatch_all", "button_up"),
    ]:
        both = wide[[earlier, later]].dropna()
        assert (both[earlier] <= both[later]).mean() > 0.97


def test_water_stays_near_the_set_point_except_when_the_chiller_stops(programme: Programme) -> None:
    for truth in programme.seasons:
        daily = truth.water.daily_mean_c()
        set_point = truth.setups["set_point_c"].to_numpy()[:, None]
        assert np.median(np.abs(daily - set_point)) < 0.8
        assert np.isfinite(daily).all()
        stopped = truth.incidents[truth.incidents["kind"] == "chiller_stopped"]
        rises = [
            truth.water.hourly_c[a, s : e + 1].max() - truth.water.hourly_c[a, s]
            for a, s, e in zip(stopped["at"], stopped["start_hour"], stopped["end_hour"], strict=True)
        ]
        assert np.mean(rises) > 1.5


def test_collapses_mostly_fall_silent(programme: Programme) -> None:
    tanks = pd.DataFrame(programme.truth["tank_seasons"])
    reports = tanks.groupby("collapsed")["reports"].mean()
    assert reports[True] < 0.65
    assert reports[False] > 0.90


def test_tanks_planted_poor_lack_the_planned_points(programme: Programme) -> None:
    poor = programme.truth["poor_tanks"]
    assert len(poor) == 3
    assert all(len(tank["seasons"]) == 5 for tank in poor)
    assert [p for tank in poor for p in tank["shortfall_points"]] == pytest.approx([30.0] * 15, abs=0.02)
    assert [p for site in programme.truth["poor_sites"] for p in site["shortfall_points"]] == pytest.approx(
        [25.0] * 10, abs=0.02
    )
