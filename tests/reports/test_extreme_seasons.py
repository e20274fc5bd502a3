"""Seasons at an end of what can be: every egg counted dead, and nobody reported anything."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.reports.pages import seen

from broodyear.intake import load_paths
from broodyear.reports.numbers import site_word
from broodyear.reports.season import report_season
from broodyear.store import open_store

TANKS = ("T1", "T2", "T3")


def _first_screen(folder: Path, losses: list[str], sites: bool = False, site: str = "S-", closed: str = "") -> str:
    """The first screen of a season of three tanks of 100 eggs with these rows of losses; or its first sheet."""
    tables = {
        "sites": ["site_id,region", *(f"{site}{tank},north" for tank in TANKS)],
        "tanks": ["tank_id", *TANKS],
        "setups": [
            "season,tank_id,site_id,room_type,gravel_practice,closed_on",
            *(f"2024,{tank},{site}{tank},classroom,bare,{closed}" for tank in TANKS),
        ],
        "batches": ["batch_id,donor_stock,species,brood_year", "B1,D1,chinook,2024"],
        "deliveries": [
            "tank_id,batch_id,delivered_on,stage_at_delivery,eggs_live",
            *(f"{tank},B1,2024-11-08,eyed,100" for tank in TANKS),
        ],
        "losses": ["tank_id,checked_on,stage,dead", *losses],
    }
    uploads = folder / "uploads"
    uploads.mkdir()
    for name, lines in tables.items():
        (uploads / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with open_store(folder / "season.duckdb", for_loading=True) as store:
        load_paths(store, [str(uploads)])
        result = report_season(store, 2024, folder / "review", sites=sites)
    text = " ".join(seen(result.sheets[0] if sites else result.page).text.replace("\u202f", " ").split())
    return text.split("On this page")[0]


@pytest.mark.usefixtures("without_drawings")
def test_tanks_that_lost_every_egg_stand_on_the_first_screen_as_lost(tmp_path: Path) -> None:
    said = _first_screen(tmp_path, [f"{tank},2024-11-20,egg,100" for tank in TANKS])
    assert "Tank T1 at S-T1: none of 100 live eggs was left alive." in said
    assert "300 eggs and fish were counted dead, in 3 tanks. 0 fish were left alive, from 3 tanks" in said
    assert "no visit is called for" not in said and "running still" not in said
    assert "0 were left alive (3 tanks), 0 % of the eggs." in said
    assert "By plain count, at S-T1, T1: none of 100 live eggs was left alive" in said


@pytest.mark.usefixtures("without_drawings")
def test_the_sheet_of_a_site_that_lost_every_egg_says_that_none_was_left(tmp_path: Path) -> None:
    said = _first_screen(tmp_path, [f"{tank},2024-11-20,egg,100" for tank in TANKS], sites=True)
    assert "None was left. That is no verdict on anybody" in said


@pytest.mark.usefixtures("without_drawings")
def test_a_season_of_which_nobody_reported_is_not_told_as_a_loss(tmp_path: Path) -> None:
    said = _first_screen(tmp_path, [], closed="2025-05-30")
    assert (
        "300 live eggs came to 3 tanks; how many hatched is on record of none of them; nobody counted the dead in"
        " any. How many fish were left alive is on record of no tank: that is silence, and says neither that they"
        " lived nor that they died." in said
    )
    assert (
        "3 tanks received 300 live eggs; how many hatched or died is not on record; how many were"
        " left alive is on record of no tank, which is silence and no loss." in said
    )
    assert "0 hatched" not in said and "0 were left alive" not in said


@pytest.mark.usefixtures("without_drawings")
def test_a_season_of_deliveries_alone_runs(tmp_path: Path) -> None:
    said = _first_screen(tmp_path, [])
    assert "still: no fish has left a tank yet, and the last record is of 8 Nov 2024." in said
    assert "which still runs (no fish has left a tank, last record 8 Nov 2024), 3 tanks received" in said
    assert "silence and no loss" not in said


@pytest.mark.usefixtures("without_drawings")
def test_the_dead_of_a_silent_season_are_told_without_what_nobody_counted(tmp_path: Path) -> None:
    said = _first_screen(tmp_path, ["T1,2024-11-12,egg,3", "T2,2024-11-12,egg,0", "T3,2024-11-12,egg,2"])
    assert "5 eggs and fish were counted dead, in 3 tanks" in said
    assert "how many hatched is not on record" in said and "0 hatched" not in said


@pytest.mark.usefixtures("without_drawings")
def test_sites_that_are_called_site_are_not_called_so_twice(tmp_path: Path) -> None:
    assert (site_word("Site Elm"), site_word("S-07")) == ("", "Site ")
    said = _first_screen(tmp_path, ["T1,2024-11-20,egg,0"], sites=True, site="Site ")
    assert said.count("Site Site") == 0 and "Site T1, season 2024/25" in said
