"""The whole job in a real browser, as somebody does it who never opens a terminal."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from tests.desk import hostile
from tests.desk.conftest import PATIENCE_SECONDS, ServedDesk, Visitor

from broodyear.store import open_store

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

ServeDesk = Callable[[Path], ServedDesk]
Enter = Callable[..., "Page"]
WORKBOOK = b"PK\x03\x04" + b"\x00" * 200


@pytest.fixture
def enter(browser: Browser) -> Iterator[Enter]:
    """Come in by the opened address; what the page asks for or complains about is kept on it."""
    contexts = []

    def come_in(desk: ServedDesk, **options: Any) -> Page:
        context = browser.new_context(viewport={"width": 1024, "height": 800}, **options)
        context.set_default_timeout(PATIENCE_SECONDS * 1000)
        contexts.append(context)
        page = context.new_page()
        page.complaints = []  # type: ignore[attr-defined]
        page.asked = []  # type: ignore[attr-defined]
        page.on("console", lambda message: page.complaints.append(message.text))  # type: ignore[attr-defined]
        page.on("pageerror", lambda error: page.complaints.append(str(error)))  # type: ignore[attr-defined]
        page.on("dialog", lambda dialog: page.complaints.append(f"dialog {dialog.message}"))  # type: ignore[attr-defined]
        page.on("request", lambda request: page.asked.append(request.url))  # type: ignore[attr-defined]
        page.goto(desk.entry)
        return page

    yield come_in
    for context in contexts:
        context.close()


def hand_over(page: Page, what: Path | list[Path]) -> None:
    """Choose files or a folder, send them, and wait for what was found."""
    is_folder = isinstance(what, Path) and what.is_dir()
    page.set_input_files("#pick-folder" if is_folder else "#pick-files", what)
    page.get_by_role("button", name="Look at these files").click()
    page.locator("[data-job]").first.wait_for(state="attached")
    page.locator("#seen-title").wait_for()
    at_rest(page)


def at_rest(page: Page) -> None:
    page.wait_for_function("() => !document.querySelector('[data-watch]')")


#: A file dropped on the page, by its name and content.
DROP = """([name, content]) => {
    const carried = new DataTransfer();
    carried.items.add(new File([content], name, {type: "text/csv"}));
    document.dispatchEvent(new DragEvent("drop", {dataTransfer: carried, cancelable: true}));
}"""


def mended(text: str) -> str:
    return text.replace("1O", "10").replace("T-9,", "T-2,")


def test_from_a_messy_folder_to_a_review_and_back(
    serve_desk: ServeDesk, enter: Enter, small_files: Path, tmp_path: Path
) -> None:
    (small_files / "book.csv").write_bytes(WORKBOOK)
    (small_files / "picture.jpg").write_bytes(b"no table")
    store = tmp_path / "kept" / "store.duckdb"
    store.parent.mkdir()
    page = enter(serve_desk(store))
    assert page.get_by_role("heading", name="Welcome").is_visible()
    assert page.get_by_role("button", name="Make the demo").is_visible()

    # See what was understood and what is wrong; nothing is kept yet.
    hand_over(page, small_files)
    found = page.locator("#content").inner_text()
    assert "2 rows cannot be kept yet" in found and "files not understood" in found
    assert "1 other files of the folder were left alone" in page.locator("#upload").inner_text()
    page.get_by_role("link", name="All findings in one table").click()
    page.get_by_label("What is wrong").select_option("not_a_number")
    page.get_by_role("button", name="Show these").click()
    row = page.locator("table.findings tbody tr")
    assert row.count() == 1 and "mail/losses_north.csv" in row.inner_text() and 'Found "1O"' in row.inner_text()
    assert not store.exists()

    # Mend the rows that were kept out, and hand them over again.
    page.get_by_role("link", name="Back to the files").click()
    with page.expect_download() as saving:
        page.get_by_role("link", name="Rows to mend").first.click()
    assert saving.value.suggested_filename == "losses_north_to_mend.csv"
    page.evaluate(
        DROP, ["losses_north_to_mend.csv", mended(Path(saving.value.path()).read_text(encoding="utf-8"))]
    )
    page.get_by_text("losses_north_to_mend.csv").first.wait_for()
    at_rest(page)
    page.get_by_role("button", name="Load the 9 good rows").click()
    page.locator("#loaded-title").wait_for()
    at_rest(page)
    with open_store(store) as opened:
        assert len(opened.table("losses")) == 3
        assert "mail/losses_north.csv" in set(opened.uploads()["path"])

    # Make the review and open it: the same files as from the command line.
    page.get_by_role("link", name="make a report").click()
    page.get_by_role("button", name="Make the review").click()
    page.get_by_role("button", name="Stop").click()
    page.get_by_text("It was stopped.").wait_for()
    assert not (store.parent / "reports").exists()
    page.get_by_role("button", name="Make the review").click()
    page.get_by_text("Ready:").wait_for()
    with page.context.expect_page() as opening:
        page.get_by_role("link", name="Review of season 2024/25").first.click()
    review = opening.value
    review.wait_for_load_state()
    assert "Season 2024/25" in review.title() and (store.parent / "reports/season_2024/season.html").is_file()
    with review.expect_download():
        review.get_by_role("link", name="visits.csv").first.click()
    review.close()

    # Take one file back, after seeing what that does.
    page.get_by_role("link", name="Store", exact=True).click()
    at_rest(page)
    page.locator("tr", has_text="losses_north_to_mend.csv").get_by_role(
        "link", name="See what would change"
    ).click()
    assert "rows would no longer count, of 2 tanks" in page.locator(".flow").inner_text()
    page.get_by_role("button", name="Take this file back").click()
    page.get_by_text("is withdrawn").wait_for()
    at_rest(page)
    with open_store(store) as opened:
        assert len(opened.table("losses")) == 1
    assert page.complaints == []  # type: ignore[attr-defined]
    assert [url for url in page.asked if not url.startswith((page.url[:16], "data:"))] == []  # type: ignore[attr-defined]


def test_hostile_files_names_and_codes_change_nothing(serve_desk: ServeDesk, enter: Enter, tmp_path: Path) -> None:
    desk = serve_desk(tmp_path / "store.duckdb")
    visitor = Visitor(desk)
    cookie = {
        "name": visitor.cookie.split("=")[0],
        "value": visitor.cookie.split("=")[1],
        "url": f"{desk.base}{visitor.home}/",
    }
    code = hostile.SCRIPT_CODE
    quoted = code.replace('"', '""')
    content = f'tank_id,filter_kind\n"{quoted}",internal\n"T-2","{quoted}"\n'.encode()
    for number, name in enumerate(hostile.NAMES[:18]):
        kept = content if number < 4 else content.replace(b"T-2", f"T-{number}".encode())
        assert visitor.hand_over(name[:3000], kept)[0] == 200
    visitor.post("/files/check")
    page = _with_cookie(enter, desk, cookie)
    page.locator("#seen-title").wait_for()
    at_rest(page)
    title = page.title()
    page.get_by_role("link", name="All findings in one table").click()
    assert page.get_by_text(code).first.is_visible() and page.locator("img").count() == 0
    page.goto(f"{desk.base}{visitor.home}/")
    page.get_by_role("button", name="Load the").click()
    page.locator("#loaded-title").wait_for()
    at_rest(page)
    assert page.title() == title
    page.goto(f"{desk.base}{visitor.home}/store/uploads")
    assert page.locator("img").count() == 0 and page.get_by_text("<script>alert(1)</script>").count() == 1
    assert page.complaints == []  # type: ignore[attr-defined]
    outside = {place.name for place in tmp_path.iterdir()}
    assert outside == {"store.duckdb", "store.duckdb.desk"}


def _with_cookie(enter: Enter, desk: ServedDesk, cookie: dict[str, str]) -> Page:
    """Come in with the cookie of a visitor who was let in before."""
    page = enter(desk)
    page.context.add_cookies([cookie])  # type: ignore[list-item]
    page.goto(cookie["url"])
    page.complaints.clear()  # type: ignore[attr-defined]
    return page


def test_without_scripts_the_same_job_can_be_done(
    serve_desk: ServeDesk, enter: Enter, small_files: Path, tmp_path: Path
) -> None:
    page = enter(serve_desk(tmp_path / "store.duckdb"), java_script_enabled=False)
    page.set_input_files("#pick-files", sorted(small_files.glob("*.csv")))
    page.get_by_role("button", name="Look at these files").click()
    look_until(page, "What was found")
    assert "2 rows cannot be kept yet" in page.locator("#content").inner_text()
    page.get_by_role("button", name="Load the").click()
    look_until(page, "Loaded")
    look_until(page, "are now in the store")


def look_until(page: Page, text: str) -> None:
    limit = time.monotonic() + PATIENCE_SECONDS
    while text not in page.locator("#content").inner_text():
        assert time.monotonic() < limit, page.locator("#content").inner_text()
        time.sleep(0.2)
        page.goto(page.url.split("?")[0])


def test_the_keyboard_alone_suffices(
    serve_desk: ServeDesk, enter: Enter, small_files: Path, tmp_path: Path
) -> None:
    page = enter(serve_desk(tmp_path / "store.duckdb"))
    tab_to(page, "Skip to the content")
    tab_to(page, "pick-files")
    # The system's own window for choosing files is beyond the page; what it gives is put in.
    page.set_input_files("#pick-files", sorted(small_files.glob("*.csv")))
    tab_to(page, "Look at these files")
    page.keyboard.press("Enter")
    page.locator("#seen-title").wait_for()
    at_rest(page)
    tab_to(page, "All findings in one table")
    page.keyboard.press("Enter")
    page.locator("table.findings").wait_for()
    tab_to(page, "Back to the files")
    page.keyboard.press("Enter")
    page.locator("#seen-title").wait_for()
    tab_to(page, "Load the")
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    page.keyboard.press("Space")
    page.locator("#loaded-title").wait_for()


def tab_to(page: Page, wanted: str) -> None:
    """Press Tab until the thing with this text or id has the focus."""
    for _ in range(80):
        page.keyboard.press("Tab")
        said = page.evaluate(
            "(document.activeElement.id || '') + ' ' + (document.activeElement.textContent || '').trim()"
        )
        if wanted in said:
            return
    raise AssertionError(f"the Tab key does not lead to {wanted!r}")
