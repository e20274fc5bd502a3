"""The list of rows still to be mended: what opens, closes and opens a row again."""

from __future__ import annotations

import csv
import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from tests.intake.conftest import Write

from broodyear.cli import main
from broodyear.errors import UsageError
from broodyear.intake import check_paths, dismiss_rows, load_paths, open_rows
from broodyear.intake.rendering import render_text
from broodyear.layouts import layouts_from
from broodyear.settings import SameLabel, Settings
from broodyear.store import Store
from broodyear.store.ledger import find_open_rows, kept_out

HEADER = "tank_id,checked_on,stage,dead\n"
MONTHS = {"march": "2025-03-04", "april": "2025-04-04"}


def lines(store: Store) -> list[tuple[str, int]]:
    return [(Path(row.path).name, row.line) for row in open_rows(store)]


def test_a_row_closes_when_a_row_of_its_key_arrives_and_opens_when_that_goes(store: Store, write: Write) -> None:
    first = write("losses.csv", HEADER + "T-001,2024-11-11,egg,x\nT-002,2024-11-11,egg,y\nT-003,11/12,egg,4\n")
    load_paths(store, [first])
    assert lines(store) == [("losses.csv", 2), ("losses.csv", 3), ("losses.csv", 4)]
    assert open_rows(store)[0].cells == ("T-001", "2024-11-11", "egg", "x")
    assert "dead: " in open_rows(store)[0].problems
    load_paths(store, [write("losses_more.csv", HEADER + "T-001,2024-11-11,egg,5\nT-001,2024-11-12,egg,5\n")])
    assert lines(store) == [("losses.csv", 3), ("losses.csv", 4)]
    assert store.uploads()["rows_to_mend"].tolist() == [0, 0, 0, 2, 0]
    store.withdraw(5)
    assert lines(store) == [("losses.csv", 2), ("losses.csv", 3), ("losses.csv", 4)]
    store.withdraw(4)
    assert lines(store) == []


def test_a_key_of_a_season_closes_by_its_season(store: Store, write: Write) -> None:
    header = "tank_id,stage,first_seen_on,dating\n"
    load_paths(store, [write("stages.csv", header + "T-001,hatch_half,2025-01-11,guessed\n")])
    assert lines(store) == [("stages.csv", 2)]
    load_paths(store, [write("stages_a.csv", header + "T-001,hatch_half,2024-01-12,seen\n")])
    assert lines(store) == [("stages.csv", 2)]
    load_paths(store, [write("stages_b.csv", header + "T-001,hatch_half,2025-01-12,seen\n")])
    assert lines(store) == []


def test_of_two_rows_with_one_key_the_second_waits_until_a_later_file_decides(store: Store, write: Write) -> None:
    load_paths(store, [write("losses.csv", HEADER + "T-001,2024-11-11,egg,1\nT-001,2024-11-11,egg,2\n")])
    assert lines(store) == [("losses.csv", 3)]
    load_paths(store, [write("losses_b.csv", HEADER + "T-001,2024-11-11,egg,2\n")])
    assert lines(store) == []


def test_an_exact_repeat_needs_no_mending(store: Store, write: Write) -> None:
    load_paths(store, [write("losses.csv", HEADER + "T-001,2024-11-11,egg,1\nT-001,2024-11-11,egg,1\n")])
    assert lines(store) == []


def test_a_mended_copy_closes_the_rows_it_brings_whatever_was_wrong(
    store: Store, write: Write, tmp_path: Path
) -> None:
    first = write("losses.csv", HEADER + "T-01,2024-11-11,egg,3\nT-002,11/12/24,egg,4\nT-003,2024-11-11,egg,z\n")
    load_paths(store, [first], rejects=tmp_path / "to_mend")
    copy = tmp_path / "to_mend" / "losses.csv"
    text = copy.read_text(encoding="utf-8")
    assert text.splitlines()[0] == "tank_id,checked_on,stage,dead,mends,problems"
    assert "T-01,2024-11-11,egg,3,4#2," in text
    copy.write_text(text.replace("T-01,", "T-001,").replace("11/12/24,", "2024-11-12,"), encoding="utf-8")
    load_paths(store, [copy])
    # The third row was not mended: it is open where it came last.
    assert [(row.upload, row.line, row.cells[3]) for row in open_rows(store)] == [(5, 4, "z")]
    store.withdraw(5)
    assert len(lines(store)) == 3


def test_a_file_sent_again_with_the_same_mistakes_is_listed_once(store: Store, write: Write) -> None:
    load_paths(store, [write("losses.csv", HEADER + "T-001,2024-11-11,egg,x\nT-001,11/12,egg,3\n")])
    again = write(
        "losses_again.csv", HEADER + "T-001,2024-11-11,egg,x\nT-001,11/12,egg,3\nT-002,2024-11-11,egg,3\n"
    )
    load_paths(store, [again])
    assert lines(store) == [("losses_again.csv", 2), ("losses_again.csv", 3)]


