"""Batches of a season against the typical others: a poor one is told, and makes no ordinary one differ."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from broodyear.claims import Claim
from broodyear.setups import batch_claims, screen_setups
from broodyear.survival.practices.batches import against_the_typical

BATCHES = ("B1", "B2", "B3", "B4", "B5")


def season(
    seed: int, poor: float = 0.0, regions: int = 2, sites: int = 50, own: bool = False, tanks: int = 1
) -> pd.DataFrame:
    """Sites of so many tanks of 150 eggs, in turn of five batches; B2 keeps so much less of its log-odds.

    own: every batch went to a region of its own. Where they have several tanks, sites differ more than tanks.
    """
    rng, place = np.random.default_rng(seed), np.arange(sites).repeat(tanks)
    batch = place % len(BATCHES)
    log_odds = 1.5 + rng.normal(0.0, 0.3, len(place)) - poor * (batch == 1)
    log_odds += rng.normal(0.0, 0.5, sites)[place] if tanks > 1 else 0.0
    return pd.DataFrame(
        {
            "season": 2024, "tank_id": [f"T{one}" for one in range(len(place))],
            "site_id": [f"S{one}" for one in place],
            "region": [f"R{one}" for one in (batch if own else place // len(BATCHES) % regions)],
            "batch_id": np.array(BATCHES)[batch], "species": "chinook", "eggs": 150,
            "survivors": rng.binomial(150, 1.0 / (1.0 + np.exp(-log_odds))), "outcome": "delivered_to_release",
        }
    )  # fmt: skip


def claims(frame: pd.DataFrame) -> dict[str, Claim]:
    return {one.subject: one for one in batch_claims(screen_setups(frame), 2024)}


def test_a_poor_batch_is_told_and_the_others_are_compared_without_it() -> None:
    found = claims(season(1, poor=1.2))
    assert {name for name, one in found.items() if one.is_claimed} == {"B2"}
    assert found["B2"].level == "" and found["B1"].level == "B2"
    # 82 % at a log-odds of 1.5, 57 % at 0.3: 24 points, and the spread between tanks takes one of them.
    assert found["B2"].low < -23.0 < found["B2"].high and found["B2"].reference == ""
    assert found["B2"].comparisons == 5 and found["B2"].p_family < 0.001


def test_of_two_batches_each_names_the_other() -> None:
    frame = season(1, poor=1.2)
    found = claims(frame[frame["batch_id"].isin(["B1", "B2"])].reset_index(drop=True))
    assert [(one.subject, one.reference, one.is_claimed) for one in found.values()] == [
        ("B1", "B2", True), ("B2", "B1", True),
    ]  # fmt: skip
    assert found["B1"].estimate == -found["B2"].estimate > 0.0
    # They are one comparison, so nothing is to be allowed for; with the batches of another species, two.
    assert {(one.comparisons, one.p_family == one.p_value) for one in found.values()} == {(1, True)}
    both = pd.concat([frame, frame.assign(species="coho", batch_id="C" + frame["batch_id"])], ignore_index=True)
    kept = both[both["batch_id"].str.endswith(("B1", "B2"))].reset_index(drop=True)
    told = claims(kept.assign(tank_id=[f"T{one}" for one in range(len(kept))]))
    assert [one.comparisons for one in told.values()] == [2] * 4
    assert [one.p_family for one in told.values()] == pytest.approx([2 * one.p_value for one in told.values()])


def test_one_lost_tank_is_no_poor_batch() -> None:
    frame = season(2, sites=25)
    frame.loc[frame["batch_id"] == "B2", "survivors"] = [0, *frame.loc[frame["batch_id"] == "B2", "survivors"][1:]]
    assert not any(one.is_claimed for one in claims(frame).values())


def test_a_batch_with_a_region_of_its_own_cannot_be_told_from_it() -> None:
    found = claims(season(1, poor=1.2, own=True))
    assert {one.reason for one in found.values()} == {"confounded"}
    one_region = claims(season(1, poor=1.2, regions=1))
    assert one_region["B2"].is_claimed


def test_batches_that_meet_in_one_site_are_not_told_from_their_regions() -> None:
    """A site of B1 in the region of B2, which did far better than all there, is no measure of B2."""
    pair = season(1, poor=1.2, own=True).query("batch_id in ('B1', 'B2')").reset_index(drop=True)
    strays = pair.index[pair["batch_id"] == "B1"]
    for number, reason in ((1, "confounded"), (2, "clear")):
        chosen = pair.index.isin(strays[:number])
        frame = pair.assign(
            region=pair["region"].mask(chosen, "R1"), survivors=pair["survivors"].mask(chosen, 148)
        )
        found = claims(frame)
        assert {one.reason for one in found.values()} == {reason}


def test_batches_of_another_species_or_season_are_no_measure() -> None:
    frame = season(3, poor=1.2).assign(species=lambda rows: np.where(rows["batch_id"] == "B2", "coho", "chinook"))
    assert claims(frame)["B2"].reason == "one_level"
    before = season(4).assign(season=2023, batch_id=lambda rows: "A" + rows["batch_id"])
    alone = season(3, poor=1.2).query("batch_id == 'B2'")
    found = claims(pd.concat([before, alone], ignore_index=True))
    assert found["B2"].reason == "one_level" and list(found) == ["B2"]


@pytest.mark.parametrize(
    ("change", "reason"), [({"region": ""}, "clear"), ({"site_id": "S1"}, "too_few_sites"), ({}, "clear")]
)
def test_what_a_batch_must_have(change: dict[str, str], reason: str) -> None:
    frame = season(1, poor=1.2)
    is_poor = frame["batch_id"] == "B2"
    for name, value in change.items():
        frame.loc[is_poor if name == "site_id" else slice(None), name] = value
    assert claims(frame)["B2"].reason == reason
    few = frame[~is_poor | (is_poor.cumsum() <= 2)].reset_index(drop=True)
    assert claims(few)["B2"].reason == "too_few_tanks"


def test_too_few_tanks_or_none_alive_make_no_claim_of_batches() -> None:
    assert claims(season(1).head(5)) == {}
    assert claims(season(1).assign(survivors=0)) == {}
    found = claims(pd.concat([season(1).assign(season=2023), season(2).head(1)], ignore_index=True))
    assert {one.reason for one in found.values()} == {"too_few_tanks"}


@pytest.mark.parametrize(("programmes", "sites", "tanks", "most"), [(60, 30, 1, 6), (20, 15, 3, 2)])
def test_batches_that_differ_by_chance_are_seldom_told(programmes: int, sites: int, tanks: int, most: int) -> None:
    """Programmes without any difference: 5 in 100 may claim one, also where the tanks of a site are alike."""
    drawn = [season(seed, sites=sites, tanks=tanks) for seed in range(programmes)]
    assert sum(any(one.is_claimed for one in claims(frame).values()) for frame in drawn) <= most


def test_a_poor_batch_at_sites_of_several_tanks_is_told() -> None:
    found = claims(season(1, poor=1.6, sites=25, tanks=2))
    assert {name for name, one in found.items() if one.is_claimed} == {"B2"}


def test_levels_are_set_aside_one_by_one_while_more_than_half_remain() -> None:
    def p_values(values: list[float]):  # type: ignore[no-untyped-def]
        return lambda contrast: np.exp(-np.abs(contrast @ np.array(values)))

    tanks = np.full(5, 10.0)
    assert against_the_typical(tanks, p_values([0, 0, 0, 0, 40]))[1].tolist() == [False] * 4 + [True]
    assert against_the_typical(tanks, p_values([0, 0, 0, 90, 40]))[1].tolist() == [False] * 3 + [True, True]
    assert against_the_typical(tanks, p_values([0, 30, 60, 90, 40]))[1].sum() == 2
    contrast, apart = against_the_typical(np.array([10.0, 10.0]), p_values([0, 40]))
    assert not apart.any() and contrast.tolist() == [[1, -1], [-1, 1]]
    contrast, _ = against_the_typical(np.array([10.0, 30.0, 20.0]), p_values([0, 0, 40]))
    assert contrast[0].tolist() == [1, -1, 0] and contrast[2].tolist() == [-0.25, -0.75, 1]
