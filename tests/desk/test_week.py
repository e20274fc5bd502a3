"""While a season runs, the first page shows what to look at this week."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.desk.conftest import AtHome, a_copy, let_in, settle, small_store_once

from broodyear.desk.access import KEY_FIELD
from broodyear.desk.reports_pages import week_list
from broodyear.desk.state import Desk
from broodyear.intake import load_paths
from broodyear.settings import Settings, season_of
from broodyear.store import open_store

MakeDesk = Callable[..., Desk]


def test_the_week_is_on_the_first_page_while_a_season_runs(
    make_desk: MakeDesk, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    store = a_copy(small_store_once(tmp_path_factory), tmp_path / "desk")
    today = dt.date.today()
    season = season_of(today, Settings())
    setups = f"season,tank_id,site_id,room_type,gravel_practice\n{season},T-1,S-1,classroom,bare\n"
    delivered = max(today - dt.timedelta(days=40), dt.date(season, 8, 1))
    deliveries = f"tank_id,batch_id,delivered_on,stage_at_delivery,eggs_live\nT-1,B-1,{delivered},eyed,150\n"
    for name, text in (("setups_now", setups), ("deliveries_now", deliveries)):
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    with open_store(store, for_loading=True) as kept:
        load_paths(kept, [tmp_path / "setups_now.csv", tmp_path / "deliveries_now.csv"])
    desk = make_desk(store)
    client = let_in(desk)
    settle(desk)
    assert "Look through this week" in client.get("/").data.decode()
    sent = {KEY_FIELD: desk.access.key, "kind": "report_week", "back": "files.show"}
    assert client.post("/reports/make", data=sent).status_code == 303
    settle(desk)
    lines = week_list(desk.workplace.reports)
    page = client.get("/").data.decode()
    assert lines is not None and "Look again, as of today" in page
    assert all(line["detail"][:20] in page for line in lines)
    assert b"This week" in client.get("/reports").data


def test_without_a_season_that_runs_the_first_page_is_about_files(kept: AtHome) -> None:
    assert "This week" not in kept.get("/").data.decode()
