"""Who gets what: balanced within blocks, drawn by the seed, and never what a site cannot do."""

from __future__ import annotations

import pandas as pd
import pytest
from tests.trials.programmes import planned_tanks

from broodyear.errors import NothingToAnalyse, Refused, UsageError
from broodyear.trials import TRIAL_COLUMNS, assign, candidates, checked_levels

LEVELS = ("bare", "gravel")


def history(tanks: pd.DataFrame, room: str = "classroom") -> pd.DataFrame:
    return pd.DataFrame({"site_id": tanks["site_id"], "gravel_practice": "bare", "room_type": room})


def drawn(tanks: pd.DataFrame, seed: int = 1, levels: tuple[str, ...] = LEVELS) -> pd.DataFrame:
    return assign(tanks, history(tanks), "gravel_practice", levels, season=2025, seed=seed).rows


def test_levels_are_even_within_every_block_and_over_all() -> None:
    rows = drawn(planned_tanks(53), levels=("bare", "gravel", "other"))
    assert list(rows) == list(TRIAL_COLUMNS)
    counted = rows.groupby(["block", "level"]).size().unstack()
    assert (counted.max(axis=1) - counted.min(axis=1)).max() <= 1
    assert rows["level"].value_counts().tolist() in ([18, 18, 17], [18, 17, 18])
    assert set(rows["block"]) == {f"B{batch} R{region}" for batch in range(4) for region in range(2)}


def test_the_seed_decides_and_the_order_of_rows_does_not() -> None:
    tanks = planned_tanks()
    pd.testing.assert_frame_equal(drawn(tanks), drawn(tanks.sample(frac=1.0, random_state=3)))
    assert not drawn(tanks)["level"].equals(drawn(tanks, seed=2)["level"])


def test_every_tank_is_as_likely_to_get_either() -> None:
    tanks = planned_tanks(8, batches=1, regions=1)
    gravel = sum((drawn(tanks, seed)["level"] == "gravel").astype(int) for seed in range(144))
    # 72 of 144 expected; five standard errors of 6 to either side.
    assert gravel.between(42, 102).all() and gravel.nunique() > 1


def test_a_room_is_given_only_where_it_is_on_record() -> None:
    tanks = planned_tanks(12, batches=1, regions=1)
    seen = pd.concat([history(tanks), history(tanks.head(5), "hallway")])
    found = assign(tanks, seen, "room_type", ("classroom", "hallway"), season=2025, seed=1)
    assert set(found.rows["tank_id"]) == set(tanks["tank_id"].head(5))
    assert found.left_out == {"at sites whose records do not show all of classroom, hallway": 7}


def test_small_blocks_are_joined_and_what_is_alone_is_left_out() -> None:
    tanks = planned_tanks(9, batches=1, regions=1)
    tanks.loc[7, "region"] = "R9"  # alone in its region, but not in its batch: nobody else is left of that batch
    tanks.loc[8, "batch_id"] = "B9"  # alone in its batch, joined by region with nobody left either
    found = assign(tanks, history(tanks), "gravel_practice", LEVELS, season=2025, seed=1)
    assert len(found.rows) == 7
    assert found.left_out == {"with too few tanks of their batch or region beside them": 2}
    tanks.loc[6, ["batch_id", "region"]] = ["B9", "R8"]  # now batch B9 has two, in two regions
    rows = assign(tanks, history(tanks), "gravel_practice", LEVELS, season=2025, seed=1).rows
    assert set(rows.loc[rows["batch_id"] == "B9", "block"]) == {"B9"}


def test_nobody_to_assign_is_said() -> None:
    with pytest.raises(NothingToAnalyse, match="no block of tanks can be given all of bare, gravel: 1 tanks with"):
        drawn(planned_tanks(1))


def test_long_codes_still_give_a_block_that_loads() -> None:
    tanks = planned_tanks(8).assign(region="r" * 60)
    assert set(drawn(tanks)["block"].str.len() <= 60) == {True}


@pytest.mark.parametrize(
    ("factor", "levels", "said"),
    [
        ("gravel", ("a", "b"), "'gravel' cannot be assigned; expected one of room_type, gravel_practice"),
        ("gravel_practice", ("bare",), "two or more different levels"),
        ("gravel_practice", ("bare", "bare"), "two or more different levels"),
        (
            "gravel_practice",
            ("bare", "sand"),
            "'sand' is no level of gravel_practice; expected one of bare, gravel",
        ),
        ("light_cover", ("yes", "maybe"), "'maybe' is no level of light_cover; expected yes or no"),
        ("set_point_c", ("8", "warm"), "'warm' is no level of set_point_c; expected a number in °C"),
        ("set_point_c", ("8", "nan"), "'nan' is no level of set_point_c"),
    ],
)
def test_what_cannot_be_assigned_is_said(factor: str, levels: tuple[str, ...], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        checked_levels(factor, levels)


@pytest.mark.parametrize(
    ("factor", "levels"), [("disinfectant", ("vinegar", "none")), ("disinfection_hours", ("1", "0.0"))]
)
def test_no_tank_is_drawn_to_go_without_disinfection(factor: str, levels: tuple[str, ...]) -> None:
    with pytest.raises(Refused, match="^no tank is drawn to go without disinfection: it would mean less care"):
        checked_levels(factor, levels)


def test_levels_that_disinfect_may_be_compared() -> None:
    assert checked_levels("disinfectant", ("vinegar", "iodophor")) == ("vinegar", "iodophor")
    assert checked_levels("disinfection_hours", ("1", "2")) == ("1", "2")


def test_yes_and_no_are_levels_as_set_ups_write_them() -> None:
    assert checked_levels("light_cover", ("Yes", "no")) == checked_levels("light_cover", ("true", "false"))


def seasons(*rows: tuple[int, bool]) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "season": season,
                "delivered": delivered,
                "tank_id": "T",
                "site_id": "S",
                "region": "R",
                "batch_id": "B",
            }
            for season, delivered in rows
        ]
    )


def test_the_season_to_come_and_its_tanks() -> None:
    season, tanks = candidates(seasons((2023, True), (2024, True)), None)
    assert season == 2025 and tanks["batch_id"].isna().all()
    season, tanks = candidates(seasons((2024, True), (2025, False)), None)
    assert season == 2025 and tanks["batch_id"].tolist() == ["B"]
    assert candidates(seasons((2024, True)), 2030)[0] == 2030
    with pytest.raises(NothingToAnalyse, match="no set-up is on record by then"):
        candidates(seasons((2024, True)), 2020)
    with pytest.raises(NothingToAnalyse, match="no set-up is on record by then"):
        candidates(seasons((2024, True)).head(0), None)
