"""Files of another shape become rows of the tables by their layout; every row of theirs is accounted for."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from tests.intake.messy import LAYOUTS, layouts, write_diary, write_programme

from broodyear.cli import main
from broodyear.findings import CheckResult, FileReport, TableCount
from broodyear.intake import check_paths, load_paths
from broodyear.intake.rendering import render_text
from broodyear.layouts import layouts_from
from broodyear.store import open_store

DIARY = "diary GUL-01.xlsx#Log 1"


EACH_WAITS = """
[[layout]]
name = "tanks and eggs"
header = ["Label", "Eggs"]
  [[layout.rows]]
  table = "tanks"
    [layout.rows.columns]
    tank_id = { column = "Label" }
    volume_l = { column = "Litres" }
  [[layout.rows]]
  table = "deliveries"
    [layout.rows.columns]
    tank_id = { column = "Label" }
    batch_id = { column = "Batch" }
    delivered_on = { column = "Day" }
    eggs_live = { column = "Eggs" }
    stage_at_delivery = { constant = "eyed" }
[[layout]]
name = "batches and stages"
header = ["Code", "Eyed"]
  [[layout.rows]]
  table = "batches"
    [layout.rows.columns]
    batch_id = { column = "Code" }
    species = { column = "Fish" }
    donor_stock = { constant = "STOCK-A" }
    brood_year = { constant = 2026 }
  [[layout.rows]]
  table = "stages"
    [layout.rows.columns]
    tank_id = { column = "Tank" }
    stage = { constant = "eyed" }
    first_seen_on = { column = "Eyed" }
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    write_programme(tmp_path / "records")
    monkeypatch.chdir(tmp_path / "records")
    return tmp_path / "records"


def report(result: CheckResult, path: str) -> FileReport:
    return next(report for report in result.files if report.path == path)


def test_one_sheet_feeds_two_tables_and_each_row_is_accounted_for(folder: Path) -> None:
    write_diary(folder / "diary GUL-01.xlsx")
    (folder / "picture.png").write_bytes(b"x")
    result = check_paths([Path()], layouts=layouts())
    diary = report(result, DIARY)
    assert (diary.table, diary.lines_read) == ("temperatures+losses", 9)
    assert (diary.rows_read, diary.rows_accepted, diary.rows_rejected) == (5, 4, 1)
    assert diary.tables == (TableCount("temperatures", 3, 3, 0), TableCount("losses", 3, 2, 1))
    assert diary.notes == (
        "merged cells hold their value in the first cell only: C1:E1",
        "2 lines before the header left out",
        'read by the layout "diary"',
        "columns left over: Note",
        'cells above the header left over: A1 "Tank diary", C2 "every morning"',
        "dates were read month first, as the layout says",
        "1 blank line was left out",
        "1 row gave nothing, for lack of Water (F) or Dead",
    )
    assert [(skipped.path, skipped.reason) for skipped in result.skipped] == [
        ("diary GUL-01.xlsx#Empty", "the sheet is empty"),
        ("picture.png", "not a table: files ending in .png are not read"),
        (
            "diary GUL-01.xlsx#Notes",
            "no header was found: the first row reads 'hello' and none of it is a known column",
        ),
    ]
    found = [(f.line, f.table, f.column, f.source_column, f.value, f.rule) for f in result.findings]
    assert found == [(8, "losses", "checked_on", "Date", "Total", "totals_line")]
    assert result.exit_code == 10


