"""What is still open: rejected rows put off the list with a reason, suspicions looked into, the same elsewhere."""

from __future__ import annotations

import html
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.built_once import built_once
from tests.desk.conftest import AtHome, a_copy, let_in, settle, small_store_once

from broodyear.desk.access import KEY_FIELD
from broodyear.desk.picture import read_listed
from broodyear.desk.state import Desk
from broodyear.desk.store_pages import CASES_LEAF
from broodyear.desk.workplace import write_json
from broodyear.errors import UsageError
from broodyear.intake import load_paths
from broodyear.intake.rejected import open_rows
from broodyear.layouts import joined_labels, same_text
from broodyear.settings import Acknowledged, SameLabel, read_settings, settings_beside, with_acknowledged
from broodyear.store import open_store

MakeDesk = Callable[..., Desk]
#: Two conditions that a rule finds odd: a tank filled the day before its eggs came.
SETUPS = "season,tank_id,site_id,room_type,gravel_practice,filled_on\n2024,T-1,S-1,classroom,bare,2025-01-09\n"


@pytest.fixture
def opened(make_desk: MakeDesk, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Desk, AtHome]:
    """A desk over a store with rejected rows and a suspicion, which was counted."""

    def build(folder: Path) -> None:
        (folder / "setups_more.csv").write_text(SETUPS, encoding="utf-8")
        with open_store(a_copy(small_store_once(tmp_path_factory), folder), for_loading=True) as kept:
            load_paths(kept, [folder / "setups_more.csv"])

    desk = make_desk(a_copy(built_once(tmp_path_factory, "suspected", build) / "store.duckdb", tmp_path / "desk"))
    settle(desk)
    return desk, let_in(desk)


def send(client: AtHome, desk: Desk, path: str, **fields: str) -> int:
    status = client.post(path, data={KEY_FIELD: desk.access.key, **fields}).status_code
    settle(desk)
    return status


def test_a_row_is_put_off_the_list_with_a_reason(opened: tuple[Desk, AtHome]) -> None:
    desk, client = opened
    rows = read_listed(desk.workplace, "open_rows")
    assert len(rows) == 2 and "Still open:" in client.get("/store").data.decode()
    page = html.unescape(client.get("/store/open").data.decode())
    assert all(row["problems"][5:40] in page for row in rows)
    copy = client.get("/store/open/0.csv", buffered=True)
    assert copy.data.startswith(b"\xef\xbb\xbf") or b"problems" in copy.data
    named = f"{rows[0]['path']}#{rows[0]['line']}"
    assert send(client, desk, "/store/dismiss", row=named, reason=" ") == 400
    assert send(client, desk, "/store/dismiss", row="elsewhere.csv#2", reason="x") == 404
    assert send(client, desk, "/store/dismiss", row=named, reason="the page was wet") == 303
    with open_store(desk.workplace.store) as store:
        assert [row.place for row in open_rows(store)] == [f"{rows[1]['path']}#{rows[1]['line']}"]
    assert "the page was wet" in client.get("/store/open").data.decode()
    settle(desk)
    assert len(read_listed(desk.workplace, "open_rows")) == 1


def test_a_suspicion_is_looked_into_with_a_reason(opened: tuple[Desk, AtHome]) -> None:
    desk, client = opened
    found = read_listed(desk.workplace, "suspicions")
    assert [(one["rule"], one["tank_id"]) for one in found] == [("short_conditioning", "T-1")]
    page = client.get("/store/open").data.decode()
    assert "tank filled just before the eggs came</a>" in page and "1 label<" in page
    page = client.get("/store/open/strange/short_conditioning").data.decode()
    assert "1 case, under 1 label." in page and found[0]["message"][:40] in page
    assert "0 cases, under 0 labels." in client.get("/store/open/strange/no_rule").data.decode()
    assert send(client, desk, "/store/acknowledge", rule="no_rule", tank_id="T-1", reason="x") == 404
    reason = 'the old water came along: "same" pump'
    assert send(client, desk, "/store/acknowledge", rule="short_conditioning", tank_id="T-1", reason=reason) == 303
    # Gone from the list at once, while the store is still being counted.
    page = client.get("/store/open/strange/short_conditioning")
    assert page.status_code == 200 and "0 cases" in page.data.decode()
    assert "Nothing strange is open." in client.get("/store/open").data.decode()
    client.get("/store")
    settle(desk)
    assert read_listed(desk.workplace, "suspicions") == []
    kept = settings_beside(desk.workplace.store)
    assert kept == desk.settings_file
    assert read_settings(kept).acknowledged == (Acknowledged("short_conditioning", "T-1", reason),)


