"""A stranger reading the regions page does not take a bad batch for a bad region."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from tests.reports import invented
from tests.reports.invented_regions import results, row, uncovered
from tests.reports.pages import cell, seen, written_rows

from broodyear.claims import Claim, ClaimKind, Reason
from broodyear.reports.region_records import on_record
from broodyear.reports.regions import write_regions
from broodyear.reports.rendering import wording
from broodyear.reports.tables import ReportTable, declared_first, report_table
from broodyear.setups.circumstances import CIRCUMSTANCES


def said(page: Path) -> str:
    """The page's words, with plain spaces."""
    return " ".join(seen(page).text.replace("\u202f", " ").split())


def test_the_region_with_the_bad_batch_is_not_called_worse(tmp_path: Path) -> None:
    text = said(write_regions(results(), tmp_path, invented.uploads()).page)
    assert "Regions are not shown to differ within the same batches of eggs" in text
    assert "north: 72 % raw" in text
    assert "Region north is not shown to differ from the others with the same batches of eggs" in text
    assert "anything from −7.2 to +4.8 points" in text
    assert "Regions differ" not in text


def test_a_region_without_a_shared_batch_is_not_separable(tmp_path: Path) -> None:
    text = said(write_regions(results(), tmp_path, invented.uploads()).page)
    assert "south: 84 % raw, from 36 of 40 tank-seasons and 6 batches, of which 0 also went elsewhere." in text
    assert "The records cannot show how region south compares with the others" in text
    south = next(line for line in written_rows(tmp_path, "regions.csv") if line["region"] == "south")
    assert south["separable"] == "false" and south["adjusted_pct"] == ""


def test_silent_tanks_are_only_told_of_where_there_are_some(tmp_path: Path) -> None:
    for usable, is_told in ((36, True), (40, False)):
        east = row("east", 81.4, 0.0, 0.9, tanks_usable=usable, bound_low_pct=81.2, bound_high_pct=81.2)
        text = said(write_regions(results(east), tmp_path / str(usable), invented.uploads()).page)
        assert ("the others had counted more of theirs dead" in text) == is_told, usable


def test_a_site_that_changed_its_region_is_named_beside_the_answer(tmp_path: Path) -> None:
    assert "changed their region" not in said(write_regions(results(), tmp_path / "none", invented.uploads()).page)
    site = {"site_id": "S-4", "region": "east", "from_region": "north", "stands_place": "b.csv, line 3",
            "from_place": "a.csv, line 9"}  # fmt: skip
    changed = replace(results(), changed=report_table("changed_regions", pd.DataFrame([site])))
    text = said(write_regions(changed, tmp_path / "one", invented.uploads()).page)
    assert (
        "Sites that changed their region. Site S-4 counts in east with all its seasons (b.csv, line 3); "
        "before, it stood under north (a.csv, line 9)."
    ) in text
    assert [line["site_id"] for line in written_rows(tmp_path / "one", "changed_regions.csv")] == ["S-4"]


def test_sums_by_season_are_said_to_be_no_comparison_and_point_to_the_one_there_is(tmp_path: Path) -> None:
    sums = results()
    page = write_regions(sums, tmp_path / "none", invented.uploads()).page
    assert (
        "These are sums to account for eggs and fish by, and no comparison, as their batches differ, and so"
        " do the tanks without a count; how regions compare within the same batches stands under Raw,"
        " adjusted and within batches."
    ) in said(page)
    assert 'href="#evidence"' in page.read_text(encoding="utf-8")
    assert "are all in its present one" not in said(page)
    moved = report_table("changed_regions", pd.DataFrame([{"site_id": "S-4", "region": "east"}]))
    text = said(write_regions(replace(sums, changed=moved), tmp_path / "moved", invented.uploads()).page)
    assert "The seasons of a site that changed its region are all in its present one." in text


def test_sums_by_season_begin_with_the_latest_and_leave_out_what_is_nowhere(tmp_path: Path) -> None:
    page = write_regions(results(), tmp_path, invented.uploads()).page
    table = page.read_text(encoding="utf-8").split('id="regions_by_season-table"')[1].split("</table>")[0]
    assert re.findall("20[0-9]{2}/[0-9]{2}", table) == ["2023/24"] * 3 + ["2022/23"] * 3
    assert "release not on record" in table and "no delivery on record" not in table


