"""Suspicions about labels: one tank under two, and two tanks that only look alike."""

from __future__ import annotations

from tests.intake.suspicious_records import BATCH, DELIVERY, SETUP, SITE, TANK, Records, Row, suspicions

LATER = {"closed_on": "2026-05-20", "filled_on": "2025-10-10"}


def _two(
    second: str, *, first: str = "T-07", tank: Row | None = None, setup: Row | None = None,
    deliveries: list[Row] | None = None,
) -> Records:  # fmt: skip
    """A first label in season 2024 and a second one, at the same site in season 2025 unless said."""
    return Records(
        sites=[SITE, {**SITE, "site_id": "S2"}],
        tanks=[{**TANK, "tank_id": first}, {**TANK, "tank_id": second, **(tank or {})}],
        setups=[
            {**SETUP, "tank_id": first},
            {**SETUP, "season": 2025, **LATER, "tank_id": second, **(setup or {})},
        ],
        deliveries=deliveries or [{**DELIVERY, "tank_id": first}],
    )


def test_labels_that_differ_only_in_spelling() -> None:
    for label in ("t 7", "T7", "t_007", "Tank 7", "TANK-07"):
        first = "T-07" if label.lower().startswith("t") and "ank" not in label.lower() else "TK 7"
        (finding,) = suspicions(_two(label, first=first), "same_tank_two_labels")
        assert (finding.line, finding.table, finding.column, finding.value) == (3, "tanks", "tank_id", label)
        assert finding.message == (
            f"{label} and {first} differ only in case, spaces, punctuation or leading zeros; {label} stood at "
            f"S1 in 2025, {first} stood at S1 in 2024"
        )
        assert finding.advice == (
            "If they are two, acknowledge it; if both mean one tank, put this entry into layouts.toml:\n"
            f'[[same]]\nkind = "tank"\nlabel = "{first}"\nalso = ["{label}"]'
        )


def test_a_label_that_was_never_set_up_stands_nowhere() -> None:
    records = _two("t 7")
    del records.tables["setups"][1]
    (finding,) = suspicions(records, "same_tank_two_labels")
    assert finding.message == (
        "t 7 and T-07 differ only in case, spaces, punctuation or leading zeros; t 7 has no set-up, T-07 stood at "
        "S1 in 2024"
    )


def test_a_label_that_begins_where_a_near_one_ends() -> None:
    (finding,) = suspicions(_two("T-07b"), "same_tank_two_labels")
    assert finding.message == (
        "T-07b begins where T-07 ends, with nearly the same label and the same volume, chiller year and "
        "filter; T-07b stood at S1 in 2025, T-07 stood at S1 in 2024"
    )


def test_a_label_of_the_same_number_that_begins_where_another_ends() -> None:
    """All figures of the number count: 10 is neither 1 nor 100, while zeros before it say nothing."""
    for second in ("Kit 10", "Kit 010"):
        (finding,) = suspicions(_two(second, first="T-10"), "same_tank_two_labels")
        assert finding.message.startswith(f"{second} begins where T-10 ends, with nearly the same label")
    for second in ("Kit 1", "Kit 100"):
        assert suspicions(_two(second, first="T-10"), "same_tank_two_labels") == []


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


def test_two_numbers_in_a_label_stay_apart() -> None:
    assert suspicions(_two("T-12-1", first="T-1-21", setup={"site_id": "S2"}), "same_tank_two_labels") == []


def _sites(*regions: str) -> Records:
    return Records(sites=[{**SITE, "site_id": f"S-{n}", "region": r} for n, r in enumerate(regions, start=1)])


def test_a_region_in_two_spellings() -> None:
    (finding,) = suspicions(_sites("gullwick", "Gullwick", "North", "Gullwick"), "label_spelled_twice")
    assert (finding.line, finding.table, finding.column, finding.value) == (2, "sites", "region", "gullwick")
    assert finding.message == (
        "the region labels gullwick and Gullwick differ only in case, blanks, punctuation or leading zeros; "
        "gullwick has 1 site, Gullwick 2 sites"
    )
    assert finding.advice.endswith('[[same]]\nkind = "region"\nlabel = "Gullwick"\nalso = ["gullwick"]')
    assert suspicions(_sites("Gullwick", "Gullwick 2", "North"), "label_spelled_twice") == []


def test_a_site_in_two_spellings_unless_its_region_differs() -> None:
    def told(region: str) -> list[str | None]:
        sites = [SITE, {**SITE, "site_id": "s 1", "region": region}]
        return [one.value for one in suspicions(Records(sites=sites), "label_spelled_twice")]

    assert told(str(SITE["region"])) == ["s 1"]
    assert told("elsewhere") == []


def test_a_batch_in_two_spellings_unless_it_is_another_stock() -> None:
    def told(**other: object) -> list[str | None]:
        batches = [BATCH, {**BATCH, "batch_id": "b_1", **other}]
        return [one.value for one in suspicions(Records(batches=batches), "label_spelled_twice")]

    assert told() == ["b_1"]
    assert told(donor_stock="ANOTHER") == told(brood_year=2019) == told(species="coho") == []


def _spelled(*labels: str) -> list[tuple[str | None, str]]:
    sites = [{**SITE, "site_id": label} for label in labels]
    found = suspicions(Records(sites=sites), "label_spelled_twice")
    return [(one.value, one.advice.partition("label = ")[2].partition("\n")[0]) for one in found]


def test_a_site_whose_label_is_cut_short() -> None:
    """Whichever came first, the longer label is kept; another number, or another word, is another site."""
    for labels in (("Bray School", "Bray Sch."), ("Bray Sch.", "Bray School")):
        assert _spelled(*labels) == [("Bray Sch.", '"Bray School"')]
    assert _spelled("Bray Sch. 02", "Bray School 2") == [("Bray Sch. 02", '"Bray School 2"')]
    assert _spelled("Cold High Sch.", "Cold High") == [("Cold High Sch.", '"Cold High"')]
    for others in (
        ("Bray Sch. 1", "Bray School 2"),
        ("Bray Lib.", "Bray School"),
        ("Bray Sch.", "Bray"),
        ("1.", "1"),
    ):
        assert [one for one in _spelled(*others) if one[0] != "1"] == []
    sites = [{**SITE, "site_id": "Bray School"}, {**SITE, "site_id": "Bray Sch."}]
    (finding,) = suspicions(Records(sites=sites), "label_spelled_twice")
    assert finding.message == "the site label Bray Sch. may be Bray School with a word cut short"


def test_a_tank_whose_label_is_cut_short() -> None:
    unsaid: Row = {"volume_l": None, "chiller_year": None}
    records = _two("Bray Sch. 1", first="Bray School 1", tank=unsaid)
    (finding,) = suspicions(records, "same_tank_two_labels")
    assert finding.message == (
        "Bray Sch. 1 may be Bray School 1 with a word cut short; Bray Sch. 1 stood at S1 in 2025, Bray School 1 "
        "stood at S1 in 2024"
    )
    assert finding.advice.endswith('[[same]]\nkind = "tank"\nlabel = "Bray School 1"\nalso = ["Bray Sch. 1"]')
