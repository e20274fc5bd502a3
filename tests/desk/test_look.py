"""Every page of the desk with a programme behind it: no barrier and nothing too wide, by day and in the dark."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlencode

import pytest
from tests.desk.conftest import ServedDesk, Visitor, a_copy
from tests.desk.test_planning import DELIVERY, TRIAL
from tests.desk.test_server import hand_over, until, work

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

WIDTHS = (360, 390, 768, 1280, 1440)
#: What a finger cannot meet.
TOO_SMALL = """() => [...document.querySelectorAll('button, select, input:not([type=hidden])')]
    .filter(e => e.getBoundingClientRect().height < 24).map(e => e.outerHTML.slice(0, 80))"""
PAGES = (
    "/",
    "/files/checked/findings",
    "/files/checked/findings?level=error",
    "/store",
    "/store/season/2024",
    "/store/season/2024?lacks=water_tests",
    "/store/uploads",
    "/store/open",
    "/store/open/strange/day_month_swapped",
    "/store/upload/9",
    "/reports",
    "/reports/files/season_2024/",
    "/plan",
    "/plan?factor=gravel_practice",
    "/plan?factor=set_point_c",
    "/words",
    "/words/setups",
    "/nowhere",
)
#: WCAG 2.2 A and AA, and the house-keeping rules (heading order, landmarks) that go with them.
AXE_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
#: By day all of these; in the dark those that look at colours, which alone are others there.
AXE_RUNS = {
    "light": {"type": "tag", "values": AXE_TAGS},
    "dark": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]},
}
LOSSES = """tank_id,checked_on,stage,dead
TK-9999,2025-01-12,egg,1
TK-0003,2025-02-30,egg,1
TK-0003,2025-01-14,egg,1O
"""


Furnished = tuple["BrowserContext", str]


@pytest.fixture(scope="module")
def furnished(
    browser: Browser, sample_store: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Furnished]:
    """A desk with a programme, a report, and files that were looked at; a browser that was let in; the home."""
    store = a_copy(sample_store, tmp_path_factory.mktemp("furnished"))
    report = store.parent / "reports" / "season_2024"
    (report / "tables").mkdir(parents=True)
    (report / "season.html").write_text("<!doctype html><title>Review</title><p>Review", encoding="utf-8")
    (report / "tables" / "setups.csv").write_text("a\n", encoding="utf-8")
    (report / "manifest.json").write_text('{"report": "season", "parameters": {"season": 2024}}', encoding="utf-8")
    desk = ServedDesk(store)
    visitor = Visitor(desk)
    hand_over(visitor, "north/losses_" + "long_" * 20 + ".csv", LOSSES.encode())
    hand_over(visitor, "tanks.csv", b"tank_id\nTK-7000\n")
    hand_over(visitor, "letter.csv", b"Dear all,\nhere are the records.\n")
    visitor.post("/files/check")
    for path, asked in (("/plan/delivery", DELIVERY), ("/plan/trial", TRIAL)):
        form = urlencode(asked, doseq=True).encode()
        assert visitor.post(path, form, Content_Type="application/x-www-form-urlencoded")[0] == 303
    until(lambda: work(visitor) == b"[]")
    context = browser.new_context()
    name, _, value = visitor.cookie.partition("=")
    context.add_cookies([{"name": name, "value": value, "url": f"{desk.base}{visitor.home}/"}])
    yield context, desk.base + visitor.home
    context.close()
    desk.end()


@pytest.fixture
def page(furnished: Furnished) -> Iterator[Page]:
    opened = furnished[0].new_page()
    yield opened
    opened.close()


@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_no_violation_nothing_overflows_and_targets_are_large_enough(
    page: Page, furnished: Furnished, axe_source: str, path: str
) -> None:
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.goto(furnished[1] + path)
    page.evaluate(axe_source)
    for scheme, rules in AXE_RUNS.items():
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        result = page.evaluate("rules => axe.run(document, {runOnly: rules, resultTypes: ['violations']})", rules)
        found = [
            (violation["id"], violation["help"], [node["html"][:120] for node in violation["nodes"][:3]])
            for violation in result["violations"]
        ]
        assert found == []
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width, width
        assert page.evaluate(TOO_SMALL) == [], width
    if path != "/nowhere":
        assert complaints == []
