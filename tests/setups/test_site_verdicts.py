"""One verdict per site over its seasons: what is named, what is not, and what the tanks and claims carry of it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtri, stdtr, stdtrit
from tests.setups.programmes import SMALL_SPREADS, programme, with_poor_tanks

from broodyear.claims import ClaimKind, Decision, Reason
from broodyear.setups import place_claims, screen_setups, sites_table, tank_claims
from broodyear.setups.site_verdicts import (
    FEWEST_SITES,
    WATCH_SITE_P,
    Departures,
    held_to,
    judge_sites,
    place_verdict,
)
from broodyear.statistics.multiplicity import benjamini_hochberg, over_outcomes

POOR = "S0007"


def departures(scores: list[list[float]], unknown_site: int = -1) -> Departures:
    """One tank a site and season, one row of scores per site."""
    table = np.array(scores)
    site, season = (codes.ravel() for codes in np.indices(table.shape))
    return Departures(table.ravel(), np.full(table.size, 0.5), site, season, unknown_site)


def ordinary(sites: int, seasons: int = 4) -> list[list[float]]:
    """Scores as independent standard normals have them, the same in every run."""
    drawn = np.random.default_rng(20).normal(size=(sites, seasons))
    return [list(row) for row in drawn]


def test_the_sum_is_judged_against_the_spread_of_the_other_sites() -> None:
    """Sites that do not differ beyond chance: the score is the sum over its root number, by Student's t."""
    calm = [[0.3, -0.3, 0.2, -0.2]] * 20
    verdicts = judge_sites(departures([[-2.0, -2.0, -2.0, -2.0], *calm]))
    assert verdicts["score"][0] == pytest.approx(-8.0 / np.sqrt(4.0))
    assert verdicts["p_value"][0] == pytest.approx(stdtr(0.7 * 20, -4.0))
    np.testing.assert_allclose(verdicts["q_value"], benjamini_hochberg(verdicts["p_value"]))
    assert verdicts["reason"][0] == Reason.CLEAR and set(verdicts["reason"][1:]) == {Reason.NOT_CLEAR}


def test_sites_that_differ_widely_among_themselves_make_no_site_stand_out() -> None:
    level = np.linspace(-2.0, 2.0, 21)
    verdicts = judge_sites(departures([[value] * 4 for value in level]))
    assert Reason.CLEAR not in set(verdicts["reason"])


def test_poor_sites_do_not_hide_each_other_nor_themselves() -> None:
    scores = ordinary(40)
    for index in range(4):
        scores[index] = [-2.2] * 4
    verdicts = judge_sites(departures(scores))
    assert (verdicts["reason"][:4] == Reason.CLEAR).all()
    # One in ten of those named may be ordinary: that is what the false-discovery rate holds.
    assert (verdicts["reason"][4:] == Reason.CLEAR).sum() <= 1


def as_chance_has_them(sites: int) -> list[list[float]]:
    """Two seasons of sites whose sums lie a little closer together than the quantiles of a normal."""
    sums = 0.97 * ndtri((np.arange(sites) + 0.5) / sites)
    return [[value / np.sqrt(2.0)] * 2 for value in sums]


def test_a_site_is_no_part_of_the_spread_it_is_judged_against() -> None:
    """Were its own sum counted among the others, it would widen their spread and shrink its score."""
    assert judge_sites(departures([[-1.6, -1.6], *as_chance_has_them(20)]))["score"][0] == pytest.approx(
        -3.2 / np.sqrt(2.0)
    )


def test_sites_far_below_do_not_widen_the_spread_the_others_are_judged_against() -> None:
    scores = judge_sites(departures([[-1.6, -1.6], *[[-3.0, -3.0]] * 4, *as_chance_has_them(20)]))["score"]
    assert scores[0] == pytest.approx(-3.2 / np.sqrt(2.0))