def test_every_suspicion_is_shown_kind_by_kind_and_label_by_label(opened: tuple[Desk, AtHome]) -> None:
    desk, client = opened
    case = read_listed(desk.workplace, "suspicions")[0]
    cases = [case | {"tank_id": f"T-{number:03d}", "line": number} for number in range(CASES_LEAF + 1)] * 2
    cases += [case | {"rule": "readings_copied"}]
    write_json(desk.workplace.picture / "suspicions.json", cases)
    page = client.get("/store/open").data.decode()
    assert page.index(f">{2 * CASES_LEAF + 2}</span>") < page.index("same reading day after day")
    page = client.get("/store/open/strange/short_conditioning").data.decode()
    assert f"{2 * CASES_LEAF + 2} cases, under {CASES_LEAF + 1} labels." in page
    assert page.count("/store/acknowledge") == CASES_LEAF and f"T-{CASES_LEAF:03d}" not in page
    page = client.get("/store/open/strange/short_conditioning?leaf=2").data.decode()
    assert page.count("/store/acknowledge") == 1 and page.count(f"line {CASES_LEAF}.") == 2


def test_what_a_broken_load_left_undone_is_told_until_it_is_done(opened: tuple[Desk, AtHome]) -> None:
    def stops(_result: object) -> None:
        raise BrokenPipeError

    desk, client = opened
    file = desk.workplace.store.parent / "losses_more.csv"
    file.write_text("tank_id,checked_on,stage,dead\nT-1,2025-01-16,egg,x\n", encoding="utf-8")
    with open_store(desk.workplace.store, for_loading=True) as store, pytest.raises(BrokenPipeError):
        load_paths(store, [file], tell=stops)
    for page in ("/", "/store"):
        client.get(page)
        settle(desk)
        said = client.get(page).data.decode()
        assert "Earlier work broke off." in said
        assert "what became of 1 file that it put into the store; 1 of their rows were kept out" in said
    with open_store(desk.workplace.store, for_loading=True) as store:
        load_paths(store, [file])
    client.get("/store")
    settle(desk)
    assert "broke off" not in client.get("/store").data.decode()


def test_two_labels_are_joined_and_parted_again(opened: tuple[Desk, AtHome], tmp_path: Path) -> None:
    desk, client = opened
    with open_store(desk.workplace.store, for_loading=True) as kept:
        tanks = kept.table("tanks")["tank_id"].tolist()
        (tmp_path / "tanks_more.csv").write_text("tank_id\nt 1\n", encoding="utf-8")
        load_paths(kept, [tmp_path / "tanks_more.csv"])
    client.get("/store")
    settle(desk)
    found = {one["tank_id"]: one for one in read_listed(desk.workplace, "suspicions")}
    assert "T-1" in tanks and found["t 1"]["same"] == {"kind": "tank", "label": "T-1", "also": ["t 1"]}
    page = client.get("/store/open").data.decode()
    assert "layouts.toml" not in page and "Labels read as one" not in page
    assert send(client, desk, "/store/join", rule="same_tank_two_labels", tank_id="T-1") == 404
    assert send(client, desk, "/store/join", rule="same_tank_two_labels", tank_id="t 1") == 303
    assert "t 1" not in {one["tank_id"] for one in desk.suspicions()}
    client.get("/store")
    settle(desk)
    assert "t 1" not in {one["tank_id"] for one in read_listed(desk.workplace, "suspicions")}
    assert joined_labels(desk.layouts_file, desk.workplace.store) == (SameLabel("tank", "T-1", ("t 1",)),)
    assert "Labels read as one" in client.get("/store/open").data.decode()
    assert send(client, desk, "/store/part", kind="tank", label="T-1", also="T-9") == 404
    assert send(client, desk, "/store/part", kind="tank", label="T-1", also="t 1") == 303
    client.get("/store")
    settle(desk)
    assert "t 1" in {one["tank_id"] for one in read_listed(desk.workplace, "suspicions")}
    assert desk.joined() == ()


