"""Suspicions against the store as it now is: what waits is not judged, what was mended is not listed."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from broodyear.findings import CheckResult
from broodyear.intake import check_paths, load_paths
from broodyear.intake.suspicions import count_suspicions, open_suspicions
from broodyear.reports.season.gathering import _findings
from broodyear.settings import Acknowledged, Settings
from broodyear.store import Store, open_store

pytestmark = pytest.mark.usefixtures("with_suspicions")

#: A tank set up in one season, with dates of the next that lie in the first once day and month change places.
TABLES = {
    "sites": "site_id,region\nS-1,north\n",
    "tanks": "tank_id\nT-1\n",
    "batches": "batch_id,donor_stock,species,brood_year\nB-1,D,chinook,2023\nB-2,D,chinook,2024\n",
    "setups": "season,tank_id,site_id,room_type,gravel_practice,filled_on,closed_on\n"
    "2023,T-1,S-1,office,bare,2023-12-20,2024-06-10\n",
    "losses": "tank_id,checked_on,stage,dead\nT-1,2024-01-20,egg,1\nT-1,2024-11-02,egg,1\nT-1,2024-12-03,egg,2\n",
}
SET_UP_AGAIN = "2024,T-1,S-1,office,bare,2024-10-10,2025-06-10\n"
DELIVERY = "tank_id,batch_id,delivered_on,stage_at_delivery,eggs_live\n"
BAD, MENDED = (f"{DELIVERY}T-1,B-2,2024-10-20,eyed,{eggs}\n" for eggs in ("2OO", "200"))
ODD = ["2024-11-02", "2024-12-03"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "records"
    folder.mkdir()
    for name, text in {**TABLES, "deliveries": f"{DELIVERY}T-1,B-1,2024-01-02,eyed,200\n"}.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


def swapped(result: CheckResult) -> list[str | None]:
    return [finding.value for finding in result.findings if finding.rule == "day_month_swapped"]


def listed(store: Store) -> pd.DataFrame:
    """The review's table of findings."""
    store.derive()
    return _findings(store, store.uploads()).set_index("rule")


def awaiting(result: CheckResult) -> list[str]:
    return [finding.message for finding in result.findings if finding.rule == "dates_await_mending"]


def awaited(folder: Path, path: str) -> str:
    """What is said while the row in line 2 of a file waits."""
    return (
        "2 dates of 1 tank cannot be held against the seasons of the tanks, the first of them checked_on "
        "2024-11-02 of T-1: 1 row of set-ups or deliveries kept out may belong there, the first "
        f"{folder / path}, line 2"
    )


@pytest.mark.parametrize("label", ["T-1", "Tank 1 in the hall"])
def test_dates_of_a_season_whose_delivery_waits_are_not_judged(folder: Path, label: str) -> None:
    # Nothing waits, and the tank was never used then: the dates are odd.
    assert swapped(check_paths([folder])) == ODD
    # A label that nobody has listed may be another spelling of this tank's.
    (folder / "deliveries_more.csv").write_text(BAD.replace("T-1", label), encoding="utf-8")
    result = check_paths([folder])
    assert swapped(result) == []
    assert awaiting(result) == [awaited(folder, "deliveries_more.csv")]
    (told,) = (finding for finding in result.findings if finding.rule == "dates_await_mending")
    assert (told.path, told.line, told.column) == (str(folder / "losses.csv"), 3, "checked_on")
    assert told.advice == (
        "Mend what was kept out first; whether day and month changed places, or the year is wrong, can be told "
        "only then."
    )


def test_a_delivery_of_another_season_that_waits_bears_on_nothing(folder: Path) -> None:
    (folder / "deliveries_more.csv").write_text(BAD.replace("2024-10-20", "2025-10-20"), encoding="utf-8")
    assert swapped(check_paths([folder])) == ODD


def test_dates_of_a_season_whose_set_up_waits_are_not_judged(folder: Path) -> None:
    header = TABLES["setups"].splitlines()[0] + "\n"
    (folder / "setups_more.csv").write_text(header + SET_UP_AGAIN.replace("bare", "bear"), encoding="utf-8")
    result = check_paths([folder])
    assert swapped(result) == []
    assert awaiting(result) == [awaited(folder, "setups_more.csv")]


def test_dates_of_a_season_in_which_the_tank_was_set_up_are_not_odd(folder: Path) -> None:
    # Nothing is known of its eggs; that its dates lie outside every season of the tank would be untrue.
    (folder / "setups.csv").write_text(TABLES["setups"] + SET_UP_AGAIN, encoding="utf-8")
    assert swapped(result := check_paths([folder])) == []
    assert awaiting(result) == []


def test_what_was_mended_is_listed_no_longer(folder: Path, tmp_path: Path) -> None:
    place, more = tmp_path / "broodyear.duckdb", tmp_path / "deliveries_more.csv"
    with open_store(place, for_loading=True) as store:
        assert swapped(load_paths(store, [folder])) == ODD
    with open_store(place) as store:
        assert listed(store)["findings"].to_dict() == {"day_month_swapped": 2}
    more.write_text(BAD, encoding="utf-8")
    with open_store(place, for_loading=True) as store:
        load_paths(store, [more])
    with open_store(place) as store:
        # The row that waits is listed, and what rests on it is not.
        assert listed(store)["findings"].to_dict() == {"not_a_number": 1}
    more.write_text(MENDED, encoding="utf-8")
    with open_store(place, for_loading=True) as store:
        load_paths(store, [more])
    with open_store(place) as store:
        assert listed(store).empty
        assert open_suspicions(store.connection, store.settings) == []


def test_what_was_acknowledged_is_counted_beside_what_is_open(folder: Path, tmp_path: Path) -> None:
    place = tmp_path / "broodyear.duckdb"
    with open_store(place, for_loading=True) as store:
        load_paths(store, [folder])
    known = Settings(acknowledged=(Acknowledged("day_month_swapped", "T-1", "looked into"),))
    for settings, counts in ((Settings(), (2, 0)), (known, (0, 2))):
        with open_store(place, settings=settings) as store:
            row = listed(store).loc["day_month_swapped"]
            assert (row["findings"], row["acknowledged"]) == counts
            # The same whether derived tables are there already or are made for it.
            opened = {one.rule for one in open_suspicions(store.connection, settings)}
            counted = count_suspicions(store.connection, settings, store.derived)
            assert opened == {rule for rule, _, count, _ in counted if count}
