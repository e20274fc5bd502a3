"""Sites over seasons."""

from __future__ import annotations

import pandas as pd
import pytest
from tests.setups.programmes import SMALL_SPREADS, programme, thinned, with_poor_tanks

from broodyear.setups import screen_setups, sites_table
from broodyear.setups.sites import SITE_COLUMNS


@pytest.fixture(scope="module")
def steady() -> pd.DataFrame:
    return programme(8, seasons=5, sites=60, eggs_low=150, eggs_high=151, **SMALL_SPREADS)


def test_one_row_per_site_in_order_of_site(steady: pd.DataFrame) -> None:
    table = sites_table(steady)
    assert list(table.columns) == SITE_COLUMNS
    assert table["site_id"].tolist() == sorted(steady["site_id"].unique())
    assert table["eggs"].sum() == steady["eggs"].sum()


def test_a_site_low_in_every_season_is_told_from_one_bad_season(steady: pd.DataFrame) -> None:
    frame = with_poor_tanks(steady, 2, ["T0007"])
    once = (frame["tank_id"] == "T0021") & (frame["season"] == 2023)
    sites = sites_table(thinned(frame, 3, once, 25.0)).set_index("site_id")
    assert sites.loc["S0007", ["verdict", "reason"]].tolist() == ["below_expected", "clear"]
    assert sites.loc["S0007", "seasons_below"] >= 4
    assert sites.loc["S0021", "verdict"] == "as_expected"


def test_a_difference_is_not_shrunken_towards_other_sites(steady: pd.DataFrame) -> None:
    """12 points were planted at a site, and the spread between sites is small: the estimate keeps the 12."""
    row = sites_table(with_poor_tanks(steady, 2, ["T0007"])).set_index("site_id").loc["S0007"]
    assert row["difference_points"] == pytest.approx(-12.0, abs=3.0)
    assert row["difference_low"] < row["difference_points"] < row["difference_high"] < 0.0


def test_one_season_tells_nothing_about_a_site() -> None:
    table = sites_table(programme(1, seasons=1))
    assert set(table["verdict"]) == {"too_few_seasons"} and set(table["reason"]) == {"too_few_seasons"}
    assert set(table["note"]) == {"one season cannot tell a site from a year"}


def test_a_screen_at_hand_gives_the_same_table(steady: pd.DataFrame) -> None:
    pd.testing.assert_frame_equal(sites_table(steady, screen_setups(steady)), sites_table(steady))


def test_no_site_can_be_judged() -> None:
    assert sites_table(programme(1, seasons=1).iloc[:3]).empty
