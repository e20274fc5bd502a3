"""A programme's first season, of seven tanks: too few to judge any, so what plain counts show has to be said."""

from __future__ import annotations

from pathlib import Path
from shutil import copy

import pytest
from tests.reports.pages import cell, seen, written_rows

from broodyear.intake import load_paths
from broodyear.reports.folder import ReportResult
from broodyear.reports.regions import report_regions
from broodyear.reports.season import report_season
from broodyear.store import open_store

#: Of 200 eggs, released from each tank; nobody counted what was left in the last.
RELEASED = {"T1": 184, "T2": 164, "T3": 172, "T4": 178, "Tank 5": 109, "T6": 170, "T7": None}


def _uploads() -> dict[str, str]:
    """Tables by name: a batch to seven tanks at seven sites; 60 found dead in one of them as its pump stopped."""
    tables = {
        "sites": ["site_id,region"],
        "tanks": ["tank_id"],
        "setups": ["season,tank_id,site_id,room_type,gravel_practice"],
        "batches": ["batch_id,donor_stock,species,brood_year", "B1,D1,chinook,2024", "B2,D1,chinook,2024"],
        "deliveries": ["tank_id,batch_id,delivered_on,stage_at_delivery,eggs_live"],
        "losses": ["tank_id,checked_on,stage,dead"],
        "exits": ["tank_id,exited_on,fate,count"],
        "incidents": ["tank_id,started_at,kind", "Tank 5,2025-03-10,pump_stopped"],
    }
    for place, (tank, fish) in enumerate(RELEASED.items(), start=1):
        tables["sites"].append(f"S{place},north")
        tables["tanks"].append(tank)
        tables["setups"].append(f"2024,{tank},S{place},classroom,{'gravel' if place % 2 else 'bare'}")
        eggs = 120 if tank == "T6" else 200
        tables["deliveries"].append(f"{tank},B1,2025-01-12,eyed,{eggs}")
        tables["losses"] += [f"{tank},2025-01-20,egg,10", f"{tank},2025-03-08,alevin,1"]
        if fish is not None:
            tables["exits"].append(f"{tank},2025-04-20,released,{fish - 5}")
            tables["exits"].append(f"{tank},2025-04-21,retained,5")
    tables["deliveries"].append("T6,B2,2025-01-14,eyed,80")
    tables["losses"].append("Tank 5,2025-03-10,alevin,60")
    return {name: "\n".join(lines) + "\n" for name, lines in tables.items()}


def _reviewed(folder: Path, uploads: dict[str, str]) -> ReportResult:
    (folder / "uploads").mkdir()
    for name, text in uploads.items():
        (folder / "uploads" / f"{name}.csv").write_text(text, encoding="utf-8")
    with open_store(folder / "first.duckdb", for_loading=True) as store:
        load_paths(store, [str(folder / "uploads")])
        return report_season(store, 2024, folder / "review", sites=True)


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> ReportResult:
    return _reviewed(tmp_path_factory.mktemp("first"), _uploads())


def text_of(page: Path) -> str:
    return " ".join(seen(page).text.replace("\u202f", " ").split())


def test_a_large_loss_stands_on_the_first_screen_the_list_and_in_the_paragraph_for_the_board(
    review: ReportResult,
) -> None:
    facts = (
        "60 of 200 were found dead on 10 Mar; on record then: pump stopped"
        " (10 Mar); 54 % of 200 live eggs were left alive, 86 % or more in half of the 6 tanks of its batch"
    )
    said = text_of(review.page).split("On this page")[0]
    assert "6 tanks of this season have a count of fish left alive. To judge one against the others takes" in said
    assert "Large losses. These are plain counts and no verdicts" in said and f"Tank 5 at S5: {facts}." in said
    assert f"No tank of this season could be judged yet. By plain count, at S5, Tank 5: {facts}. " in said
    assert "nobody to visit" not in said and "Tank Tank" not in said
    visits = written_rows(review.page.parent, "visits.csv")
    assert [(row["site_id"], row["tanks"]) for row in visits] == [("S5", "Tank 5"), ("S7", "T7")]
    assert visits[0]["in_short"].replace("\u202f", " ") == f"Tank 5: {facts}"
    assert "60 of 71 dead found on 10 Mar" in visits[0]["on_record"]
    assert visits[0]["first_check"].startswith("what ")
    for number in seen(review.page).numbers:
        assert cell(review.page.parent, number["data-from"], number["data-column"]) == number["value"]


def test_the_sheet_of_that_site_says_that_this_is_unusual_and_no_other_does(review: ReportResult) -> None:
    told = [sheet.stem for sheet in review.sheets if "is unusual" in text_of(sheet)]
    assert told == ["S5"]
    said = text_of(review.sheets[4])
    assert (
        "60 of 200 were found dead on 10 Mar; on record then: pump stopped"
        " (10 Mar). So many within so few days is unusual. Far fewer were left than in most tanks with the same"
        " eggs. That is no verdict on anybody" in said
    )


def test_a_sheet_lists_fish_that_were_kept_beside_those_released(review: ReportResult) -> None:
    assert "20 Apr 2025: 179 fish released; 21 Apr 2025: 5 fish kept." in text_of(review.sheets[0])


