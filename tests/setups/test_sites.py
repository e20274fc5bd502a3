"""Sites over seasons."""

from __future__ import annotations

import pandas as pd
import pytest
from tests.setups.programmes import SMALL_SPREADS, programme, thinned, with_poor_tanks

from broodyear.setups import SITE_COLUMNS, screen_setups, sites_table


@pytest.fixture(scope="module")
def steady() -> pd.DataFrame:
    return programme(8, seasons=5, sites=60, eggs_low=150, eggs_high=151, **SMALL_SPREADS)


def test_one_row_per_site_in_order_of_site(steady: pd.DataFrame) -> None:
    table = sites_table(steady)
    assert list(table.columns) == SITE_COLUMNS
    assert table["site_id"].tolist() == sorted(steady["site_id"].unique())
    assert table["eggs"].sum() == steady["eggs"].sum()


def test_repeated_shortfall_is_told_from_one_bad_season(steady: pd.DataFrame) -> None:
    frame = with_poor_tanks(steady, 2, ["T0007"])
    once = (frame["tank_id"] == "T0021") & (frame["season"] == 2023)
    history = sites_table(thinned(frame, 3, once, 25.0)).set_index("site_id")["history"]
    assert history["S0007"] == "repeated shortfall"
    assert history["S0021"] == "one bad season"


def test_site_rates_are_shrunken(steady: pd.DataFrame) -> None:
    table = sites_table(steady)
    departures = table["observed_pct"] - table["expected_pct"]
    assert table["difference_points"].std() < departures.std()
    assert (table["difference_low"] < table["difference_high"]).all()


def test_one_season_tells_nothing_about_a_site() -> None:
    table = sites_table(programme(1, seasons=1))
    assert set(table["history"]) == {"one season only"}
    assert set(table["note"]) == {"one season cannot tell a site from a year"}


def test_a_screen_at_hand_gives_the_same_table(steady: pd.DataFrame) -> None:
    pd.testing.assert_frame_equal(sites_table(steady, screen_setups(steady)), sites_table(steady))


def test_no_site_can_be_judged() -> None:
    assert sites_table(programme(1, seasons=1).iloc[:3]).empty
