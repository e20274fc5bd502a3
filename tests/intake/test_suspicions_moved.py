"""Suspicions about tanks moved in mid-season, by two set-ups of one season or an incident, and what is no move;
and about sites that changed their region."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.intake.suspicious_records import DELIVERY, Records, suspicions

from broodyear.findings import Finding
from broodyear.intake import check_paths, load_paths
from broodyear.intake.suspicions import cases_now, open_suspicions
from broodyear.settings import Acknowledged, SameLabel, Settings
from broodyear.store import open_store

pytestmark = pytest.mark.usefixtures("with_suspicions")

TABLES = {
    "sites": "site_id,region\nS1,N\nS2,N\n",
    "tanks": "tank_id\nT1\n",
    "setups": "season,tank_id,site_id,room_type,gravel_practice,light_cover\n2024,T1,S1,classroom,gravel,\n",
}
AGAIN = "season,tank_id,site_id,room_type,gravel_practice,light_cover\n2024,T1,S2,library,gravel,yes\n"
MOVED = {"tank_id": "T1", "started_at": "2025-01-09", "started_at_has_hour": False, "kind": "tank_moved"}


def _write(folder: Path, **tables: str) -> list[Path]:
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return [folder / f"{name}.csv" for name in tables]


@pytest.fixture
def store(tmp_path: Path) -> Path:
    with open_store(tmp_path / "b.duckdb", for_loading=True) as loading:
        load_paths(loading, _write(tmp_path, **TABLES))
    return tmp_path / "b.duckdb"


def _moved(findings: tuple[Finding, ...]) -> list[Finding]:
    return [finding for finding in findings if finding.rule == "tank_moved"]


def test_a_set_up_sent_again_with_another_place_names_both_rows(store: Path) -> None:
    """The light cover was blank before: filled in, it is no move. A check says the same as a load."""
    folder = store.parent
    again = _write(folder, setups_again=AGAIN)
    checked = _moved(check_paths(again, store=store).findings)
    with open_store(store, for_loading=True) as loading:
        (finding,) = _moved(load_paths(loading, again).findings)
    assert [finding] == checked
    assert (finding.path, finding.line, finding.column) == (str(again[0]), 2, "site_id")
    assert finding.message == (
        f"T1, season 2024: site S1, room classroom in {folder / 'setups.csv'}, line 2, and site S2, room library "
        f"in {again[0]}, line 2; all results take the row in {again[0]}, line 2 for the whole season"
    )
    assert finding.advice == (
        "If the later row corrects the earlier one, acknowledge it. If the tank was moved while it had eggs or "
        "fish, write the day as an incident tank_moved, and keep the set-up of the place where it stood longest: "
        "send that row again, or withdraw the later upload; then acknowledge it."
    )


def test_it_is_open_until_withdrawn_or_acknowledged(store: Path) -> None:
    with open_store(store, for_loading=True) as loading:
        load_paths(loading, _write(store.parent, setups_again=AGAIN))
        assert [one.rule for one in open_suspicions(loading.connection, Settings())] == ["tank_moved"]
        known = Settings(acknowledged=(Acknowledged("tank_moved", "T1", "a correction"),))
        assert open_suspicions(loading.connection, known) == []
        assert "upload 4" in loading.withdraw(4)
        assert open_suspicions(loading.connection, Settings()) == []


def test_the_same_under_joined_labels(store: Path) -> None:
    """t1 is a tank of its own until it is declared to mean T1."""
    also = _write(store.parent, tanks_more="tank_id\nt1\n", setups_again=AGAIN.replace("T1", "t1"))
    settings = Settings(same=(SameLabel("tank", "T1", ("t1",)),))
    with open_store(store, for_loading=True) as loading:
        load_paths(loading, also)
        assert "tank_moved" not in {one.rule for one in open_suspicions(loading.connection, Settings())}
    with open_store(store, settings=settings) as read:
        (one,) = open_suspicions(read.connection, settings)
        assert (one.rule, one.tank_id, one.upload, one.line) == ("tank_moved", "T1", 5, 2)


def test_an_incident_while_it_had_eggs_names_the_set_up_that_stands() -> None:
    (finding,) = suspicions(Records(incidents=[MOVED]), "tank_moved")
    assert (finding.table, finding.line, finding.column, finding.value) == ("incidents", 2, "kind", "tank_moved")
    assert finding.message == (
        "T1, season 2024: moved on 2025-01-09 (incidents.csv, line 2), with one set-up of the season, site S1, "
        "room classroom in setups.csv, line 2; all results take the row in setups.csv, line 2 for the whole season"
    )
    assert finding.advice == (
        "If it stood there longest, acknowledge it; else send the set-up of the place where it did."
    )


def test_moved_before_the_eggs_came_or_after_the_end_is_no_move() -> None:
    for day in ("2024-11-07", "2025-05-21"):
        assert suspicions(Records(incidents=[{**MOVED, "started_at": day}]), "tank_moved") == []
    assert suspicions(Records(incidents=[{**MOVED, "kind": "leak"}]), "tank_moved") == []
    assert suspicions(Records(incidents=[MOVED], deliveries=[{**DELIVERY, "tank_id": "T2"}]), "tank_moved") == []


def test_a_set_up_sent_again_alike_is_no_move(store: Path) -> None:
    with open_store(store, for_loading=True) as loading:
        load_paths(loading, _write(store.parent, setups_fewer="season,tank_id,site_id,room_type,gravel_practice\n"
                                                              "2024,T1,S1,classroom,gravel\n"))  # fmt: skip
        assert open_suspicions(loading.connection, Settings()) == []


def _changed(findings: tuple[Finding, ...]) -> list[Finding]:
    return [finding for finding in findings if finding.rule == "site_region_changed"]


def test_a_site_under_another_region_names_both_rows(store: Path) -> None:
    """A check says the same as a load; a row that says nothing of the region, or the same again, is no change."""
    folder = store.parent
    again = _write(folder, sites_again="site_id,region\nS1,South\nS2,N\n")
    checked = _changed(check_paths(again, store=store).findings)
    with open_store(store, for_loading=True) as loading:
        (finding,) = _changed(load_paths(loading, again).findings)
        assert [finding] == checked
        assert (finding.path, finding.line, finding.column, finding.value) == (str(again[0]), 2, "region", "South")
        assert finding.message == (
            f"site S1: region N in {folder / 'sites.csv'}, line 2, and South in {again[0]}, line 2; a site has "
            "one region, so all its seasons are counted in South"
        )
        assert finding.advice == (
            "If the later row corrects the earlier one, acknowledge it. If the site changed its region, give it a "
            "code of its own from then on, in sites and set-ups, and send its old row with N again."
        )
        assert [one.rule for one in open_suspicions(loading.connection, Settings())] == ["site_region_changed"]
        (case,) = cases_now(loading.connection, Settings(), "site_region_changed")
        assert (case["tank_id"], case["from_region"], case["region"]) == ("S1", "N", "South")
        joined = Settings(same=(SameLabel("region", "South", ("N",)),))
    with open_store(store, settings=joined) as reading:
        assert open_suspicions(reading.connection, joined) == []


def test_of_a_site_sent_three_times_the_last_other_region_is_named(store: Path) -> None:
    folder = store.parent
    with open_store(store, for_loading=True) as loading:
        for number, region in enumerate(("A", "B", "N", "N")):
            load_paths(loading, _write(folder, **{f"sites_{number}": f"site_id,region\nS1,{region}\n"}))
        (found,) = open_suspicions(loading.connection, Settings())
    assert (found.rule, found.tank_id) == ("site_region_changed", "S1")
