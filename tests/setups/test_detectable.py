"""The smallest shortfall a screen would find, checked by drawing tanks with that shortfall."""

from __future__ import annotations

import numpy as np
import pytest
from tests.setups.programmes import SMALL_SPREADS, programme

from broodyear.setups import funnel_limits, screen_setups, smallest_detectable_shortfall
from broodyear.setups.predictive import lower_mid_p

#: Monte Carlo error of 20 000 draws is 0.3 points of power; the search steps by 0.25 points of survival.
POWER_TOLERANCE = 0.02


def test_power_at_the_stated_shortfall() -> None:
    eggs, centre, spread = 150, 1.66, 0.20
    found = smallest_detectable_shortfall(eggs=eggs, tanks=60, expected_log_odds=centre, spread=spread)
    rng = np.random.default_rng(1)
    survival = 1.0 / (1.0 + np.exp(-(centre + spread * rng.normal(size=20_000))))
    for points, limit in ((found["watched_points"], 0.05), (found["flagged_points"], 0.10 / 60)):
        counts = rng.binomial(eggs, np.clip(survival - points / 100.0, 0.0, 1.0)).astype(float)
        constant = [np.full(len(counts), value) for value in (float(eggs), centre, spread)]
        power = float(np.mean(2.0 * lower_mid_p(counts, *constant) <= limit))
        assert power == pytest.approx(0.80, abs=POWER_TOLERANCE)


def test_more_eggs_and_less_variation_find_smaller_shortfalls() -> None:
    def watched(eggs: int, spread: float) -> float:
        found = smallest_detectable_shortfall(eggs=eggs, tanks=60, expected_log_odds=1.7, spread=spread)
        return float(found["watched_points"])

    assert watched(50, 0.2) > watched(150, 0.2) > watched(300, 0.2)
    assert watched(150, 0.54) > watched(150, 0.2)


def test_sentence_says_that_silence_is_not_innocence() -> None:
    found = smallest_detectable_shortfall(eggs=150, tanks=60, expected_log_odds=1.7, spread=0.54)
    expected, watched, flagged = (found[name] for name in ("expected_pct", "watched_points", "flagged_points"))
    assert found["sentence"] == (
        f"With 60 tanks judged, a tank of 150 eggs expected at {expected:.0f} % would be put on watch 80 times in"
        f" 100 only when it falls short by {watched:.0f} points or more, and called below expected 80 times in 100"
        f" only from {flagged:.0f} points; a smaller shortfall can go unseen."
    )


def test_nothing_to_be_found_in_a_handful_of_eggs() -> None:
    found = smallest_detectable_shortfall(eggs=3, tanks=60, expected_log_odds=-1.0, spread=0.5)
    assert np.isnan(found["watched_points"])
    assert "could not find even the loss of every fish" in found["sentence"]


def test_every_season_and_outcome_has_its_row() -> None:
    screen = screen_setups(programme(1, seasons=3))
    assert screen.detectable["season"].tolist() == [2020, 2021, 2022]
    small = screen_setups(programme(1, seasons=3, **SMALL_SPREADS))
    assert (small.detectable["watched_points"] < screen.detectable["watched_points"]).all()


def test_drawn_limits_hold_ordinary_tanks() -> None:
    rows = screen_setups(programme(1, seasons=2, sites=200, tanks_per_season=200)).rows
    limits = funnel_limits(rows)
    assert (limits["low_998_pct"] <= limits["low_95_pct"]).all()
    assert (limits["low_95_pct"] < limits["expected_pct"]).all()
    assert (limits["high_95_pct"] <= limits["high_998_pct"]).all()
    for _, season in limits.groupby("season"):
        assert (season["low_95_pct"].diff().dropna() > -0.5).all()
