"""Suspicions about labels: one tank under two, and two tanks that only look alike."""

from __future__ import annotations

from tests.intake.suspicious_records import DELIVERY, SETUP, SITE, TANK, Records, Row, suspicions

LATER = {"closed_on": "2026-05-20", "filled_on": "2025-10-10"}


def _two(
    second: str, *, tank: Row | None = None, setup: Row | None = None, deliveries: list[Row] | None = None
) -> Records:
    """T-07 in season 2024 and a second label, at the same site in season 2025 unless said."""
    return Records(
        sites=[SITE, {**SITE, "site_id": "S2"}],
        tanks=[{**TANK, "tank_id": "T-07"}, {**TANK, "tank_id": second, **(tank or {})}],
        setups=[
            {**SETUP, "tank_id": "T-07"},
            {**SETUP, "season": 2025, **LATER, "tank_id": second, **(setup or {})},
        ],
        deliveries=deliveries or [{**DELIVERY, "tank_id": "T-07"}],
    )


def test_labels_that_differ_only_in_spelling() -> None:
    for label in ("t 7", "T7", "t_007", "Tank 7", "TANK-07"):
        first = "T-07" if label.lower().startswith("t") and "ank" not in label.lower() else "TK 7"
        records = _two(label)
        records.tables["tanks"][0]["tank_id"] = first
        records.tables["setups"][0]["tank_id"] = first
        records.tables["deliveries"][0]["tank_id"] = first
        (finding,) = suspicions(records, "same_tank_two_labels")
        assert (finding.line, finding.table, finding.column, finding.value) == (3, "tanks", "tank_id", label)
        assert finding.message == (
            f"{label} and {first} differ only in case, spaces, punctuation or leading zeros; {label} stood at "
            f"S1 in 2025, {first} at S1 in 2024"
        )


def test_a_label_that_begins_where_a_near_one_ends() -> None:
    (finding,) = suspicions(_two("T-07b"), "same_tank_two_labels")
    assert finding.message == (
        "T-07b begins where T-07 ends, with nearly the same label and the same volume, chiller year and "
        "filter; T-07b stood at S1 in 2025, T-07 at S1 in 2024"
    )


def test_two_tanks_that_only_look_alike() -> None:
    another_site_same_season = _two("t7", setup={**SETUP, "tank_id": "t7", "site_id": "S2"})
    assert suspicions(another_site_same_season, "same_tank_two_labels") == []
    both_with_eggs = _two(
        "t7",
        setup={**SETUP, "tank_id": "t7"},
        deliveries=[{**DELIVERY, "tank_id": "T-07"}, {**DELIVERY, "tank_id": "t7"}],
    )
    assert suspicions(both_with_eggs, "same_tank_two_labels") == []
    another_size = _two("t7", tank={"volume_l": 200.0})
    assert suspicions(another_size, "same_tank_two_labels") == []


def test_a_new_tank_in_the_place_of_a_retired_one() -> None:
    assert suspicions(_two("T-08", tank={"chiller_year": 2025}), "same_tank_two_labels") == []
    assert suspicions(_two("T-31"), "same_tank_two_labels") == []
