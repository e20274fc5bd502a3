"""The week's list from a real store: the contract's columns, nothing from the future, and what there is to say."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from tests.built_once import sample_store
from tests.reports.pages import seen, written_rows

from broodyear.cli import main
from broodyear.errors import NothingToAnalyse
from broodyear.intake import load_paths
from broodyear.reports.rendering import wording
from broodyear.reports.tables import declared_first
from broodyear.reports.week import detail, gather_week, report_week
from broodyear.settings import Settings
from broodyear.store import Store, open_store
from broodyear.week import KINDS, last_record_on, watchlist

DAY = dt.date(2024, 12, 16)
#: What a state tells of the dead of its tank.
COUNTED = {"counted_on": pd.Timestamp("2025-01-12"), "dead_then": 90, "dead_in_all": 95, "eggs": 200}
ALL_DEAD = {"dead_in_all": 200}
NEVER_COUNTED = {"counted_on": pd.NaT, "dead_then": float("nan"), "dead_in_all": float("nan")}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copy(sample_store(tmp_path_factory), tmp_path_factory.mktemp("week")))


@pytest.fixture(scope="module")
def store(place: Path) -> Store:
    return open_store(place)


def test_the_command_writes_page_and_list(place: Path, tmp_path: Path) -> None:
    words = ["report", "week", "--as-of", DAY.isoformat(), "--out", str(tmp_path / "w"), "--store", str(place)]
    assert main(words) == 0
    rows = written_rows(tmp_path / "w", "watchlist.csv")
    assert rows and list(rows[0])[:7] == declared_first("watchlist")
    assert {row["kind"] for row in rows} <= set(KINDS) == set(wording("week.txt", "first_checks"))
    assert all(row["since"] <= DAY.isoformat() for row in rows)
    assert all(row["detail"] and row["first_check"] and row["site_id"] for row in rows)
    text = seen(tmp_path / "w" / "week.html").text.replace("\u202f", " ")
    assert "What to look at on 16 Dec 2024" in text and "Unplug before hands go into the tank" in text


@pytest.mark.parametrize(
    ("kind", "value", "limit", "said"),
    [
        ("losses", 3.334, 3.262, "3.33 % of the eggs counted dead in the last seven days, as egg; more than"
         " 3.26 % in a week calls for a look"),
        ("losses", 8.2, 3.262, "8.2 % of the eggs counted dead in the last seven days, as egg; more than"
         " 3.3 % in a week calls for a look"),
        ("warm", 13.04, 13.0, "13.04 °C read on 15 Jan, above 13.00 °C"),
        ("silent", None, None, "no record of any kind for 30 days, last record on 18 Dec; 90 of its 200 eggs found"
         " dead at the last count, on 12 Jan"),
    ],
)  # fmt: skip
def test_what_lies_beyond_a_limit_is_seen_to(kind: str, value: float, limit: float, said: str) -> None:
    row = {
        "kind": kind,
        "value": value,
        "limit_value": limit,
        "measure": "egg",
        "since": pd.Timestamp("2025-01-02"),
        "holds_from": pd.Timestamp("2025-01-15"),
        **COUNTED,
    }
    assert detail(row, dt.date(2025, 1, 17), Settings()) == said


@pytest.mark.parametrize(
    ("kind", "counted", "day", "said"),
    [
        ("losses", {}, 21, "45.0 % of the eggs counted dead in the last seven days, as egg; more than 5.0 % in a"
         " week calls for a look"),
        ("losses", {}, 22, "45.0 % of the eggs counted dead in the seven days to 15 Jan, as egg; more than 5.0 %"
         " in a week calls for a look, and no count or stage is on record since"),
        ("losses", ALL_DEAD, 22, "45.0 % of the eggs counted dead in the seven days to 15 Jan, as egg;"
         " all 200 eggs delivered are counted dead, since 12 Jan, and no exit is on record: write it down"),
        ("silent", ALL_DEAD, 22, "all 200 eggs delivered are counted dead, since 12 Jan, and no exit is on record:"
         " write it down"),
        ("silent", {"dead_then": 0}, 16, "no record of any kind for 16 days, last record on 31 Dec; none of its"
         " 200 eggs found dead at the last count, on 12 Jan"),
        ("silent", NEVER_COUNTED, 16, "no record of any kind for 16 days, last record on 31 Dec; no dead were ever"
         " counted"),
    ],
)  # fmt: skip
def test_what_became_of_the_fish_is_told(kind: str, counted: dict[str, Any], day: int, said: str) -> None:
    row = {"kind": kind, "value": 45.0, "limit_value": 5.0, "measure": "egg", **COUNTED, **counted}
    row["since"] = row["holds_from"] = pd.Timestamp("2025-01-15")
    assert detail(row, dt.date(2025, 1, day), Settings()) == said


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        ("2025-01-10", "2025-01-20", "button-up expected on 15 Jan (80 %: 10 Jan to 20 Jan)"),
        (
            "2025-01-10",
            "2025-01-16",
            "button-up expected on 15 Jan (80 %: 10 Jan to 16 Jan); overdue and not recorded: look, or send the"
            " record",
        ),
        (
            None,
            None,
            "button-up expected about 15 Jan, without an interval: outside what the model was tested at; overdue"
            " and not recorded: look, or send the record",
        ),
    ],
)
def test_a_date_without_an_interval_says_so_and_an_overdue_one_asks(low: str, high: str, said: str) -> None:
    row = {
        "kind": "due",
        "value": None,
        "limit_value": None,
        "measure": "button_up",
        "expected_on": pd.Timestamp("2025-01-15"),
        "low_80": pd.Timestamp(low) if low else pd.NaT,
        "high_80": pd.Timestamp(high) if high else pd.NaT,
    }
    assert detail(row, dt.date(2025, 1, 17), Settings()) == said


def test_the_most_pressing_stand_first(store: Store) -> None:
    found, _ = watchlist(store, DAY)
    pressing = [KINDS.index(kind) for kind in found["kind"]]
    assert pressing == sorted(pressing)


def test_what_is_due_is_expected_within_a_week_or_still_open(store: Store) -> None:
    found, why = watchlist(store, DAY)
    due = found[found["kind"] == "due"]
    assert why == "" and len(due)
    assert (due["expected_on"] <= pd.Timestamp(DAY) + pd.Timedelta(days=7)).all()
    ends = due["high_80"].fillna(due["expected_on"])
    assert (ends >= pd.Timestamp(DAY) - pd.Timedelta(days=28)).all()
    assert due[ends < pd.Timestamp(DAY)]["tank_id"].is_unique


def test_the_day_is_that_of_the_last_record_unless_named(store: Store, tmp_path: Path) -> None:
    told: list[tuple[int, int, str]] = []
    result = report_week(store, tmp_path / "w", tell=lambda *step: told.append(step))
    assert [done / steps for done, steps, _ in told] == [0, 0.5]
    assert f"{last_record_on(store):%Y}" in seen(result.page).text.split("What to look at on ")[1][:12]


def test_deliveries_alone_are_a_day_to_look_at(tmp_path: Path) -> None:
    tables = {
        "sites": "site_id,region\nS1,north\n", "tanks": "tank_id\nT1\nT2\n",
        "setups": "season,tank_id,site_id,room_type,gravel_practice\n2024,T1,S1,classroom,bare\n",
        "batches": "batch_id,donor_stock,species,brood_year\nB1,D1,chinook,2024\n",
        "deliveries": "tank_id,batch_id,delivered_on,stage_at_delivery,eggs_live\nT1,B1,2024-11-08,eyed,100\n"
        "T2,B1,2024-11-20T10:00,eyed,100\n",
    }  # fmt: skip
    (tmp_path / "uploads").mkdir()
    for name, text in tables.items():
        (tmp_path / "uploads" / f"{name}.csv").write_text(text, encoding="utf-8")
    with open_store(tmp_path / "s.duckdb", for_loading=True) as opened:
        load_paths(opened, [str(tmp_path / "uploads")])
        assert last_record_on(opened) == dt.date(2024, 11, 20)  # of a tank that has no set-up
        assert "20 Nov 2024" in seen(report_week(opened, tmp_path / "w").page).text.replace("\u202f", " ")


def test_a_day_without_a_season_is_refused(store: Store, tmp_path: Path) -> None:
    with pytest.raises(NothingToAnalyse, match=r"season 1999 .1999/00., in which 2000-01-01 falls, has no set-up"):
        report_week(store, tmp_path / "w", as_of=dt.date(2000, 1, 1))


def test_an_empty_store_says_what_to_load(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.duckdb", for_loading=True) as empty:
        with pytest.raises(NothingToAnalyse, match="no dated record is in the store yet"):
            report_week(empty, tmp_path / "w")
        with pytest.raises(NothingToAnalyse, match="has no set-up; name another day"):
            report_week(empty, tmp_path / "w", as_of=DAY)


def test_eggs_without_a_set_up_are_listed_though_nobody_knows_where(place: Path, tmp_path: Path) -> None:
    own = Path(shutil.copy(place, tmp_path / "own.duckdb"))
    with open_store(own) as opened:
        batch = opened.table("batches")["batch_id"].iloc[0]
    (tmp_path / "tanks_new.csv").write_text("tank_id\nNEW-1\n", encoding="utf-8")
    (tmp_path / "deliveries_new.csv").write_text(
        f"tank_id,batch_id,delivered_on,stage_at_delivery,eggs_live\nNEW-1,{batch},2024-12-10,eyed,90\n",
        encoding="utf-8",
    )
    assert main(["load", str(tmp_path / "tanks_new.csv"), str(tmp_path / "deliveries_new.csv"),
                 "--store", str(own)]) == 0  # fmt: skip
    with open_store(own) as opened:
        found, _ = watchlist(opened, DAY)
        report_week(opened, tmp_path / "w", as_of=DAY)
    assert found.iloc[0][["tank_id", "kind"]].tolist() == ["NEW-1", "no_setup"]
    assert written_rows(tmp_path / "w", "watchlist.csv")[0]["since"] == "2024-12-10"


def test_a_tank_whose_fish_are_all_counted_dead_is_asked_for_its_exit(place: Path, tmp_path: Path) -> None:
    """TK-0010 was due; NEW-1 lost all 90 eggs and fell silent; NEW-2 was silent from the first."""
    own = Path(shutil.copy(place, tmp_path / "own.duckdb"))
    with open_store(own) as opened:
        batch, site = opened.table("batches")["batch_id"].iloc[0], opened.table("sites")["site_id"].iloc[0]
        before, _ = watchlist(opened, DAY)
        eggs = opened.result("tank_eggs").set_index(["tank_id", "season"])["eggs"]["TK-0010", 2024]
    sent = {
        "tanks_new": "tank_id\nNEW-1\nNEW-2\n",
        "setups_new": "season,tank_id,site_id,room_type,gravel_practice\n"
        f"2024,NEW-1,{site},office,bare\n2024,NEW-2,{site},office,bare\n",
        "deliveries_new": "tank_id,batch_id,delivered_on,stage_at_delivery,eggs_live\n"
        f"NEW-1,{batch},2024-10-20,eyed,90\nNEW-2,{batch},2024-10-20,eyed,90\n",
        "losses_new": f"tank_id,checked_on,stage,dead\nNEW-1,2024-10-25,egg,90\nTK-0010,2024-12-15,fry,{eggs}\n",
    }
    for name, text in sent.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    files = [str(tmp_path / f"{name}.csv") for name in sent]
    assert main(["load", *files, "--store", str(own)]) == 0
    with open_store(own) as opened:
        listed = gather_week(opened, DAY).watch.frame.set_index(["tank_id", "kind"])[["detail", "first_check"]]
    assert ("TK-0010", "due") in before.set_index(["tank_id", "kind"]).index
    assert ("TK-0010", "due") not in listed.index and ("TK-0010", "losses") in listed.index
    assert tuple(listed.loc[("NEW-1", "silent")]) == (
        "all 90 eggs delivered are counted dead, since 25 Oct, and no exit is on record: write it down",
        "Ask the site to write down its exit: the day on which the tank was closed, and why.",
    )
    assert tuple(listed.loc[("NEW-2", "silent")]) == (
        "no record of any kind for 57 days, last record on 20 Oct; no dead were ever counted",
        "Ring the site: is somebody looking at the tank?",
    )