def missing(*rows: tuple[int, str, str, int, bool]) -> ReportTable:
    """season, region, what is missing, sites, whether everywhere."""
    frame = pd.DataFrame(rows, columns=["season", "region", "missing", "sites", "is_everywhere"])
    return report_table("missing_regions", frame.assign(tanks=frame["sites"] + 1))


def test_whole_regions_that_sent_nothing_are_named_in_one_sentence(tmp_path: Path) -> None:
    assert "Missing from a whole region" not in said(
        write_regions(results(), tmp_path / "none", invented.uploads()).page
    )
    table = missing(
        (2021, "east", "counts", 9, False), (2022, "east", "counts", 8, False),
        (2022, "north", "counts", 1, False),
        (2022, "south", "temperatures", 4, False), (2023, "east", "temperatures", 9, True),
        (2023, "north", "temperatures", 2, True), (2024, "east", "counts_and_temperatures", 9, False),
    )  # fmt: skip
    page = write_regions(replace(results(), missing=table), tmp_path, invented.uploads()).page
    assert (
        "How much was reported Missing from a whole region. So far there is no count of the dead or of fish that"
        " left from any site of east in 2021/22 (9 sites with eggs) and 2022/23 (8 sites with eggs) and from any"
        " site of north in 2022/23 (1 site with eggs); no temperature from any site of south in 2022/23 (4 sites"
        " with eggs) and from any site at all in 2023/24; no count of the dead or of fish that left, and no"
        " temperature, from any site of east in 2024/25 (9 sites with eggs): were files left out?"
    ) in said(page)
    for number in seen(page).numbers:
        assert cell(tmp_path, number["data-from"], number["data-column"]) == number["value"]


def test_one_region_is_not_warned_against_comparing(tmp_path: Path) -> None:
    several = results().by_season.frame
    one = replace(results(), by_season=report_table("regions_by_season", several[several["region"] == "east"]))
    text = said(write_regions(one, tmp_path, invented.uploads()).page)
    assert "These are sums to account for eggs and fish by." in text and "by, and no comparison" not in text


def test_a_region_without_a_count_is_not_said_to_have_had_no_batch(tmp_path: Path) -> None:
    silent = row("south", None, 0.0, 1.0, tanks=6, tanks_usable=0, batches=0, batches_shared=0, bound_low_pct=0.0,
                 bound_high_pct=90.0, decision="cannot_tell", reason="too_few_counted")  # fmt: skip
    shown = results(row("east", 86.0, 2.0, 0.6), silent)
    text = said(write_regions(shown, tmp_path, invented.uploads()).page)
    assert (
        "south: no survival known yet, as none of its 6 tank-seasons has a usable count. The records cannot show"
        " how region south compares with the others: too few of those compared have a usable count yet."
    ) in text


def test_a_claimed_difference_is_said_with_its_size(tmp_path: Path) -> None:
    shown = results(row("east", 86.0, 2.0, 0.6), row("north", 60.0, -12.0, 0.003))
    text = said(write_regions(shown, tmp_path, invented.uploads()).page)
    assert "Regions differ within the same batches of eggs, by a standard deviation of 0.8 points" in text
    assert "Region north differs from the others with the same batches of eggs: −12 points" in text
    assert "Region east is not shown to differ" in text


def test_every_claim_of_the_page_is_a_row_with_its_sentence(tmp_path: Path) -> None:
    text = said(write_regions(results(), tmp_path, invented.uploads()).page)
    rows = written_rows(tmp_path, "claims.csv")
    assert [line["claim"] for line in rows] == [*["region_differs"] * 3, "regions_differ"]
    assert all(" ".join(line["sentence"].replace("\u202f", " ").split()) in text for line in rows)


@pytest.mark.parametrize(
    ("elsewhere", "what"), [("single", "a bare bottom"), ("layered_stones", "layered stones or a bare bottom")]
)
def test_bare_tanks_are_called_bare_where_none_has_layered_stones(elsewhere: str, what: str) -> None:
    tanks = uncovered()
    practice = (tanks["region"] == "north").map({True: "bare", False: elsewhere})
    table = on_record(tanks.assign(gravel_practice=practice)).frame
    assert set(table.loc[table["evidence"] == "gravel", "what"]) == {what}