def test_the_rows_are_those_of_the_sheet(folder: Path) -> None:
    write_diary(folder / "diary GUL-01.xlsx")
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        load_paths(store, [Path()], layouts=layouts(), rejects=folder / "mend")
        readings = store.connection.execute(
            "SELECT tank_id, read_at::VARCHAR, read_at_has_hour, water_temp, unit, instrument, line "
            "FROM temperatures"
        ).fetchall()
        losses = store.connection.execute("SELECT checked_on::VARCHAR, stage, dead, line FROM losses").fetchall()
        [(seasons,)] = store.connection.execute("SELECT list(season) FROM setups").fetchall()
        [(filled,)] = store.connection.execute("SELECT max(filled_on)::VARCHAR FROM setups").fetchall()
        [(text,)] = store.connection.execute("SELECT layout FROM uploads WHERE table_name LIKE '%+%'").fetchall()
    assert readings == [
        ("GUL-01", "2026-11-06 07:30:00", True, 46.4, "F", "thermometer", 4),
        ("GUL-01", "2026-11-07 00:00:00", False, 46.0, "F", "thermometer", 5),
        ("GUL-01", "2026-11-08 19:15:00", True, 47.0, "F", "thermometer", 6),
    ]
    assert losses == [("2026-11-07", "egg", 2, 5), ("2026-11-08", "alevin", 0, 6)]
    assert (seasons, filled) == ([2026, 2026], "2026-10-01")
    assert text.startswith('# sheet "Log 1"\n# file "diary GUL-01.xlsx"\n[[layout]]\nname = "diary"\n')


def test_the_mended_copy_has_the_tables_own_columns(folder: Path) -> None:
    write_diary(folder / "diary GUL-01.xlsx")
    check_paths([Path()], layouts=layouts(), rejects=folder / "mend")
    (copy,) = (folder / "mend").glob("[!.]*")
    header, row = copy.read_text(encoding="utf-8").splitlines()
    assert header == "tank_id,checked_on,stage,dead,problems"
    assert row.startswith("GUL-01,Total,,2,")


def test_one_column_per_tank_gives_a_row_per_cell(folder: Path) -> None:
    text = "logger X;;\n\nDay;GUL-01;GUL-02\n06.11.2026;8,5;\n13.11.2026 14:00;8,25;cold\n"
    (folder / "wide.csv").write_text(text, encoding="utf-8")
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        result = load_paths(store, [Path()], layouts=layouts())
        rows = store.connection.execute(
            "SELECT tank_id, read_at::VARCHAR, water_temp, line FROM temperatures ORDER BY line"
        ).fetchall()
    wide = report(result, "wide.csv")
    assert (wide.rows_read, wide.rows_accepted, wide.rows_rejected) == (2, 1, 1)
    assert wide.tables == (TableCount("temperatures", 3, 2, 1),)
    assert rows == [("GUL-01", "2026-11-06 00:00:00", 8.5, 4), ("GUL-01", "2026-11-13 14:00:00", 8.25, 5)]
    (finding,) = result.findings
    assert (finding.line, finding.source_column, finding.value) == (5, "GUL-02", "cold")


def test_a_cell_kept_out_for_an_unknown_tank_comes_in_with_its_tank(folder: Path) -> None:
    (folder / "wide.csv").write_text("Day,GUL-01,GUL-09\n2026-11-06,8.5,9.5\n", encoding="utf-8")
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        first = load_paths(store, [Path()], layouts=layouts())
        (folder / "more.csv").write_text("tank_id,volume_l\nGUL-09,190\n", encoding="utf-8")
        again = load_paths(store, [Path()], layouts=layouts())
        rows = store.connection.execute("SELECT tank_id, water_temp FROM temperatures ORDER BY 1").fetchall()
    assert (first.exit_code, again.exit_code) == (10, 0)
    assert rows == [("GUL-01", 8.5), ("GUL-09", 9.5)]


def test_the_same_bytes_by_another_layout_are_another_upload(folder: Path) -> None:
    (folder / "wide.csv").write_text("Day,GUL-01\n2026-11-06,47\n", encoding="utf-8")
    in_fahrenheit = LAYOUTS.replace("{ cell_value = true }", '{ cell_value = true }\nunit = { constant = "F" }')
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        load_paths(store, [Path()], layouts=layouts())
        again = load_paths(store, [Path()], layouts=layouts())
        load_paths(store, [Path()], layouts=layouts(in_fahrenheit))
        rows = store.connection.execute("SELECT water_temp, unit FROM temperatures").fetchall()
    assert report(again, "wide.csv").notes[-1].endswith("nothing was changed")
    assert rows == [(47.0, "F")]


def test_a_withdrawn_upload_of_two_tables_leaves_both(folder: Path) -> None:
    write_diary(folder / "diary GUL-01.xlsx")
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        load_paths(store, [Path()], layouts=layouts())
        [(upload,)] = store.connection.execute("SELECT upload FROM uploads WHERE table_name LIKE '%+%'").fetchall()
        store.withdraw(upload)
        left = store.connection.execute(
            "SELECT (SELECT count(*) FROM temperatures), (SELECT count(*) FROM losses)"
        ).fetchall()
    assert left == [(0, 0)]


