"""Every kind of page in a real browser: accessible, quiet, whole at every width, on paper and without scripts."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from tests.desk.test_look import AXE_RUNS

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

NAMES = ("season", "site", "index", "week", "refused", "regions", "development")
WIDTHS = (390, 768, 1280)

Opener = Callable[..., "Page"]


@pytest.fixture
def opened(browser: Browser, pages: dict[str, Path]) -> Iterator[Opener]:
    """Open a page in a fresh context; everything it asks for or complains about is kept on it."""
    contexts = []

    def open_page(name: str, width: int = 1024, **options: Any) -> Page:
        context = browser.new_context(viewport={"width": width, "height": 900}, **options)
        contexts.append(context)
        page = context.new_page()
        page.complaints = []  # type: ignore[attr-defined]
        page.asked = []  # type: ignore[attr-defined]
        page.on("console", lambda message: page.complaints.append(message.text))  # type: ignore[attr-defined]
        page.on("pageerror", lambda error: page.complaints.append(str(error)))  # type: ignore[attr-defined]
        page.on("request", lambda request: page.asked.append(request.url))  # type: ignore[attr-defined]
        page.goto(pages[name].as_uri())
        page.evaluate("document.querySelectorAll('details').forEach(fold => { fold.open = true; })")
        return page

    yield open_page
    for context in contexts:
        context.close()


@pytest.mark.parametrize("name", NAMES)
def test_every_page_is_quiet_whole_without_barriers_and_without_need_of_scripts(
    opened: Opener, axe_source: str, name: str
) -> None:
    page = opened(name)
    assert page.complaints == []  # type: ignore[attr-defined]
    assert [url for url in page.asked if not url.startswith(("file:", "data:"))] == []  # type: ignore[attr-defined]
    assert len([url for url in page.asked if url.startswith("file:")]) == 1  # type: ignore[attr-defined]
    assert words(opened(name, java_script_enabled=False)) == words(page)
    page.evaluate(axe_source)
    for scheme in AXE_RUNS:
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        assert (scheme, barriers(page, scheme)) == (scheme, [])
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert (width, page.evaluate(TOO_WIDE, width)) == (width, [])
        assert (width, page.evaluate(SIDEWAYS)) == (width, [])


def words(page: Page) -> str:
    """All that a page says, but for what only scripts can do."""
    texts: str = page.evaluate(
        """() => { const copy = document.querySelector('main').cloneNode(true);
            copy.querySelectorAll('.sieve, .copyable button').forEach(e => e.remove());
            return copy.textContent; }"""
    )
    return re.sub(r"\s+", "", texts)


def barriers(page: Page, scheme: str) -> list[tuple[str, str, list[str]]]:
    """What axe finds wrong, after its source was put into the page."""
    result = page.evaluate(
        "rules => axe.run(document, {runOnly: rules, resultTypes: ['violations']})", AXE_RUNS[scheme]
    )
    return [
        (violation["id"], violation["help"], [node["html"][:120] for node in violation["nodes"][:3]])
        for violation in result["violations"]
    ]


#: Whatever is wider than the window lies in a box that scrolls by itself.
#: Figures that scroll sideways, of those that are not drawn wide on purpose.
SIDEWAYS = """() => [...document.querySelectorAll('figure:not(.wide) .drawing')]
.filter(one => one.scrollWidth > one.clientWidth).map(one => one.id)"""
TOO_WIDE = """width => [...document.querySelectorAll('main *')]
    .filter(e => e.getBoundingClientRect().right > width + 1 && !e.closest('.scroll'))
    .map(e => e.tagName + '.' + e.className).slice(0, 5)"""


def test_a_wide_table_can_be_scrolled_by_keyboard(opened: Opener) -> None:
    page = opened("season", 360)
    region = page.locator("#setups-table").locator("xpath=..")
    region.focus()
    assert page.evaluate("document.activeElement.getAttribute('role')") == "region"
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"


def test_sorting_by_a_number_understands_minus_signs_and_puts_blanks_last(opened: Opener) -> None:
    page = opened("season")
    headers = page.locator("#setups-table thead th").all_inner_texts()
    place = next(i for i, text in enumerate(headers) if text.startswith("fish short"))
    button = page.locator("#setups-table thead th").nth(place).locator("button")

    def shown() -> list[float]:
        texts = page.locator(f"#setups-table tbody tr > :nth-child({place + 1})").all_inner_texts()
        return [float("nan") if text == "–" else float(text.replace("\u2212", "-")) for text in texts]

    button.click()
    rising = shown()
    assert rising[:-1] == sorted(rising[:-1]) and rising[0] < 0 and rising[-1] != rising[-1]
    assert page.locator("#setups-table thead th").nth(place).get_attribute("aria-sort") == "ascending"
    button.press("Enter")
    falling = shown()
    assert falling[:-1] == sorted(rising[:-1], reverse=True) and falling[-1] != falling[-1]


def test_sorting_keeps_rows_whole(opened: Opener) -> None:
    page = opened("season")
    rows = "[...document.querySelectorAll('#setups-table tbody tr')].map(r => r.dataset.from + r.textContent)"
    before = page.evaluate(rows)
    page.locator("#setups-table thead button").first.click()
    page.locator("#setups-table thead button").first.click()
    after = page.evaluate(rows)
    assert before != after and sorted(before) == sorted(after)


def test_filtering_shows_matching_rows_and_says_how_many(opened: Opener) -> None:
    page = opened("season")
    page.get_by_label("Show rows with").nth(0).wait_for()
    box = page.locator("#setups-table-sieve")
    box.fill("watch")
    assert page.locator("#setups-table tbody tr:visible").count() == 1
    assert "1 of 14 rows" in page.locator("#setups-table").locator("xpath=../..").inner_text()
    box.fill("")
    assert page.locator("#setups-table tbody tr:visible").count() == 14


def test_the_skip_link_appears_with_the_first_tab_and_leads_to_the_content(opened: Opener) -> None:
    page = opened("season")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    assert page.locator(".skip").bounding_box()["x"] >= 0  # type: ignore[index]
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"


@pytest.mark.parametrize("name", ["season", "regions"])
def test_print_keeps_tables_whole(opened: Opener, name: str, tmp_path: Path) -> None:
    page = opened(name)
    page.emulate_media(media="print")
    hidden = page.evaluate(
        """() => [...document.querySelectorAll('.scroll')]
            .filter(e => getComputedStyle(e).overflowY !== 'visible' || getComputedStyle(e).maxHeight !== 'none')
            .length"""
    )
    assert hidden == 0
    # A button that is a box of its own keeps Chromium from repeating the heading on the next sheet of paper.
    buttons = "[...new Set([...document.querySelectorAll('thead button')].map(e => getComputedStyle(e).display))]"
    assert page.evaluate(buttons) in ([], ["contents"])
    assert page.evaluate("getComputedStyle(document.querySelector('thead')).display") == "table-header-group"
    assert page.evaluate("getComputedStyle(document.querySelector('tbody tr')).breakInside") == "avoid"
    printed = tmp_path / "page.pdf"
    page.pdf(path=str(printed), prefer_css_page_size=True)
    assert printed.read_bytes().startswith(b"%PDF-") and printed.stat().st_size > 20_000


@pytest.mark.parametrize(("name", "sheets"), [("site", 1), ("index", 1), ("week", 1), ("season", 2)])
def test_what_is_to_be_read_first_fits_its_sheets_of_paper(opened: Opener, name: str, sheets: int) -> None:
    page = opened(name)
    if name == "season":  # the evidence begins on the third
        page.evaluate("document.querySelectorAll('.rest, footer').forEach(e => e.remove())")
    printed = page.pdf(prefer_css_page_size=True)
    assert max(map(int, re.findall(rb"/Count (\d+)", printed))) <= sheets


def test_what_is_folded_in_words_is_printed_and_a_folded_table_says_that_it_is_not(
    browser: Browser, pages: dict[str, Path]
) -> None:
    page = browser.new_page()
    page.goto(pages["season"].as_uri())
    folds = """() => [...document.querySelectorAll('details.fold')]
        .filter(e => e.parentElement.closest('details') === null)
        .map(e => [e.querySelector('table') !== null,
            e.lastElementChild.checkVisibility({contentVisibilityAuto: true})])"""
    assert {shown for _, shown in page.evaluate(folds)} == {False}
    page.emulate_media(media="print")
    assert {tuple(fold) for fold in page.evaluate(folds)} == {(True, False), (False, True)}
    told = "getComputedStyle(document.querySelector('.fold:has(table) > summary'), '::after').content"
    assert page.evaluate(told) == '", not printed"'
    page.close()


OVERLAPPING = """() => [...document.querySelectorAll('.drawing svg')].flatMap(svg => {
    const boxes = [...svg.querySelectorAll('text')].map(e => [e.textContent.trim(), e.getBoundingClientRect()]);
    return boxes.flatMap(([one, a], place) => boxes.slice(place + 1)
        .filter(([, b]) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
            && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 2)
        .map(([other]) => one + ' on ' + other)); })"""


@pytest.mark.parametrize("name", ["season", "regions", "development"])
def test_no_text_of_a_drawing_lies_on_another(opened: Opener, name: str) -> None:
    assert opened(name, 1280).evaluate(OVERLAPPING) == []


def test_dark_figures_use_dark_inks(opened: Opener) -> None:
    colour = """() => getComputedStyle(document.querySelector('.drawing text')).fill"""
    light = opened("season", color_scheme="light").evaluate(colour)
    dark = opened("season", color_scheme="dark").evaluate(colour)
    assert light != dark


def test_hostile_ids_run_nothing(opened: Opener) -> None:
    page = opened("season")
    assert page.locator("script").count() == 1
    assert page.locator("#setups-table").get_by_text('<script>alert("x")</script>').count() == 1