def test_two_seasons_at_eight_sites_are_enough() -> None:
    verdicts = judge_sites(departures([[-3.0, -3.0], *[[0.1, -0.1]] * (FEWEST_SITES - 1)]))
    assert verdicts["reason"][0] == Reason.CLEAR and np.isfinite(verdicts["p_value"]).sum() == FEWEST_SITES


def test_high_sites_are_never_named() -> None:
    assert judge_sites(departures([[3.0] * 4, *ordinary(20)]))["reason"][0] == Reason.NOT_CLEAR


def test_one_collapse_is_not_a_history() -> None:
    assert judge_sites(departures([[-8.0, 0.2, 0.1, 0.3], *ordinary(30)]))["reason"][0] == Reason.NOT_CLEAR


def test_too_few_seasons_sites_or_no_site_recorded_say_so() -> None:
    one = departures([[-3.0], *[[0.1]] * 20])
    assert set(judge_sites(one)["reason"]) == {Reason.TOO_FEW_SEASONS}
    few = departures([[-3.0] * 4] * (FEWEST_SITES - 1))
    assert set(judge_sites(few)["reason"]) == {Reason.TOO_FEW_SITES}
    assert np.isnan(judge_sites(few)["p_value"]).all()
    unknown = judge_sites(departures([[-3.0] * 4, *ordinary(20)], unknown_site=0))
    assert unknown["reason"][0] == Reason.NO_RECORDS and np.isfinite(unknown["p_value"]).sum() == 20


def test_p_values_of_all_outcomes_decide_and_watching_and_what_is_untold_stay() -> None:
    own = judge_sites(departures([[-3.0] * 4, [-1.5] * 4, *ordinary(20)], unknown_site=21))
    assert own["reason"][[0, 21]].tolist() == [Reason.CLEAR, Reason.NO_RECORDS]
    held = held_to(own, own["p_value"].mask(own.index == 0, 0.2))
    assert held["reason"][[0, 21]].tolist() == [Reason.WATCH, Reason.NO_RECORDS]
    np.testing.assert_array_equal(held["p_value"], own["p_value"])
    assert held["q_value"][0] > own["q_value"][0]


def test_sites_are_one_family_over_all_outcomes() -> None:
    """A site poor at hatch alone has a p at hatch that counts the other outcomes, and q values of these."""
    calm = programme(8, seasons=4, eggs_low=150, eggs_high=151, **SMALL_SPREADS)
    poor_there = with_poor_tanks(calm, 2, [POOR.replace("S", "T")])
    frame = pd.concat(
        [poor_there.assign(outcome="hatch"), calm.assign(outcome="hatch_to_release"), calm], ignore_index=True
    )
    frame["outcome"] = frame["outcome"].fillna("delivered_to_release")
    table = sites_table(frame, screen_setups(frame)).pivot(
        index="site_id", columns="outcome", values=["p_value", "q_value"]
    )
    together = over_outcomes(table["p_value"].to_numpy().T)
    for index, outcome in enumerate(table["p_value"].columns):
        np.testing.assert_allclose(table["q_value"][outcome], benjamini_hochberg(together[index]))
    assert table["q_value"]["hatch"][POOR] <= 0.10 < table["q_value"]["delivered_to_release"][POOR]


def test_two_tanks_of_one_season_are_one_season() -> None:
    twice = Departures(np.zeros(3), np.ones(3), np.array([0, 0, 1]), np.array([0, 0, 1]))
    assert twice.seasons.tolist() == [1, 1]


def test_every_reason_has_its_verdict() -> None:
    verdicts = {reason: place_verdict(reason) for reason in Reason}
    assert verdicts[Reason.CLEAR] == "below_expected" and verdicts[Reason.NOT_CLEAR] == "as_expected"
    assert set(verdicts.values()) == {"below_expected", "as_expected", "too_few_seasons"}