def test_eggs_of_two_batches_in_a_tank_are_counted_by_batch_and_said(review: ReportResult, tmp_path: Path) -> None:
    batches = written_rows(review.page.parent, "batches.csv")
    assert [(row["batch_id"], row["eggs"], row["tanks"], row["tanks_mixed"]) for row in batches] == [
        ("B1", "1320", "7", "1"), ("B2", "80", "0", "1"),
    ]  # fmt: skip
    said = text_of(review.page)
    assert "Tanks with eggs of several batches." in said
    assert "Tank T6 at S6: 200 eggs of 2 batches, 60 % of them of B1." in said
    with open_store(review.page.parent.parent / "first.duckdb") as store:
        regions = text_of(report_regions(store, tmp_path / "regions").page)
    assert "Over all seasons 1 tank had eggs of more than one batch" in regions
    sheet = text_of(review.sheets[5])
    assert "12 Jan 2025: 120 eggs of B1 delivered; 14 Jan 2025: 80 eggs of B2 delivered; 20 Apr" in sheet
    assert "12 Jan 2025: eggs delivered; 20 Apr" in text_of(review.sheets[0])


def test_what_has_nothing_to_show_is_folded_into_a_sentence(review: ReportResult) -> None:
    said = text_of(review.page)
    assert "No figure here" not in said and "too few: " not in said
    assert said.count("In too few tanks or batches to tell:") == 1 and "cannot show it (too few" not in said
    assert "more rows have no figure, for too few tanks or batches" in said


def test_tanks_of_the_season_that_runs_are_waited_for_and_not_taken_as_silent(
    review: ReportResult, tmp_path: Path
) -> None:
    copy(review.page.parent.parent / "first.duckdb", tmp_path)
    season = {
        "setups": "season,tank_id,site_id,room_type,gravel_practice\n2025,T1,S1,classroom,bare\n",
        "deliveries": "tank_id,batch_id,delivered_on,stage_at_delivery,eggs_live\nT1,B2,2026-01-12,eyed,200\n",
        "losses": "tank_id,checked_on,stage,dead\nT1,2026-01-15,egg,2\n",
    }
    for name, text in season.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    with open_store(tmp_path / "first.duckdb", for_loading=True) as store:
        load_paths(store, [str(tmp_path / f"{name}.csv") for name in season])
        page = report_regions(store, tmp_path / "regions").page
    assert "raw, from 6 of 7 tank-seasons" in text_of(page)
    assert (
        "Season 2025/26 is taken to be running still: 1 tank is waited for, and the last record is of"
        " 15 Jan 2026. If it is over, they have fallen silent and may have lost their fish. Tanks waited for are"
        " not among those that stopped reporting, nor in the bounds, save in a region that has no others."
    ) in text_of(page)
    whole = [row for row in written_rows(page.parent, "regions.csv") if row["outcome"] == "delivered_to_release"]
    assert [(row["tanks"], row["tanks_usable"]) for row in whole] == [("7", "6")]
    sums = written_rows(page.parent, "regions_by_season.csv")
    assert [row["eggs"] for row in sums if row["season"] == "2025"] == ["200"]


def test_far_more_released_than_came_is_named_and_stands_in_no_rate(tmp_path: Path) -> None:
    """400 of 200 eggs from one tank; of another 330, and nobody counted its dead."""
    uploads = _uploads()
    exits = uploads["exits"].replace("T3,2025-04-20,released,167", "T3,2025-04-20,released,395")
    uploads["exits"] = exits.replace("T1,2025-04-20,released,179", "T1,2025-04-20,released,325")
    uploads["losses"] = "".join(line for line in uploads["losses"].splitlines(True) if not line.startswith("T1,"))
    review = _reviewed(tmp_path, uploads)
    said = text_of(review.page)
    # left of the four others 164 + 178 + 109 + 170; released 5 fewer of each and 720 of the two
    assert (
        " 621 fish were left alive, from 4 tanks; 1 321 were counted at release, more than that because those of"
        " tanks that stand in no rate are among them, no tank is taken to have kept more than its eggs, and fish"
        " moved in count where they came from. In 2 tanks far more were left alive than were delivered; the eggs"
        " or the fish were miscounted there, so no rate counts them. Of all eggs, between 44 % (had all died in"
        " the tanks that have no usable count)" in said
    )
    assert (
        "of those in tanks that have one, 78 %." in said and "78 % of those in tanks with a usable count" in said
    )
    assert "Tank T1: 330 left alive of 200 eggs delivered. No survival to release is worked out of it." in said
    assert "Tank T3: 11 dead counted and 400 left alive of 200 eggs delivered. No survival" in said
    visits = {
        row["tanks"]: row["why"].replace("\u202f", " ") for row in written_rows(review.page.parent, "visits.csv")
    }
    wrong = "330 left alive of 200 eggs delivered; one of these counts is wrong and has to be mended."
    checks = {row["tanks"]: row["first_check"] for row in written_rows(review.page.parent, "visits.csv")}
    assert checks["T1"] == (
        "how many eggs came and how many fish left, and whether some were moved in from another tank"
    )
    assert visits["T1"] == f"Tank T1: {wrong}" and "T7 has no usable result" in visits["T7"]
    silent = [row["tank_id"] for row in written_rows(review.page.parent, "not_reported.csv")]
    figures = {row["name"]: row["value"] for row in written_rows(review.page.parent, "key_figures.csv")}
    counted = [float(figures[name]) for name in ("tanks_reported_end", "tanks_usable", "tanks_contradicted")]
    assert (silent, counted) == (["T7"], [6, 4, 2])
    sheet = text_of(review.sheets[0])
    assert (
        "The records have 330 left alive of 200 eggs delivered, so one of these counts is wrong. No survival is"
        in sheet
    )
    assert "do not say how many" not in sheet and "could be expected" not in sheet
