"""What the pages answer: understood, busy, out of date, not there."""

from __future__ import annotations

import io
import threading
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from tests.desk.conftest import FORM, LOSSES, AtHome, form_around, let_in, settle

from broodyear.desk import basket
from broodyear.desk.access import KEY_FIELD
from broodyear.desk.state import Desk
from broodyear.desk.wording import advised
from broodyear.desk.worker import Ended
from broodyear.errors import UnreadableFile
from broodyear.intake import check_paths
from broodyear.schemas import TABLE_NAMES
from broodyear.store import open_store

MakeDesk = Callable[..., Desk]


class Slow:
    """A worker that works until it is stopped, or told to end well."""

    def __init__(self) -> None:
        self._over = threading.Event()
        self._ended = Ended("failed")

    def run(self, kind: str, order: Mapping[str, Any], tell: Callable[[int, int, str], None]) -> Ended:
        tell(1, 4, "checking tanks.csv")
        self._over.wait(60)
        return self._ended

    def end(self) -> None:
        self._ended = Ended("done")
        self._over.set()

    def stop(self) -> None:
        self._over.set()


@pytest.fixture
def slow_workers(monkeypatch: pytest.MonkeyPatch) -> list[Slow]:
    """The workers of a desk, as they begin; each works until the test ends it."""
    workers: list[Slow] = []

    def begin(desk: Desk) -> Slow:
        workers.append(Slow())
        return workers[-1]

    monkeypatch.setattr(Desk, "_process", begin)
    return workers


def post(client: Any, desk: Desk, path: str, **data: Any) -> Any:
    return client.post(path, data={KEY_FIELD: desk.access.key, **data}, buffered=True)


def upload(client: Any, desk: Desk, name: str, content: bytes = b"x") -> Any:
    """A file as the page's script sends it."""
    head, tail = form_around(desk.access.key, name)
    sent: Any = {"content_type": FORM, "headers": {"Accept": "application/json"}}
    return client.post("/files/add", data=head + content + tail, **sent)


def names(desk: Desk) -> list[str]:
    return [file.shown for file in desk.basket.listed()]


def test_a_second_tab_meets_a_clear_answer(make_desk: MakeDesk, slow_workers: list[Slow]) -> None:
    desk = make_desk()
    client = let_in(desk)
    first = desk.basket.add("tanks.csv", [b"tank_id\nT-1\n"])
    assert post(client, desk, "/files/load", up_to=first.number).status_code == 303
    again = post(client, desk, "/files/load", up_to=first.number)
    assert again.status_code == 409 and b"do not wait any more" in again.data
    out = post(client, desk, "/files/remove", number=first.number)
    assert out.status_code == 409 and b"This file is being loaded." in out.data
    demo = post(client, desk, "/demo/make")
    assert demo.status_code == 409 and b"The desk is busy: loading 1 file" in demo.data
    assert post(client, desk, "/files/clear").status_code == 303
    assert names(desk) == ["tanks.csv"]
    page = client.get("/").data
    assert b"Loading 1 file." in page and b"Stop" in page


@pytest.mark.parametrize("ends_well", [True, False])
def test_files_that_come_during_a_load_wait_and_are_looked_at_after_it(
    make_desk: MakeDesk, slow_workers: list[Slow], ends_well: bool
) -> None:
    desk = make_desk()
    client = let_in(desk)
    first = desk.basket.add("tanks.csv", [b"tank_id\nT-1\n"])
    post(client, desk, "/files/load", up_to=first.number)
    for name in ("more.csv", "tanks.csv"):
        assert upload(client, desk, name).status_code == 200
        assert post(client, desk, "/files/check").status_code == 303
    assert [job.kind for job in desk.runner.pending()] == ["load"]
    page = client.get("/").data.decode()
    assert "2 files handed over" in page and "looked at when the load has ended" in page
    load = desk.runner.pending()[0]
    slow_workers[-1].end() if ends_well else desk.runner.stop(load.number)
    assert desk.runner.wait_over(load.number, 10)
    until_kind(desk, "check")
    kept = ["more.csv", "tanks (2).csv"]
    assert names(desk) == (kept if ends_well else ["tanks.csv", *kept])
    assert [name for name, _ in desk.runner.pending()[0].order["files"]] == names(desk)