@pytest.fixture(scope="module")
def poor() -> pd.DataFrame:
    """Five seasons at small spreads; one site loses 12 points in each."""
    steady = programme(8, seasons=5, eggs_low=150, eggs_high=151, **SMALL_SPREADS)
    return with_poor_tanks(steady, 2, [POOR.replace("S", "T")])


def test_a_tank_carries_the_verdict_of_its_site_and_no_claim_contradicts_it(poor: pd.DataFrame) -> None:
    screen = screen_setups(poor)
    rows = screen.rows[screen.rows["season"] == 2024]
    tanks = tank_claims(rows)
    places = place_claims(sites_table(poor, screen), rows)
    named = {claim.subject for claim in places if claim.is_claimed}
    assert POOR in named
    verdicts = {claim.subject: place_verdict(claim.reason) for claim in places}
    assert rows["place_verdict"].tolist() == [verdicts[site] for site in rows["site_id"]]
    for claim, (_, row) in zip(tanks, rows.iterrows(), strict=True):
        assert claim.subject == row["tank_id"]
        if row["site_id"] in named and row["z_score"] < 0.0:
            assert claim.reason in (Reason.CLEAR, Reason.WATCH, Reason.AT_POOR_PLACE)
            assert row["verdict"] in ("below_expected", "watch")
        assert (claim.decision is Decision.CLAIMED) == (row["verdict"] in ("below_expected", "above_expected"))


def test_a_low_tank_at_a_poor_site_is_watched_for_its_site(poor: pd.DataFrame) -> None:
    rows = screen_setups(poor).rows
    carried = rows[rows["watch_reason"] == "at_poor_place"]
    assert POOR in set(carried["site_id"]) and set(carried["place_verdict"]) == {"below_expected"}
    assert (carried["p_value"] > 0.05).all() and (carried["verdict"] == "watch").all()


@pytest.mark.parametrize("is_named", [True, False])
def test_a_high_tank_at_a_low_site_is_not_watched(
    monkeypatch: pytest.MonkeyPatch, poor: pd.DataFrame, is_named: bool
) -> None:
    if not is_named:
        monkeypatch.setattr("broodyear.setups.site_verdicts.FALSE_DISCOVERY_RATE", 0.0)
    frame = poor.copy()
    own = (frame["site_id"] == POOR) & (frame["season"] == 2024)
    frame.loc[own, "survivors"] = (0.87 * frame.loc[own, "eggs"]).round().astype(int)
    rows = screen_setups(frame).rows
    row = rows[(rows["site_id"] == POOR) & (rows["season"] == 2024)].iloc[0]
    assert row["place_verdict"] == ("below_expected" if is_named else "as_expected")
    assert row["z_score"] > 0.0 and row["verdict"] == "as_expected"


def test_a_tank_in_which_every_fish_lives_is_above_and_never_below(poor: pd.DataFrame) -> None:
    frame = poor.copy()
    own = (frame["tank_id"] == "T0011") & (frame["season"] == 2024)
    frame.loc[own, "survivors"] = frame.loc[own, "eggs"]
    rows = screen_setups(frame).rows
    row = rows[(rows["tank_id"] == "T0011") & (rows["season"] == 2024)]
    assert row["verdict"].tolist() == ["above_expected"]
    (claim,) = tank_claims(row)
    assert (claim.kind, claim.reason) == (ClaimKind.TANK_ABOVE, Reason.CLEAR) and claim.estimate > 0.0


def test_a_tank_outside_its_limits_is_watched_and_not_claimed(poor: pd.DataFrame) -> None:
    row = screen_setups(poor).rows.head(1).assign(verdict="watch", watch_reason="watch", unjudged="")
    assert [(claim.kind, claim.reason) for claim in tank_claims(row)] == [(ClaimKind.TANK_BELOW, Reason.WATCH)]