def test_rows_alike_without_a_readable_key_wait_each_for_itself(store: Store, write: Write) -> None:
    said = "T-001,last Tuesday,alevin,1\n"
    months = [write(f"losses_{month}.csv", f"{HEADER}{said}T-002,{day},egg,2\n") for month, day in MONTHS.items()]
    load_paths(store, months)
    assert lines(store) == [("losses_april.csv", 2), ("losses_march.csv", 2)]
    assert len(lines(store)) == store.uploads()["rows_to_mend"].sum()
    store.withdraw(5)
    assert lines(store) == [("losses_april.csv", 2)]
    load_paths(store, [write("losses_may.csv", HEADER + said)])
    assert lines(store) == [("losses_may.csv", 2)]


def test_dismissing_needs_a_row_that_is_open(store: Store, write: Write) -> None:
    place = write("losses.csv", HEADER + "T-001,2024-11-11,egg,x\nT-002,2024-11-11,egg,y\n")
    load_paths(store, [place])
    with pytest.raises(UsageError, match="no row is open at"):
        dismiss_rows(store, [f"{place}#2", f"{place}#9"], "never counted")
    assert len(lines(store)) == 2
    assert dismiss_rows(store, [f"{place}#2"], "never counted") == 1
    assert lines(store) == [("losses.csv", 3)]
    dismissed = store.connection.execute("SELECT line, reason FROM dismissed").fetchall()
    assert dismissed == [(2, "never counted")]


def test_the_same_bytes_again_say_how_many_rows_are_still_open(store: Store, write: Write) -> None:
    place = write("losses.csv", HEADER + "T-001,2024-11-11,egg,x\nT-002,2024-11-11,egg,3\n")
    load_paths(store, [place])
    [note] = load_paths(store, [place]).files[0].notes
    assert note.endswith("nothing was changed; 1 of its rows is still to be mended")