def until_kind(desk: Desk, kind: str) -> None:
    for _ in range(1_000):
        if [job.kind for job in desk.runner.pending()][:1] == [kind]:
            return
        threading.Event().wait(0.01)
    raise AssertionError(f"no {kind} began")


def test_only_files_that_were_shown_are_loaded(make_desk: MakeDesk, slow_workers: list[Slow]) -> None:
    desk = make_desk()
    client = let_in(desk)
    shown = desk.basket.add("tanks.csv", [b"tank_id\nT-1\n"])
    desk.basket.add("came_since.csv", [b"x"])
    assert post(client, desk, "/files/load").status_code == 400
    assert post(client, desk, "/files/load", up_to=shown.number).status_code == 303
    assert [name for name, _ in desk.runner.pending()[-1].order["files"]] == ["tanks.csv"]
    assert [file.shown for file in desk.waiting()] == ["came_since.csv"]


def test_of_namesakes_only_the_newest_can_be_kept(make_desk: MakeDesk) -> None:
    desk = make_desk()
    client = let_in(desk)
    for text in (b"old", b"older", b"tank_id\nT-1\n"):
        newest = desk.basket.add("tanks.csv", [text])
    desk.basket.add("other.csv", [b"x"])
    desk.look()
    settle(desk)
    page = client.get("/").data.decode()
    assert "Came 2 times before" in page and "Keep only the newer" in page
    post(client, desk, "/files/newer", number=newest.number)
    settle(desk)
    assert [file.path.read_bytes() for file in desk.basket.listed()] == [b"tank_id\nT-1\n", b"x"]
    page = client.get("/").data.decode()
    assert "Load the 1 good row" in page and "Keep only the newer" not in page


