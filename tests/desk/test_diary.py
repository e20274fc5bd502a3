"""A diary kept in a workbook of twelve sheets comes in whole, by somebody who never opens a terminal."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import openpyxl
import pytest
from tests.desk.conftest import PATIENCE_SECONDS, ServedDesk

from broodyear.store import open_store

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

SHEETS, DAYS = 12, 9
STAGES = {"egg": "egg", "sac fry": "alevin", "free swimming": "fry"}


def write_diary(place: Path, year: int) -> None:
    """A sheet per tank: a title, a blank row, headings in row 3, dates that can be read in two ways."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for number in range(1, SHEETS + 1):
        sheet = book.create_sheet(f"GUL-{number:02d}")
        for row in (["Our diary"], [], ["Date", "Time", "Water (F)", "Dead", "Stage", "Weather"]):
            sheet.append(row)
        for day in range(1, DAYS + 1):
            dead = "none" if day % 3 == 0 else (number + day) % 4
            stage = list(STAGES)[day % 3]
            sheet.append([f"03/{day:02d}/{year % 100}", "08:10", 45 + number / 10 + day, dead, stage, "sunny"])
    book.save(place)


def values_of(place: Path) -> tuple[set[tuple[object, ...]], set[tuple[object, ...]]]:
    """What the sheets say, read with another library: readings in °C, and losses."""
    readings, losses = set(), set()
    with closing(openpyxl.load_workbook(place, read_only=True)) as book:
        for sheet in book.worksheets:
            for date, time, water, dead, stage, _ in sheet.iter_rows(min_row=4, values_only=True):
                day = dt.datetime.strptime(f"{date} {time}", "%m/%d/%y %H:%M")
                readings.add((sheet.title, day, round((float(water) - 32) / 1.8, 6)))
                losses.add((sheet.title, day.date(), STAGES[str(stage)], 0 if dead == "none" else int(dead)))
    return readings, losses


@pytest.fixture
def page(browser: Browser, serve_desk: Callable[[Path], ServedDesk], tmp_path: Path) -> Page:
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    context.set_default_timeout(PATIENCE_SECONDS * 1000)
    opened = context.new_page()
    opened.goto(serve_desk(tmp_path / "store.duckdb").entry)
    return opened


def hand_over(page: Page, *files: Path) -> None:
    page.set_input_files("#pick-files", files)
    page.get_by_role("button", name="Look at these files").click()
    page.get_by_text(files[-1].name).first.wait_for()
    page.locator("#seen-title").wait_for()
    at_rest(page)


def at_rest(page: Page) -> None:
    page.wait_for_function("() => !document.querySelector('[data-watch]')")


def say(page: Page, label: str, choice: str) -> None:
    """Choose in the box with this label; the page takes each choice at once."""
    with page.expect_navigation():
        page.get_by_label(label, exact=True).select_option(label=choice)
    assert page.get_by_label(label, exact=True).evaluate("e => document.activeElement === e")


def test_a_workbook_of_twelve_sheets_comes_in_start_to_finish(page: Page, tmp_path: Path) -> None:
    diary, next_year, tanks = tmp_path / "diary 2025.xlsx", tmp_path / "diary 2026.xlsx", tmp_path / "tanks.csv"
    write_diary(diary, 2025)
    write_diary(next_year, 2026)
    sites, setups = tmp_path / "sites.csv", tmp_path / "setups.csv"
    names = [f"GUL-{number:02d}" for number in range(1, SHEETS + 1)]
    tanks.write_text("\n".join(["tank_id", *names, ""]), encoding="utf-8")
    sites.write_text("site_id,region\nS-1,north\n", encoding="utf-8")
    rows = [f"{season},{name},S-1,classroom,bare" for season in (2024, 2025) for name in names]
    setups.write_text("\n".join(["season,tank_id,site_id,room_type,gravel_practice", *rows, ""]), encoding="utf-8")

    hand_over(page, sites, tanks, setups, diary)
    page.get_by_role("button", name="Say what its columns mean").click()
    page.get_by_text("11 sheets with the same ones").wait_for()
    page.get_by_role("link", name="diary 2025.xlsx#GUL-01").click()
    content = page.locator("#content")
    assert (
        "The dates can be read in more than one way" in content.inner_text() and "a guess" in content.inner_text()
    )

    # Two headings sent to one column are told at once, and a step can be undone.
    say(page, "What “Weather” means", "dead (losses)")
    assert "“Dead” and “Weather” both mean dead (losses)" in content.inner_text()
    page.get_by_role("button", name="Undo the last change").click()
    page.get_by_text("Say what “Weather” means").wait_for()
    say(page, "What “Weather” means", "leave it out")
    with page.expect_navigation():
        page.get_by_label("month first").check()
    assert "reads as 2025-03-02" in content.inner_text()
    say(page, "“sac fry” means", "alevin")
    say(page, "“free swimming” means", "fry")
    page.get_by_label("“none” means").fill("0")
    page.get_by_role("button", name="Show how it reads").last.click()
    page.get_by_text("Everything is said").wait_for()
    assert "GUL-01 2025-03-01 08:10 46.1 F" in content.inner_text().replace("\t", " ")
    page.get_by_role("button", name="Keep this and look at the files again").click()
    page.get_by_role("heading", name="Files", exact=True).wait_for()
    at_rest(page)

    # All twelve sheets are read now, and nothing is kept out.
    good = SHEETS * DAYS + 1 + SHEETS + len(rows)
    page.get_by_role("button", name=f"Load the {good} good rows").click()
    page.locator("#loaded-title").wait_for()
    at_rest(page)
    readings, losses = values_of(diary)
    with open_store(tmp_path / "store.duckdb") as store:
        kept, lost = store.result("staged_temperatures"), store.table("losses")
    assert {
        (row.tank_id, row.read_at.to_pydatetime(), round(row.water_temp_c, 6)) for row in kept.itertuples()
    } == readings
    assert {(row.tank_id, row.checked_on.date(), row.stage, int(row.dead)) for row in lost.itertuples()} == losses

    # The next diary of the kind is read without a question.
    hand_over(page, next_year)
    assert "Columns to explain" not in content.inner_text()
    assert page.get_by_role("button", name=f"Load the {SHEETS * DAYS} good rows").is_visible()
    assert "broodyear " not in content.inner_text()