def test_the_command_lists_writes_and_dismisses(
    store: Store, write: Write, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = write("losses.csv", HEADER + "T-001,2024-11-11,egg,x\nT-002,2024-11-11,egg,=y\n")
    load_paths(store, [place])
    store.close()
    given = ["--store", str(store.path)]
    assert main(["mend", "--out", str(tmp_path / "copies"), *given]) == 0
    said = capsys.readouterr().out
    assert f"{place}#2 (losses, upload 4): dead: " in said
    assert "2 rejected rows are still open." in said
    with (tmp_path / "copies" / "losses.csv").open(encoding="utf-8", newline="") as file:
        assert [row["mends"] for row in csv.DictReader(file)] == ["4#2", "4#3"]
    assert main(["mend", "--format", "json", *given]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert [(row["line"], row["table"], row["cells"][0]) for row in listed] == [
        (2, "losses", "T-001"),
        (3, "losses", "T-002"),
    ]
    assert main(["mend", "--dismiss", f"{place}#2", "--reason", "a blot", "--format", "csv", *given]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 2
    assert main(["mend", "--dismiss", f"{place}#3", *given]) == 2
    assert main(["mend", "--dismiss", f"{place}#3", "--reason", "b", *given]) == 0
    assert "No rejected row is open." in capsys.readouterr().out


def test_rows_of_one_file_with_the_same_mistake_are_told_once(
    store: Store, write: Write, capsys: pytest.CaptureFixture[str]
) -> None:
    days = [f"T-001,2024-11-{day:02d},egg,{day}?\n" for day in range(1, 25)]
    place = write("losses.csv", f"{HEADER}{''.join(days)}T-002,2024-11-11,eg,3\n")
    other = write("losses_b.csv", HEADER + "T-003,2024-11-11,egg,4?\n")
    load_paths(store, [place, other])
    store.close()
    assert main(["mend", "--store", str(store.path)]) == 0
    said = capsys.readouterr().out.splitlines()
    listed = ", ".join(map(str, range(3, 23)))
    assert [line.partition(": ")[0] for line in said[:4:2]] == [f"{place}#{n} (losses, upload 4)" for n in (2, 26)]
    assert said[1] == f"    … and 23 more lines like this: {listed} and 3 more"
    assert said[3].startswith(f"{other}#2 (losses, upload 5): dead: ")
    assert said[4].startswith("26 rejected rows are still open.")


def test_rows_kept_out_say_their_tank_and_season_as_far_as_they_can(store: Store, write: Write) -> None:
    header = "tank_id,exited_on,fate,count\n"
    rows = "T-001,2025-05-08,released,119?\nT-2,05/06/2025,released,90\nT-003,in May,released,1\n"
    rows += ",2025-05-08,released,2\n"
    load_paths(store, [write("exits.csv", header + rows)])
    same = replace(store.settings, same=(SameLabel("tank", "T-002", ("T-2",)),))
    find_open_rows(store.connection, same)
    found = kept_out(store.connection, same)
    assert [Path(path).name for path in found.pop("path")] == ["exits.csv"] * 3
    known = found.fillna({"season": 0}).itertuples(index=False)
    assert [(*row[:3], [*row[3]], row[4], [*row[5]]) for row in known] == [
        ("T-001", "exits", 2024, [], 2, ["count"]),
        ("T-002", "exits", 0, ["2025"], 3, ["exited_on", "tank_id"]),
        ("T-003", "exits", 0, [], 4, ["exited_on"]),
    ]  # fmt: skip


RELEASES = """
[[layout]]
name = "releases"
header = ["When", "Aquarium", "Fish"]
date_order = "day_first"
  [[layout.rows]]
  table = "exits"
    [layout.rows.columns]
    tank_id = { column = "Aquarium" }
    exited_on = { column = "When" }
    fate = { constant = "released" }
    count = { column = "Fish" }
[[layout]]
name = "diary"
header = ["When", "Aquarium", "Water (F)"]
date_order = "month_first"
decimal = ","
  [[layout.rows]]
  table = "temperatures"
    [layout.rows.columns]
    tank_id = { column = "Aquarium" }
    read_at = { column = "When" }
    water_temp = { column = "Water (F)" }
    unit = { constant = "F" }
"""


def test_a_copy_keeps_what_the_layout_decided(store: Store, write: Write, tmp_path: Path) -> None:
    released = (
        "When,Aquarium,Fish\n8/5/2025,T-001,119 fry\n9/5/2025,T-002,90\n9/5/2025,T-002,91\n2025-05-08,T-003,x\n"
    )
    diary = "When;Aquarium;Water (F)\n2/8/2025 7:15 PM;T-0O1;46,5\n2/9/2025;T-0O1;46,5\n31/31/2025;T-001;46,5\n"
    paths = [write("out.csv", released), write("diary.csv", diary)]
    load_paths(
        store, paths, layouts=layouts_from(tomllib.loads(RELEASES), "layouts.toml"), rejects=tmp_path / "mend"
    )
    texts = {copy.name: copy.read_text(encoding="utf-8") for copy in (tmp_path / "mend").glob("*.csv")}
    rows = {name: [row[:-2] for row in csv.reader(text.splitlines())][1:] for name, text in texts.items()}
    assert rows["out.csv"] == [
        ["T-001", "2025-05-08", "released", "119 fry"],
        ["T-002", "2025-05-09", "released", "91"],
        ["T-003", "2025-05-08", "released", "x"],
    ]
    assert rows["diary.csv"] == [
        ["T-0O1", "2025-02-08T19:15:00", "46.5", "F"],
        ["T-0O1", "2025-02-09", "46.5", "F"],
        ["T-001", "31/31/2025", "46.5", "F"],
    ]
    # To mend what was asked for is enough: the copies are read without the layout.
    mended = {"119 fry": "119", "T-0O1": "T-001", ",x,": ",3,", "31/31/2025": "2025-02-10"}
    for name, text in texts.items():
        for wrong, right in mended.items():
            text = text.replace(wrong, right)
        (tmp_path / name).write_text(text, encoding="utf-8")
    result = load_paths(store, [tmp_path / "out.csv", tmp_path / "diary.csv"])
    assert [one.message for one in result.findings if one.level == "error"] == []
    assert lines(store) == []
    assert store.table("temperatures")["water_temp"].tolist() == [46.5] * 3


def test_a_label_cut_short_is_named_with_the_entry_that_joins_it(tmp_path: Path) -> None:
    folder = tmp_path / "records"
    folder.mkdir()
    sites = ("Ashgill Primary", "Bray School", "Dunmere Library", "Coldharbour High", "Foss Lane School")
    short = ("Ashgill Prim. 1", "Bray Sch. 1", "Dunmere Lib. 1", "Coldharbour High Sch. 1", "Foss Lane Sch. 2")
    (folder / "tanks.csv").write_text("tank_id\n" + "".join(f"{site} 1\n" for site in sites), encoding="utf-8")
    rows = "".join(f"{label},2022-11-{day},egg,1\n" for day, label in enumerate(short, 11))
    (folder / "losses.csv").write_text(HEADER + rows, encoding="utf-8")
    result = check_paths([folder], rejects=tmp_path / "mend")
    first, *_, last = result.findings
    assert first.advice == (
        "Did you mean Ashgill Primary 1? Correct the code, or send the tanks file that has it, alone or in the "
        "same load. If both mean one tank, an entry in layouts.toml joins them.\n"
        '[[same]]\nkind = "tank"\nlabel = "Ashgill Primary 1"\nalso = ["Ashgill Prim. 1"]'
    )
    # Another number is another tank.
    assert last.advice == "Correct the code, or send the tanks file that has it, alone or in the same load."
    assert "[[same]]" not in (tmp_path / "mend" / "losses.csv").read_text(encoding="utf-8")
    text = render_text(result)
    assert (
        "    … and 2 more rows like this\n    the entries in layouts.toml for these:\n"
        '[[same]]\nkind = "tank"\nlabel = "Coldharbour High 1"\nalso = ["Coldharbour High Sch. 1"]\n'
    ) in text
    entries = layouts_from(tomllib.loads("\n".join(re.findall(r"(?m)^(?:\[\[|\w+ = ).*", text))), "layouts.toml")
    again = check_paths([folder], settings=Settings(same=entries.same))
    assert [one.value for one in again.findings] == ["Foss Lane Sch. 2"]
