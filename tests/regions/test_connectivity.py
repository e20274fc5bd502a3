"""Which regions can be compared."""

from __future__ import annotations

import pandas as pd
import pytest

from broodyear.regions import region_links


def graph(*edges: tuple[str, str]) -> pd.DataFrame:
    """One tank of 100 eggs per (region, batch)."""
    rows = [{"region": region, "batch_id": batch, "season": 2024, "eggs": 100} for region, batch in edges]
    return pd.DataFrame(rows)


def test_regions_joined_through_a_third_can_be_compared() -> None:
    links = region_links(graph(("East", "B1"), ("North", "B1"), ("North", "B2"), ("West", "B2")))
    assert links.regions["comparable_with"].tolist() == ["North, West", "East, West", "East, North"]
    assert links.regions["batches_shared"].tolist() == [1, 2, 1]
    assert links.part_members() == [["East", "North", "West"]]
    assert links.sentence.startswith("Every region shares batches")


def test_a_region_with_its_own_batches_stands_apart() -> None:
    links = region_links(graph(("East", "B1"), ("North", "B1"), ("West", "B3"), ("West", "B4")))
    west = links.regions.set_index("region").loc["West"]
    assert (west["batches"], west["batches_shared"], west["comparable_with"]) == (2, 0, "")
    assert links.sentence == "West never shares a batch with another region and cannot be compared with any."


@pytest.mark.parametrize(
    ("edges", "sentence"),
    [
        ([("East", "B1")], "There is only one region (East), so there is nothing to compare it with."),
        (
            [("East", "B1"), ("West", "B2")],
            "No region ever shared a batch with another: regions and batches cannot be told apart.",
        ),
        (
            [("A", "B1"), ("B", "B1"), ("C", "B2"), ("D", "B2")],
            "The regions fall into groups that never shared a batch: compare only within a group.",
        ),
    ],
)
def test_sentences(edges: list[tuple[str, str]], sentence: str) -> None:
    assert region_links(graph(*edges)).sentence == sentence


@pytest.mark.parametrize(
    ("uncounted", "sentence", "shared"),
    [
        (
            [("South", "B1")],
            "Only North has a usable count of this yet, so it cannot be compared with any.",
            [True],
        ),
        (
            [("East", "B2"), ("West", "B2"), ("South", "B1")],
            "North cannot be compared with any yet: the tanks elsewhere that had the same batches have no usable"
            " count of this.",
            [True, True, True],
        ),
    ],
)
def test_batches_that_went_to_tanks_without_a_count_were_shared(
    uncounted: list[tuple[str, str]], sentence: str, shared: list[bool]
) -> None:
    """East and West share B2 and have counts; South has none."""
    delivered = graph(("North", "B1"), *uncounted)
    links = region_links(delivered[delivered["region"] != "South"], delivered)
    assert links.sentence == sentence
    assert links.edges["shared"].tolist() == shared
    assert links.regions.set_index("region")["went_elsewhere"].all()


def test_edges_are_counted_for_drawing() -> None:
    links = region_links(graph(("East", "B1"), ("East", "B1"), ("North", "B1"), ("West", "B2")))
    edges = links.edges.set_index(["region", "batch_id"])
    assert edges.loc[("East", "B1"), "tanks"] == 2
    assert edges["shared"].tolist() == [True, True, False]