def test_two_files_may_each_wait_for_the_others_codes(folder: Path) -> None:
    """One sheet feeds tanks and deliveries, another batches and stages of these tanks."""
    eggs = "Label,Litres,Batch,Day,Eggs\nNEW-1,190,B-9,2026-11-06,150\n"
    (folder / "tanks and eggs.csv").write_text(eggs, encoding="utf-8")
    seen = "Code,Fish,Tank,Eyed\nB-9,coho,NEW-1,2026-11-20\n"
    (folder / "batches and stages.csv").write_text(seen, encoding="utf-8")
    result = check_paths([Path()], layouts=layouts(EACH_WAITS))
    assert {finding.level for finding in result.findings} <= {"warning"}
    assert [report.rows_rejected for report in result.files] == [0] * 5


def test_two_layouts_that_fit_are_refused_by_name(folder: Path) -> None:
    (folder / "wide.csv").write_text("Day,GUL-01\n2026-11-06,8.5\n", encoding="utf-8")
    both = LAYOUTS + LAYOUTS[LAYOUTS.index('[[layout]]\nname = "one') :].replace("one column", "a column")
    result = check_paths(["wide.csv"], layouts=layouts(both))
    assert result.exit_code == 11
    assert result.findings[0].message == 'several layouts fit it: "one column per tank" and "a column per tank"'


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        (
            "wide.csv",
            "Day,Other\n2026-11-06,8.5\n",
            "no heading is like 'GUL-*', whose columns it takes one by one",
        ),
        ("wide.csv", "Date,Water (F),Dead\n", None),
    ],
)
def test_what_a_layout_asks_for_and_the_file_lacks_is_named(
    folder: Path, name: str, text: str, told: str | None
) -> None:
    (folder / name).write_text(text, encoding="utf-8")
    result = check_paths([name], layouts=layouts())
    assert result.exit_code == 11
    if told:
        assert result.findings[0].message == f'the layout "one column per tank" does not go through: {told}'


def test_a_workbook_of_which_nothing_fits_is_refused(folder: Path) -> None:
    write_diary(folder / "diary GUL-01.xlsx")
    result = check_paths(["diary GUL-01.xlsx"])
    assert (result.exit_code, result.refused) == (11, ("diary GUL-01.xlsx",))
    assert {skipped.path for skipped in result.skipped} == {
        DIARY,
        DIARY.replace("Log 1", "Notes"),
        DIARY.replace("Log 1", "Empty"),
    }


PLACES = """
[[layout]]
name = "places and tanks"
header = ["Where", "Tank label"]
  [[layout.rows]]
  table = "sites"
    [layout.rows.columns]
    site_id = { column = "Where" }
    region = { column = "Area" }
  [[layout.rows]]
  table = "tanks"
    [layout.rows.columns]
    tank_id = { column = "Tank label" }
    volume_l = { column = "Litres" }
"""
OUT_IN_2023 = "Where,Area,Tank label,Litres\nALDER,Vale,T-01,190\nALDER,Vale,T-02,210\nBIRCH,Fell,T-01,190\n"