def test_no_ranks_and_alphabetical_order(tmp_path: Path) -> None:
    page = write_regions(results(), tmp_path, invented.uploads()).page
    text = said(page)
    assert "rank" not in text.replace("No ranks", "")
    assert text.index("east: 86 %") < text.index("north: 72 %") < text.index("south: 84 %")


def test_every_number_equals_the_cell_it_names(tmp_path: Path) -> None:
    page = write_regions(results(), tmp_path, invented.uploads()).page
    numbers = seen(page).numbers
    assert len(numbers) > 15
    for number in numbers:
        assert cell(tmp_path, number["data-from"], number["data-column"]) == number["value"]


def test_a_refusal_stands_in_place_and_the_table_keeps_its_columns(tmp_path: Path) -> None:
    result = write_regions(results(refusal="no tank has a batch"), tmp_path, invented.uploads())
    assert "No tank has a batch." in said(result.page)
    header = (tmp_path / "tables" / "regions.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    assert header[:11] == declared_first("regions")


@pytest.mark.parametrize("count", [1, 60])
def test_one_region_and_many_regions_make_a_page(count: int, tmp_path: Path) -> None:
    many = results(*(row(f"region {place:02d}", 80.0, 0.5, 0.9) for place in range(count)))
    assert write_regions(many, tmp_path, invented.uploads()).page.exists()


def test_regions_without_a_known_survival_are_said_without_numbers(tmp_path: Path) -> None:
    blank = {"raw_pct": None, "batches": 0, "batches_shared": 0}
    text = said(write_regions(results(row("east", 80.0, 0.5, 0.9) | blank), tmp_path, invented.uploads()).page)
    assert (
        "east: no survival known, from 36 of 40 tank-seasons and 0 batches" in text
        and " – " not in text.split("Method")[0]
    )


def test_what_a_region_has_on_record_more_often_is_named_as_no_cause(tmp_path: Path) -> None:
    text = said(write_regions(results(), tmp_path, invented.uploads()).page)
    assert "north: no light cover in 40 of 40 tanks (elsewhere 10 %)." in text
    assert "what is on record is consistent with a difference, not shown to be its cause" in text
    rows = {line["region"]: line for line in written_rows(tmp_path, "on_record.csv")}
    assert (rows["north"]["stands_out"], rows["east"]["stands_out"]) == ("true", "false")


def test_every_circumstance_has_a_name_where_tanks_are_counted() -> None:
    assert {one.code for one in CIRCUMSTANCES} == set(wording("regions/evidence.txt", "names"))


def test_a_region_that_differs_at_hatch_is_the_answer_and_the_whole_stay_says_why_it_is_not(
    tmp_path: Path,
) -> None:
    at_hatch = row("north", 70.0, -11.0, 0.0004, outcome="hatch")
    whole = row("north", 66.0, -7.7, 0.017)
    text = said(write_regions(results(at_hatch, whole), tmp_path, invented.uploads()).page)
    assert "Regions differ, eggs delivered to hatch, within the same batches of eggs" in text
    assert "Regions are not shown to differ" not in text
    assert (
        "Region north is not shown to differ from the others with the same batches of eggs: chance alone would"
        " show as much about once in 20 times; by itself its interval (−14 to −2 points) is free of zero, which is"
        " not enough among the 3 compared." in text
    )


def test_what_batches_are_of_a_shortfall_at_hatch_stands_among_the_single_stages(tmp_path: Path) -> None:
    of_batches = Claim(
        ClaimKind.REGION_BATCHES, "north", Reason.CLEAR, "B-2", outcome="hatch", estimate=-8.0, low=-11.0,
        high=-5.0, unit="points", section="answer", observed=-10.4,
    )  # fmt: skip
    untold = replace(of_batches, subject="south", reason=Reason.NEVER_SHARE_BATCH, level="", section="")
    shown = results()
    statements = shown.statements.and_also([of_batches, untold])
    text = said(write_regions(replace(shown, statements=statements), tmp_path, invented.uploads()).page)
    assert (
        "At single stages of the stay: Of the 10 points that region north lies below the others raw at hatch,"
        " 8.0 points (95 % interval 5 to 11) are its batches: B-2 did poorly wherever it went. Table"
    ) in text
    assert [line["sentence"] for line in written_rows(tmp_path, "claims.csv") if line["subject"] == "south"][
        -1
    ] == ""