def test_the_label_of_an_entry_stays_and_what_was_written_by_hand_too(opened: tuple[Desk, AtHome]) -> None:
    desk, _ = opened
    desk.layouts_file.write_text("same = [{ kind = 'tank', label = 'T-1', also = ['t 1'] }]\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"written by hand; take it out of the file layouts\.toml"):
        desk.part(SameLabel("tank", "T-1", ("t 1",)))
    desk.layouts_file.write_text(same_text(SameLabel("tank", "T-1", ("t 1",))), encoding="utf-8")
    desk.join(SameLabel("tank", "T-01", ("T-1",)))
    assert desk.joined()[1] == SameLabel("tank", "T-1", ("T-01",))
    with pytest.raises(UsageError, match='"T-01" is read as "T-1" already'):
        desk.join(SameLabel("tank", "T-2", ("T-01",)))
    settle(desk)


def test_what_a_settings_file_says_stays() -> None:
    before = "# ours\nwarm_limit_c = 12.5\n\n[[acknowledged]]\nrule = 'a'\ntank_id = '*'\nreason = 'b'\n"
    after = with_acknowledged(before, Acknowledged("c", "T-1", "d"), "programme.toml")
    assert after.startswith(before)


def test_what_files_change_and_where_they_disagree_is_shown_before_consent(opened: tuple[Desk, AtHome]) -> None:
    desk, client = opened
    head = "tank_id,checked_on,stage,dead\nT-1,2025-01-12,egg,4\n"
    for name, rest in (("a.csv", "T-2,2025-01-12,egg,1\n"), ("b.csv", "T-2,2025-01-12,egg,2\n")):
        desk.basket.add(name, iter([(head + rest).encode()]))
    desk.look()
    settle(desk)
    page = " ".join(html.unescape(client.get("/").data.decode()).split())
    assert "What would change among rows already there: 1 cell" in page
    assert "<bdi>T-1, 2025-01-12, egg</bdi>" in page and "losses: dead" in page
    assert "Files that disagree: 1" in page and "1 cell says something else than a.csv (dead 1)." in page
    saved = client.get("/files/checked/changes.csv", buffered=True).data.decode().splitlines()
    assert saved == ["table,key,column,old,new,path,line", 'losses,"T-1, 2025-01-12, egg",dead,1,4,a.csv,2']
    assert send(client, desk, "/files/load", up_to=str(desk.waiting()[-1].number)) == 303
    assert "What changed among rows already there: 1 cell" in client.get("/").data.decode()


def test_a_label_that_nobody_listed_is_read_as_the_one_it_is(
    make_desk: Callable[..., Desk], small_files: Path
) -> None:
    desk = make_desk()
    for file in sorted(small_files.iterdir()):
        desk.basket.add(file.name, [file.read_bytes()])
    client = let_in(desk)
    asked = {"rule": "unknown_tank", "other": "T-9", "label": "T-1"}
    assert send(client, desk, "/files/checked/label", **asked) == 404
    desk.look()
    settle(desk)
    assert "Or <bdi" in client.get("/files/checked/findings").data.decode()
    assert send(client, desk, "/files/checked/label", **{**asked, "label": " "}) == 400
    assert send(client, desk, "/files/checked/label", **{**asked, "other": "T-8"}) == 404
    assert send(client, desk, "/files/checked/label", **asked) == 303
    settle(desk)
    found = desk.found()
    assert found is not None and found.rules == ["not_a_number"]
    assert desk.joined() == (SameLabel("tank", "T-1", ("T-9",)),)
