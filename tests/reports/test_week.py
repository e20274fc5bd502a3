"""The week's list from a real store: the contract's columns, nothing from the future, and what there is to say."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import pandas as pd
import pytest
from tests.built_once import sample_store
from tests.reports.pages import seen, written_rows

from broodyear.cli import main
from broodyear.errors import NothingToAnalyse
from broodyear.reports.rendering import wording
from broodyear.reports.tables import declared_first
from broodyear.reports.week import detail, report_week
from broodyear.settings import Settings
from broodyear.store import Store, open_store
from broodyear.week import KINDS, last_record_on, watchlist

DAY = dt.date(2024, 12, 16)


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
        ("silent", None, None, "no record of any kind for 30 days, last record on 18 Dec"),
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
    }
    assert detail(row, dt.date(2025, 1, 17), Settings()) == said


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
