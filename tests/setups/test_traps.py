"""Traps a careless analysis falls into, each planted in a drawn programme; more seeds in the benchmarks."""

from __future__ import annotations

import numpy as np
from tests.remembered import remembered
from tests.setups.programmes import SMALL_SPREADS, poor_practice, programme, thinned, with_poor_tanks

from broodyear import setups
from broodyear.setups import sites_table, what_to_change
from broodyear.setups.predictive import lower_mid_p
from broodyear.survival import effects_report

compare_setups = remembered(setups.compare_setups)
SEEDS = range(8)
FLAGS = ["below_expected", "watch"]


def test_ordinary_tanks_are_hardly_ever_called_below_expected() -> None:
    shares = [(compare_setups(programme(seed))["verdict"] == "below_expected").mean() for seed in SEEDS]
    assert np.mean(shares) <= 0.02


def test_plain_binomial_limits_would_flag_a_quarter_or_more() -> None:
    frame = programme(1, eggs_low=150, eggs_high=151)
    expected = compare_setups(frame)["expected_pct"] / 100.0
    ordered = frame.sort_values(["season", "tank_id"])
    log_odds = np.log(expected / (1.0 - expected)).to_numpy()
    counts = ordered["survivors"].to_numpy(dtype=float), ordered["eggs"].to_numpy(dtype=float)
    lower = lower_mid_p(*counts, log_odds, np.full(len(log_odds), 1e-9))
    assert (2.0 * np.minimum(lower, 1.0 - lower) <= 0.05).mean() > 0.24


def test_poor_tanks_are_found_where_ordinary_variation_is_small() -> None:
    poor = ["T0000", "T0020", "T0040"]
    found = []
    for seed in SEEDS:
        frame = programme(seed, seasons=3, eggs_low=150, eggs_high=151, **SMALL_SPREADS)
        rows = compare_setups(with_poor_tanks(frame, seed, poor))
        found.append(rows.loc[rows["tank_id"].isin(poor), "verdict"].isin(FLAGS).mean())
    assert np.mean(found) >= 0.80


def test_a_bad_batch_is_not_a_row_of_bad_tanks() -> None:
    frame = programme(3)
    bad = frame["batch_id"] == frame["batch_id"].iloc[0]
    rows = compare_setups(thinned(frame, 3, bad, 30.0))
    lost = rows[rows["batch_id"] == frame["batch_id"].iloc[0]]
    assert (lost["verdict"] == "below_expected").mean() <= 0.1
    assert lost["expected_pct"].mean() < rows["expected_pct"].mean() - 15.0


def test_small_tanks_do_not_fill_the_flags() -> None:
    flagged, small = 0, 0
    for seed in SEEDS:
        rows = compare_setups(programme(seed))
        chosen = rows[rows["verdict"].isin(FLAGS)]
        flagged, small = flagged + len(chosen), small + int((chosen["eggs"] < 60).sum())
    # A third of the tanks have fewer than 60 eggs (log-uniform between 30 and 300).
    assert small / flagged < 0.40


def test_shrinking_pulls_small_tanks_further() -> None:
    rows = compare_setups(programme(2))
    gap = (rows["shrunken_pct"] - rows["expected_pct"]) / (rows["observed_pct"] - rows["expected_pct"])
    far = (rows["observed_pct"] - rows["expected_pct"]).abs() > 5.0
    assert gap[far & (rows["eggs"] < 60)].median() < gap[far & (rows["eggs"] > 200)].median()


def test_gravel_is_really_room_type() -> None:
    adjusted, raw = [], []
    for seed in range(4):
        frame = programme(
            seed,
            gravel_by_room={"classroom": 0.8, "library": 0.8, "hallway": 0.2},
            room_effects={"hallway": -0.7},
        )
        frame["gravel_practice"] = np.where(frame["gravel_practice"] == "bare", "bare", "gravel")
        table = effects_report(frame).practices
        gravel = table[(table["practice"] == "gravel_practice") & (table["level"] == "gravel")].iloc[0]
        adjusted.append(gravel["difference_points"])
        rates = table[table["practice"] == "gravel_practice"].set_index("level")["raw_pct"]
        raw.append(rates["gravel"] - rates["bare"])
    # The standard error of a mean of four is about 0.8 points; raw, gravel looks some six points better.
    assert abs(np.mean(adjusted)) < 2.0
    assert np.mean(raw) > 3.0
    bare = table[(table["practice"] == "gravel_practice") & (table["level"] == "bare")].iloc[0]
    assert "goes together with room type hallway" in bare["note"]
    overlap = table[table["practice"] == "room_and_gravel"].set_index("level")["tanks"]
    assert overlap["hallway / bare"] > 2 * overlap["hallway / gravel"]


def test_a_poor_practice_is_ranked_first() -> None:
    first = [what_to_change(poor_practice(seed))["level"].iloc[0] for seed in range(3)]
    assert np.mean(["layered_stones" in level for level in first]) >= 0.80


def test_regression_to_the_mean_is_said_beside_an_improvement() -> None:
    sites = sites_table(programme(4))
    better = sites["last_difference_points"] - sites["first_difference_points"] > 10.0
    fell_first = sites["first_difference_points"] < -8.0
    assert (better & fell_first).any()
    notes = sites.loc[better & fell_first, "note"]
    said = "better by .* points since its first season, of which about .* would come back with nothing changed"
    assert notes.str.contains(said).all()


def test_the_worst_sites_come_back_by_what_was_foretold() -> None:
    foretold, came = [], []
    for seed in SEEDS:
        sites = sites_table(programme(seed, seasons=2))
        worst = sites[sites["seasons"] == 2].nsmallest(6, "first_difference_points")
        foretold += list(worst["expected_regain_points"])
        came += list(worst["last_difference_points"] - worst["first_difference_points"])
    # Departures in points are skewed, so the two means agree within about a third.
    assert np.mean(came) > 5.0
    assert abs(np.mean(foretold) - np.mean(came)) < 0.35 * np.mean(came)