def test_lines_that_name_a_site_again_are_good(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("places.csv").write_text(OUT_IN_2023, encoding="utf-8")
    Path("layouts.toml").write_text(PLACES, encoding="utf-8")
    assert main(["load", "places.csv", "--quiet", "--rejects", "to_mend"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "places.csv (sites+tanks): 3 lines, 3 good",
        '  note: read by the layout "places and tanks"',
        "  note: rows that repeat one already taken, and need nothing: sites 1, tanks 1",
        "",
        "1 file: 3 lines, 3 good, 0 with a row kept out; good for 4 rows of tables, 0 warnings",
    ]
    assert not list(Path("to_mend").glob("*.csv"))
    assert main(["verify", "--quiet"]) == 0
    assert "1 uploads, 4 rows of tables as they were received" in capsys.readouterr().out
    with open_store(Path("broodyear.duckdb")) as store:
        assert store.uploads()[["rows_to_mend", "rows_repeated"]].to_numpy().tolist() == [[0, 0]]
        assert store.connection.execute("SELECT count(*) FROM rejected_rows").fetchall() == [(0,)]


def test_only_the_table_that_lacks_a_row_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("places.csv").write_text(OUT_IN_2023.replace("T-02,210", "T-02,many"), encoding="utf-8")
    Path("layouts.toml").write_text(PLACES, encoding="utf-8")
    assert main(["check", "places.csv", "--quiet"]) == 10
    said = capsys.readouterr().out.splitlines()
    assert said[0] == "places.csv (sites+tanks): 3 lines, 2 good, 1 with a row kept out (tanks 1)"


DEAD = """
[[layout]]
name = "dead fish"
header = ["Day", "Label"]
  [[layout.rows]]
  table = "losses"
  only_when = ["Dead"]
    [layout.rows.columns]
    tank_id = { column = "Label" }
    checked_on = { column = "Day" }
    stage = { constant = "egg" }
    dead = { column = "Dead" }
"""


def test_the_word_to_write_for_a_line_of_totals(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("tanks.csv").write_text("tank_id\nT-01\n", encoding="utf-8")
    Path("dead.csv").write_text("Day,Label,Dead\n2026-11-09,T-01,2\nTotal,,2\n", encoding="utf-8")
    layouts = layouts_from(tomllib.loads(DEAD), "layouts.toml")
    (told,) = check_paths(["tanks.csv", "dead.csv"], layouts=layouts).findings
    assert (told.rule, told.line, told.source_column) == ("totals_line", 3, "Day")
    assert told.message == 'found "Total": this looks like a line of totals, not a record of one day'
    assert told.advice == (
        "Leave the line out: it sums lines that are read already. "
        'In layouts.toml, "Label" in only_when of the rows for losses leaves such lines out.'
    )
    asked = layouts_from(tomllib.loads(DEAD.replace('["Dead"]', '["Dead", "Label"]')), "layouts.toml")
    assert check_paths(["tanks.csv", "dead.csv"], layouts=asked).findings == ()


EGGS_AND_STAGES = """
[[layout]]
name = "stages seen"
header = ["Tank", "First", "All"]
  [[layout.rows]]
  table = "stages"
  only_when = ["First"]
    [layout.rows.columns]
    tank_id = { column = "Tank" }
    stage = { constant = "hatch_first" }
    first_seen_on = { column = "First" }
  [[layout.rows]]
  table = "stages"
  only_when = ["All"]
    [layout.rows.columns]
    tank_id = { column = "Tank" }
    stage = { constant = "hatch_all" }
    first_seen_on = { column = "All" }
  [[layout.rows]]
  table = "incidents"
    [layout.rows.columns]
    tank_id = { column = "Tank" }
    started_at = { column = "First" }
    kind = { constant = "other" }
"""


def test_a_label_that_is_wrong_in_each_row_of_a_line_is_told_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("tanks.csv").write_text("tank_id\nT-05\n", encoding="utf-8")
    Path("seen.csv").write_text("Tank,First,All\nT05,2023-11-30,2023-12-07\n", encoding="utf-8")
    layouts = layouts_from(tomllib.loads(EGGS_AND_STAGES), "layouts.toml")
    result = check_paths(["tanks.csv", "seen.csv"], layouts=layouts)
    assert [(one.table, one.rule) for one in result.findings] == [
        ("stages", "unknown_tank"),
        ("incidents", "unknown_tank"),
    ]
    text = render_text(result)
    assert text.count('line 2, tank_id: found "T05"') == 1
    assert "more row" not in text


COUNTED = """
[[layout]]
name = "dead"
header = ["Tank", "Day", "Stage", "Dead"]
  [[layout.rows]]
  table = "losses"
    [layout.rows.columns]
    tank_id = { column = "Tank" }
    checked_on = { column = "Day", and = { constant = "2026/27" } }
    stage = { column = "Stage", words = { "" = "egg", "sac fry" = "alevin" } }
    dead = { column = "Dead", without = ["eggs", "fish (all)"] }
"""


def test_words_behind_a_count_and_what_a_blank_means(folder: Path) -> None:
    rows = (
        "20 Nov,,3",
        "21 Nov, ,4 Eggs",
        "2026-11-22,sac fry,5 fish (all) ",
        ",,",
        "23 Nov,fry,6 parr",
        ",egg,7",
    )
    text = "Tank,Day,Stage,Dead\n" + "".join(f"{'GUL-01' if row != ',,' else ''},{row}\n" for row in rows)
    (folder / "dead.csv").write_text(text, encoding="utf-8")
    with open_store(folder.parent / "s.duckdb", for_loading=True) as store:
        result = load_paths(store, [Path()], layouts=layouts_from(tomllib.loads(COUNTED), "layouts.toml"))
        read = store.table("losses")[["checked_on", "stage", "dead"]].astype(str).to_numpy().tolist()
    assert read == [["2026-11-20", "egg", "3"], ["2026-11-21", "egg", "4"], ["2026-11-22", "alevin", "5"]]
    assert [(one.line, one.column, one.message.partition(";")[0]) for one in result.findings] == [
        (6, "dead", 'found "6 parr"'),
        (7, "checked_on", "found nothing"),
    ]
    assert (
        result.findings[0].advice
        == 'Write the number alone: 6; in a layout, without = ["parr"] leaves the word out'
    )


def test_a_dozen_is_not_read_as_its_number(folder: Path) -> None:
    (folder / "losses.csv").write_text(
        "tank_id,checked_on,stage,dead\nGUL-01,2026-11-20,egg,2 dozen\n", encoding="utf-8"
    )
    (found,) = check_paths([folder / "losses.csv", folder / "tanks.csv"]).findings
    assert found.advice == "Write the number alone, for example 2; leave it blank when it was not recorded."


YEARS_BEHIND = """
[[layout]]
name = "diary"
header = ["Tank", "Day", "Water", "Dead"]
date_order = "day_first"
  [[layout.rows]]
  table = "temperatures"
  only_when = ["Water"]
    [layout.rows.columns]
    tank_id = { column = "Tank" }
    read_at = { column = "Day", and = { file_name = "(?P<value>20[0-9]{2})" } }
    water_temp = { column = "Water", words = { "n/a" = "", "broken" = "" } }
  [[layout.rows]]
  table = "losses"
  only_when = ["Dead"]
    [layout.rows.columns]
    tank_id = { column = "Tank" }
    checked_on = { column = "Day", and = { file_name = "(?P<value>20[0-9]{2})", words = { "2026" = "2026/27" } } }
    stage = { constant = "egg" }
    dead = { column = "Dead", words = { "-" = "" } }
"""


def test_a_year_is_set_behind_a_day_that_has_none_and_words_hold_behind_too(folder: Path) -> None:
    """5 January of a file of 2026 lies in 2026 by the year, and in 2027 by the school year that its words name."""
    rows = ("20 Nov,8.1,3", "2026-11-21,n/a,", "22.11.2026,8.3,4", "23.11.26,Broken,5", "5 Jan,8.4,-")
    text = "Tank,Day,Water,Dead\n" + "".join(f"GUL-01,{row}\n" for row in rows)
    (folder / "diary 2026.csv").write_text(text, encoding="utf-8")
    with open_store(folder.parent / "s.duckdb", for_loading=True) as store:
        result = load_paths(store, [Path()], layouts=layouts_from(tomllib.loads(YEARS_BEHIND), "layouts.toml"))
        reads = store.table("temperatures")[["read_at", "water_temp"]].astype(str).to_numpy().tolist()
        losses = store.table("losses")[["checked_on", "dead"]].fillna(-1).astype(str).to_numpy().tolist()
    assert [one.message for one in result.findings if one.level == "error"] == []
    assert sorted(reads) == [["2026-01-05", "8.4"], ["2026-11-20", "8.1"], ["2026-11-22", "8.3"]]
    assert sorted(losses) == [["2026-11-20", "3"], ["2026-11-22", "4"], ["2026-11-23", "5"], ["2027-01-05", "-1"]]
    (report,) = (one for one in result.files if one.path == "diary 2026.csv")
    assert "1 row gave nothing, for lack of Water or Dead" in report.notes
