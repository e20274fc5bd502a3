"""Tanks nobody knows the end of, judged at the most that their dead leave: who is called, what stays."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tests.setups.programmes import programme

from broodyear.claims import Reason
from broodyear.reports.sentences import state
from broodyear.setups import place_claims, screen_setups, sites_table, tank_claims

LAST = 2022
#: Called below in ordinary programmes, of tanks that fell silent: no more than of tanks that reported.
MOST_CALLED_PCT = 0.5


def silent(frame: pd.DataFrame, tank: pd.Index, dead_alevin: float, **columns: object) -> pd.DataFrame:
    """The programme in which these rows have no count of survivors, with 10 and `dead_alevin` counted dead."""
    found = frame.assign(dead_egg=0.0, dead_alevin=0.0, dead_fry=0.0, late_picks=0.0)
    found[["losses_look_cumulative", "counts_disagree"]] = False
    found["survivors"] = found["survivors"].astype(float)
    found.loc[tank, ["survivors", "usable", "dead_egg", "dead_alevin"]] = [np.nan, False, 10.0, dead_alevin]
    return found.assign(
        **{name: found[name].mask(found.index.isin(tank), value) for name, value in columns.items()}
    )


@pytest.fixture(scope="module")
def drawn() -> pd.DataFrame:
    return programme(7, seasons=3).reset_index(drop=True)


@pytest.fixture(scope="module")
def tank(drawn: pd.DataFrame) -> pd.Index:
    """A tank of the last season with 100 eggs or more, at a site that has other seasons."""
    chosen = (drawn["season"] == LAST) & (drawn["eggs"] >= 100) & drawn.duplicated("site_id")
    return drawn.index[chosen][:1]


def test_a_tank_that_counted_nearly_all_dead_is_called_at_its_most(drawn: pd.DataFrame, tank: pd.Index) -> None:
    eggs, code = int(drawn.loc[tank[0], "eggs"]), drawn.loc[tank[0], "tank_id"]
    screen = screen_setups(silent(drawn, tank, eggs - 25))
    row = screen.rows[(screen.rows["season"] == LAST) & (screen.rows["tank_id"] == code)].iloc[0]
    assert (row["verdict"], row["survivors_at_most"]) == ("below_expected", 15)
    assert pd.isna(row["survivors"]) and pd.isna(row["observed_pct"]) and row["q_value"] <= 0.1
    claims = tank_claims(screen.rows[screen.rows["season"] == LAST])
    own = next(claim for claim in claims if claim.subject == code)
    assert own.reason is Reason.COUNTED_AT_MOST and own.is_claimed
    share, expected = 100 * 15 / eggs, row["expected_pct"]
    assert state([own]).sentences[0] == (
        f"Tank {code} has no count of the fish that were left, but by the dead counted at most 15 of {eggs}"
        f" ({share:.0f}\u202f%) can have been, against {expected:.0f}\u202f% expected; clear, and can only"
        " be worse."
    )


def test_it_moves_nobody_elses_verdict_and_its_sites_figure_takes_it_in(
    drawn: pd.DataFrame, tank: pd.Index
) -> None:
    site, eggs = drawn.loc[tank[0], "site_id"], int(drawn.loc[tank[0], "eggs"])
    without, with_it = silent(drawn, tank, np.nan, dead_egg=np.nan), silent(drawn, tank, eggs - 25)
    screens = [screen_setups(frame) for frame in (without, with_it)]
    before, after = (screen.rows.set_index(["season", "tank_id"]) for screen in screens)
    others = before["p_value"].notna()
    for name in ("expected_pct", "z_score", "q_value"):
        np.testing.assert_allclose(before.loc[others, name], after.loc[others, name], rtol=1e-6)
    assert screens[0].spreads["rows_used"].tolist() == screens[1].spreads["rows_used"].tolist()
    tables = [
        sites_table(frame, screen).set_index("site_id")
        for frame, screen in zip((without, with_it), screens, strict=True)
    ]
    assert tables[1].loc[site, "difference_points"] < tables[0].loc[site, "difference_points"] - 5.0
    assert tables[1].loc[site, "note"].startswith("1 of its tank-seasons without a count")
    elsewhere = tables[0].index != site
    columns = ["difference_points", "difference_high", "p_value", "verdict"]
    pd.testing.assert_frame_equal(tables[0].loc[elsewhere, columns], tables[1].loc[elsewhere, columns], rtol=1e-6)
    shrunken = [table[others & (before["site_id"] != site)]["shrunken_pct"] for table in (before, after)]
    np.testing.assert_allclose(*shrunken, rtol=1e-6)
    assert place_claims(tables[1].reset_index(), after.reset_index())


@pytest.mark.parametrize(
    ("dead_alevin", "columns"),
    [
        (5.0, {}),
        (None, {"losses_look_cumulative": True}),
        (None, {"counts_disagree": True}),
        (400.0, {}),
        (None, {"batch_id": "nowhere else"}),
        (0.0, {"eggs": 9.0, "dead_egg": 9.0}),
    ],
    ids=[
        "few_dead",
        "running_totals",
        "counts_disagree",
        "more_dead_than_eggs",
        "no_other_tank_of_its_batch",
        "few_eggs",
    ],
)
def test_what_the_dead_do_not_tell_is_not_called(
    drawn: pd.DataFrame, tank: pd.Index, dead_alevin: float | None, columns: dict[str, object]
) -> None:
    counted = drawn.loc[tank[0], "eggs"] - 25.0 if dead_alevin is None else dead_alevin
    rows = screen_setups(silent(drawn, tank, counted, **columns)).rows
    own = rows[(rows["season"] == LAST) & (rows["tank_id"] == drawn.loc[tank[0], "tank_id"])].iloc[0]
    assert own["verdict"] == "too_few_records" and pd.isna(own["survivors_at_most"]) and pd.isna(own["p_value"])
    assert own["unjudged"] == (Reason.COUNTS_DISAGREE if "counts_disagree" in columns else Reason.NO_RECORDS)


def test_ordinary_tanks_that_fell_silent_are_seldom_called() -> None:
    """All their dead were counted, none of their survivors: the hardest case, for the most is then the truth."""
    called = fell_silent = 0
    for seed in range(8):
        frame = programme(100 + seed, seasons=3)
        chosen = frame.index[np.random.default_rng(seed).random(len(frame)) < 0.2]
        dead = frame.loc[chosen, "eggs"] - frame.loc[chosen, "survivors"]
        found = silent(frame, chosen, 0.0)
        found.loc[chosen, "dead_egg"] = dead.astype(float)
        rows = screen_setups(found).rows
        called += int(rows["survivors_at_most"].notna().sum())
        fell_silent += len(chosen)
    assert 100.0 * called / fell_silent <= MOST_CALLED_PCT


def test_tanks_of_a_site_without_any_count_carry_the_verdict_that_its_table_has(drawn: pd.DataFrame) -> None:
    site = drawn["site_id"].value_counts().idxmax()
    own = drawn.index[drawn["site_id"] == site]
    frame = silent(drawn, own, 0.0)
    frame.loc[own, "dead_alevin"] = frame.loc[own, "eggs"] - 25.0
    screen = screen_setups(frame)
    told = sites_table(frame, screen).set_index("site_id").loc[site, "verdict"]
    assert told == "below_expected"
    assert set(screen.rows.loc[screen.rows["site_id"] == site, "place_verdict"]) == {told}
