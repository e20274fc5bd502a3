"""The robust expectation: close to the plain mixed model, blind to the tank it judges."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import norm
from tests.setups.programmes import programme

from broodyear.setups import screen_setups
from broodyear.setups.predictive import normal_scores
from broodyear.setups.screen import screen_data
from broodyear.setups.screen_model import CLIP, SLOPE, ScreenFit, fit_screen
from broodyear.survival import fit_survival

#: Winsorised against maximum likelihood on one programme of 400 tank-seasons: three standard deviations of
#: the difference between the two, found over twelve programmes.
EXPECTED_TOLERANCE = 0.08
SPREAD_TOLERANCE = 0.08


@pytest.fixture(scope="module")
def drawn() -> pd.DataFrame:
    return programme(11, sites=120, tanks_per_season=100, seasons=4)


def fitted(frame: pd.DataFrame) -> ScreenFit:
    return fit_screen(screen_data(frame.assign(is_used=True)))


def counted(frame: pd.DataFrame) -> list[np.ndarray]:
    return [frame[name].to_numpy(dtype=float) for name in ("survivors", "eggs")]


def test_agrees_with_the_maximum_likelihood_mixed_model(drawn: pd.DataFrame) -> None:
    frame = drawn.assign(row=np.arange(len(drawn)))
    plain = fit_survival(frame, "species", survived="survivors", trials="eggs", groups=["batch_id", "row"])
    batch = plain.group_effects("batch_id").set_index("level")["effect"]
    want = plain.log_odds(frame) + frame["batch_id"].map(batch).to_numpy()
    got = fitted(drawn)
    assert got.tank_sd == pytest.approx(plain.group_sd["row"], abs=SPREAD_TOLERANCE)
    assert got.batch_sd == pytest.approx(plain.group_sd["batch_id"], abs=2 * SPREAD_TOLERANCE)
    assert np.abs(got.expected - want).mean() < EXPECTED_TOLERANCE


def test_a_tank_does_not_move_its_own_expectation(drawn: pd.DataFrame) -> None:
    before = fitted(drawn)
    changed = drawn.copy()
    changed.loc[7, "survivors"] = 0
    after = fitted(changed)
    assert after.expected[7] == pytest.approx(before.expected[7], abs=0.03)
    spread = np.hypot(after.tank_sd, after.expected_se)
    assert normal_scores(*counted(changed), after.expected, spread)[7] < -4.0


def test_collapses_hardly_widen_the_spread_or_lower_the_batch(drawn: pd.DataFrame) -> None:
    rng = np.random.default_rng(3)
    collapsed = drawn.copy()
    chosen = rng.random(len(drawn)) < 0.10
    collapsed.loc[chosen, "survivors"] = rng.binomial(collapsed.loc[chosen, "eggs"], 0.1)
    before, after = fitted(drawn), fitted(collapsed)
    assert after.tank_sd < before.tank_sd + 0.10
    assert np.mean(after.expected - before.expected) == pytest.approx(0.0, abs=0.06)


def test_order_of_rows_does_not_matter(drawn: pd.DataFrame) -> None:
    shuffled = drawn.sample(frac=1.0, random_state=4)
    got = pd.Series(fitted(shuffled).expected, index=shuffled.index).sort_index()
    np.testing.assert_allclose(got, fitted(drawn).expected, atol=1e-5)


def test_spread_is_recovered_on_average() -> None:
    found = [fitted(programme(seed)).tank_sd for seed in range(20)]
    assert np.mean(found) == pytest.approx(np.hypot(0.45, 0.30), abs=0.03)


def test_winsorising_constants_are_those_of_the_normal_distribution() -> None:
    from broodyear.setups import screen_model

    cut = screen_model.SET_ASIDE
    kept = 1.0 - 2.0 * norm.sf(cut)
    inside = quad(lambda z: z * z * norm.pdf(z), -CLIP, CLIP)[0]
    square = (inside + CLIP**2 * 2.0 * (norm.sf(CLIP) - norm.sf(cut))) / kept
    assert pytest.approx(square, abs=1e-6) == screen_model._SQUARE
    assert pytest.approx((1.0 - 2.0 * norm.sf(CLIP)) / kept, abs=1e-6) == SLOPE


@pytest.fixture(scope="module")
def alike() -> pd.DataFrame:
    """Eighteen tanks of two batches that differ less than chance makes them, but the first: 11 points short."""
    frame = pd.DataFrame({"season": 2023, "tank_id": range(18), "eggs": 170, "survivors": 132})
    frame["survivors"] += frame["tank_id"] % 3 - 1
    frame.loc[0, "survivors"] = 113
    return frame.assign(site_id=frame["tank_id"], batch_id=frame["tank_id"] % 2)


def test_a_spread_that_cannot_be_told_from_zero_is_not_taken_for_zero(alike: pd.DataFrame) -> None:
    """Else chance would explain nothing between tanks, and all that is left of a difference."""
    screen = screen_setups(alike)
    (spread,) = screen.spreads["tank_sd"]
    # One standard error of a variance around zero: sampling 1 / (170 x 0.77 x 0.23), some eleven tanks' worth.
    assert spread == pytest.approx(np.sqrt(1.0 / (170 * 0.77 * 0.23) * np.sqrt(2.0 / 11.0)), rel=0.08)
    first = screen.rows.iloc[0]
    assert first["expected_pct"] - first["shrunken_pct"] > 2.0 and first["verdict"] == "watch"


def test_what_chance_leaves_of_a_tank_that_is_clear_is_clear_too(alike: pd.DataFrame) -> None:
    worse = screen_setups(alike.assign(survivors=alike["survivors"].where(alike["tank_id"] > 0, 105))).rows.iloc[0]
    assert worse["verdict"] == "below_expected" and worse["shrunken_high"] < worse["expected_pct"]