def test_a_size_limit_is_stated_and_held(make_desk: MakeDesk, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = make_desk()
    client = let_in(desk)
    assert b"at most 4.0\xe2\x80\xafGB each" in client.get("/").data
    monkeypatch.setattr(basket, "LARGEST_FILE_BYTES", 3)
    answer = upload(client, desk, "big.csv", b"four")
    assert answer.status_code == 400 and desk.basket.listed() == []
    assert answer.json["error"].startswith("The file is larger than")


def test_a_full_disk_is_told_before_anything_is_written(
    make_desk: MakeDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    from broodyear.desk import files_pages

    monkeypatch.setattr(files_pages, "room_for", lambda size, folder: False)
    desk = make_desk()
    answer = upload(let_in(desk), desk, "a.csv")
    assert answer.status_code == 507 and b"no room" in answer.data


def test_a_file_cut_off_on_its_way_is_not_kept(make_desk: MakeDesk) -> None:
    desk = make_desk()
    head, _ = form_around(desk.access.key, "a.csv")
    answer = let_in(desk).post(
        "/files/add",
        input_stream=io.BytesIO(head + b"half"),
        environ_overrides={"CONTENT_LENGTH": "1000"},
        content_type=FORM,
    )
    assert answer.status_code == 400 and desk.basket.listed() == []


def test_nothing_is_taken_back_that_is_not_as_it_was_shown(make_desk: MakeDesk, small_store: Path) -> None:
    desk = make_desk(small_store)
    client = let_in(desk)
    settle(desk)
    state = ".".join(map(str, desk.reading()))
    for number in (1, 2):
        page = client.get(f"/store/upload/{number}").data
        assert b"would no longer count" in page and state.encode() in page
    assert post(client, desk, "/store/withdraw", upload=99, state=state).status_code == 404
    assert post(client, desk, "/store/withdraw", upload=1, state="1.2.3").status_code == 409
    with open_store(small_store) as store:
        assert not store.uploads()["withdrawn"].any()
    assert post(client, desk, "/store/withdraw", upload=1, state=state).status_code == 303
    settle(desk)
    with open_store(small_store) as store:
        assert store.uploads()["withdrawn"].tolist().count(True) == 1
    assert post(client, desk, "/store/withdraw", upload=2, state=state).status_code == 409


def test_a_damaged_store_is_told_and_the_pages_go_on(make_desk: MakeDesk, tmp_path: Path) -> None:
    place = tmp_path / "desk" / "store.duckdb"
    place.write_bytes(b"no store at all" * 1000)
    desk = make_desk(place)
    client = let_in(desk)
    settle(desk)
    page = client.get("/store").data.decode()
    assert "The store could not be read." in page and "is not a store" in page
    desk.basket.add("losses.csv", [LOSSES.encode()])
    post(client, desk, "/files/check")
    settle(desk)
    assert b"That did not work." in client.get("/").data
    assert place.read_bytes() == b"no store at all" * 1000


def test_only_files_with_columns_are_offered_to_be_explained(make_desk: MakeDesk) -> None:
    desk = make_desk()
    client = let_in(desk)
    sent = {"permit.pdf": b"%PDF-1.4 ...", "empty.csv": b"", "diary.csv": b"Tank,What I saw\n1,fry\n"}
    for name, content in sent.items():
        desk.basket.add(name, [content])
    post(client, desk, "/files/check")
    settle(desk)
    page = client.get("/").data.decode()
    explained = page.partition("Columns to explain")[2].partition("File by file")[0]
    assert "diary.csv" in explained and "permit.pdf" not in explained and "empty.csv" not in explained
    assert str(UnreadableFile("the file is empty", "Send the table.")) == "the file is empty. Send the table."


def test_reports_are_asked_for_by_name_and_season(kept: AtHome) -> None:
    desk: Desk = kept.application.extensions["desk"]
    for asked in ({"kind": "../../x"}, *({"kind": "report_season", "season": year} for year in (1999, "x"))):
        assert post(kept, desk, "/reports/make", **asked).status_code == 400
    assert desk.runner.pending() == []


def test_an_export_and_a_forecast_are_made(make_desk: MakeDesk, small_store: Path) -> None:
    desk = make_desk(small_store)
    client = let_in(desk)
    settle(desk)
    post(client, desk, "/reports/make", kind="export", format="csv")
    post(client, desk, "/reports/make", kind="forecast", season=2024)
    settle(desk)
    assert (small_store.parent / "reports" / "export_csv" / "losses.csv").is_file()
    page = client.get("/reports").data.decode()
    assert "Every table as CSV" in page
    # This store has no reading of water, so that there is nothing to forecast from; the page says so.
    assert "That did not work." in page and "forecast" in page


def test_forms_and_words_can_be_saved(make_desk: MakeDesk) -> None:
    client = let_in(make_desk())
    packed = client.get("/words/templates.zip").data
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        assert len(archive.namelist()) == len(TABLE_NAMES) + 1 and b"tank_id" in archive.read("losses.csv")
    assert client.get("/words/template/losses.csv").data.startswith(b"\xef\xbb\xbftank_id")
    assert client.get("/words/template/nothing.csv").status_code == 404
    assert client.get("/words/data_dictionary.md").data.startswith(b"# Data dictionary")


@pytest.mark.parametrize(
    "path",
    [
        "/store/season/1999",
        "/store/upload/99",
        "/files/checked/findings",
        "/files/loaded/mend/0",
        "/words/nothing",
        "/reports/files/none/",
        "/nowhere",
    ],
)
def test_what_is_not_there_is_said_kindly(kept: AtHome, path: str) -> None:
    answer = kept.get(path)
    assert answer.status_code == 404 and b"There is no such page" in answer.data


@pytest.mark.parametrize(
    "query",
    ["leaf=0", "leaf=-5", "leaf=99999999999999999999", "leaf=x", "region=%00", "with=%ff", "lacks=nothing"],
)
def test_odd_questions_get_a_page(kept: AtHome, query: str) -> None:
    assert kept.get(f"/store/season/2024?{query}").status_code == 200
    assert kept.get(f"/store/uploads?{query}").status_code == 200


def test_a_date_that_can_mean_two_days_is_advised_on_without_a_layout(tmp_path: Path) -> None:
    losses = tmp_path / "losses.csv"
    losses.write_text("tank_id,checked_on,stage,dead\nT-1,03/04/2025,egg,1\nT-1,13/04/2025,egg,2\n")
    (found,) = (one for one in check_paths([losses]).findings if one.rule == "ambiguous_date")
    assert "In its layout" in found.advice
    assert advised(found.as_dict()) == (
        "It can mean two days. Write 2025-04-03 or 2025-03-04, whichever is meant. The file itself proves day "
        "first, by 13/04/2025."
    )