def test_limits_lie_on_both_sides_and_eight_tanks_are_enough(poor: pd.DataFrame) -> None:
    screen = screen_setups(poor)
    freedom = screen.spreads["freedom"].iloc[0]
    expected = 2.0 * stdtr(freedom, -screen.rows["z_score"].abs())
    np.testing.assert_allclose(screen.rows["p_value"], expected, rtol=1e-9)
    few = poor[(poor["season"] == 2024) & (poor["site_id"] != POOR)].assign(batch_id="B1").head(8)
    assert screen_setups(few).rows["p_value"].notna().all()
    assert screen_setups(few.head(7)).rows["p_value"].isna().all()


def test_claims_carry_the_numbers_of_their_rows(poor: pd.DataFrame) -> None:
    screen = screen_setups(poor)
    rows = screen.rows[screen.rows["season"] == 2024]
    sites = sites_table(poor, screen)
    for claim, (_, row) in zip(place_claims(sites, rows), sites.iterrows(), strict=True):
        assert (claim.kind, claim.subject) == (ClaimKind.PLACE_BELOW, row["site_id"])
        assert claim.estimate == row["difference_points"] and claim.comparisons == sites["p_value"].notna().sum()
        assert np.isnan(claim.observed)  # a site's estimate is not shrunken: there is one number to say
    for claim, (_, row) in zip(tank_claims(rows), rows.iterrows(), strict=True):
        assert claim.estimate == pytest.approx(row["shrunken_pct"] - row["expected_pct"])
        assert claim.observed == pytest.approx(row["observed_pct"] - row["expected_pct"])
        assert (claim.p_value, claim.p_family) == (row["p_value"], row["q_value"])


def test_what_cannot_be_judged_is_a_claim_that_says_why() -> None:
    frame = programme(3, seasons=2)
    frame.loc[frame.index[-1], "survivors"] = np.nan
    frame.loc[frame.index[-2], "eggs"] = 5
    frame.loc[frame.index[-2], "survivors"] = 4
    screen = screen_setups(frame)
    rows = screen.rows[screen.rows["season"] == 2021]
    reasons = {claim.subject: claim.reason for claim in tank_claims(rows)}
    silent, small = frame["tank_id"].iloc[-1], frame["tank_id"].iloc[-2]
    assert (reasons[silent], reasons[small]) == (Reason.NO_RECORDS, Reason.TOO_FEW_EGGS)
    alone = rows[rows["tank_id"] == silent].assign(site_id="S-new")
    assert place_claims(sites_table(frame, screen), alone)[-1].reason is Reason.NO_RECORDS


def test_a_site_that_is_low_but_not_clear_among_all_is_worth_watching() -> None:
    """Sums just short of and just beyond one in a hundred, among forty sites that differ by chance alone."""
    low, lower = (float(stdtrit(0.7 * 40, share)) / 2.0 for share in (1.1 * WATCH_SITE_P, 0.9 * WATCH_SITE_P))
    calm = [[0.3, -0.3, 0.2, -0.2]] * 40
    for level, reason in ((low, Reason.NOT_CLEAR), (lower, Reason.WATCH)):
        verdicts = judge_sites(departures([[level] * 4, *calm]))
        assert verdicts["q_value"][0] > 0.10 and verdicts["reason"][0] == reason


def test_a_low_tank_at_a_watched_site_is_watched_with_it(
    monkeypatch: pytest.MonkeyPatch, poor: pd.DataFrame
) -> None:
    monkeypatch.setattr("broodyear.setups.site_verdicts.FALSE_DISCOVERY_RATE", 0.0)
    screen = screen_setups(poor)
    rows = screen.rows[screen.rows["site_id"] == POOR]
    carried = rows[(rows["p_value"] > 0.05) & (rows["z_score"] < 0.0)]
    assert len(carried) and set(carried["verdict"]) == {"watch"} and set(rows["place_verdict"]) == {"as_expected"}
    assert {claim.reason for claim in tank_claims(carried)} == {Reason.AT_WATCHED_PLACE}
    high = screen.rows[(screen.rows["z_score"] > 0.0)]
    assert "watch" not in set(high["verdict"])
