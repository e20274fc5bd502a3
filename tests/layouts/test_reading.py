"""layouts.toml: what it may say, and every mistake in it told at once."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest

from broodyear.errors import UsageError
from broodyear.layouts import (
    Layout,
    Layouts,
    Rows,
    Value,
    chosen_layouts,
    joined_labels,
    layout_text,
    layouts_from,
    read_layouts,
    same_text,
    without_same,
)
from broodyear.settings import SameLabel

DIARY = r"""
[[layout]]
name = "site diary"
files = "diary *.xlsx"
sheet = "Log*"
header = ["Date", "Water (F)", "Dead"]
date_order = "month_first"
decimal = ","
ignore = ["Weather", "Initials"]

  [[layout.rows]]
  table = "temperatures"
  only_when = ["Water (F)"]
    [layout.rows.columns]
    tank_id    = { file_name = "diary (?P<value>[A-Z]+-[0-9]+)" }
    read_at    = { column = "Date", and = "Time" }
    water_temp = { column = "Water (F)" }
    unit       = { constant = "F" }

  [[layout.rows]]
  table = "losses"
    [layout.rows.columns]
    tank_id    = { cell = "b1" }
    checked_on = { column = "Date" }
    stage      = { column = "Stage", words = { "Sac fry" = "alevin", "swim up" = "fry" } }
    dead       = { column = "Dead", words = { "none" = "0" } }

[[layout]]
name = "one column per tank"
header = ["Day"]
  [[layout.rows]]
  table = "temperatures"
  unpivot = "GUL-*"
    [layout.rows.columns]
    tank_id    = { heading = true }
    water_temp = { cell_value = true }
    read_at    = { column = "Day" }

[[same]]
kind = "tank"
label = "TK-0060"
also = ["TK0060", "Tank 60"]
"""


def read(text: str) -> Layouts:
    return layouts_from(tomllib.loads(text), "layouts.toml")


def mistakes(text: str) -> list[str]:
    with pytest.raises(UsageError) as refused:
        read(text)
    first, *found = str(refused.value).splitlines()
    assert first == f"layouts.toml has {len(found)} {'mistake' if len(found) == 1 else 'mistakes'}:"
    return [line.strip() for line in found]


def test_what_is_written_is_what_is_read() -> None:
    diary, wide = read(DIARY).layouts
    assert diary.header == ("Date", "Water (F)", "Dead")
    assert (diary.files, diary.sheet, diary.date_order, diary.decimal) == (
        "diary *.xlsx",
        "Log*",
        "month_first",
        ",",
    )
    temperatures, losses = diary.rows
    assert dict(temperatures.columns)["read_at"] == Value("column", "Date", "Time")
    assert temperatures.only_when == ("Water (F)",)
    assert dict(losses.columns)["tank_id"] == Value("cell", "B1")
    assert dict(losses.columns)["stage"].words == (("sac fry", "alevin"), ("swim up", "fry"))
    assert wide.rows[0].unpivot == "GUL-*"
    assert read(DIARY).same == (SameLabel("tank", "TK-0060", ("TK0060", "Tank 60")),)


def test_a_layout_written_back_reads_as_itself() -> None:
    given = read(DIARY)
    text = "\n".join([*map(layout_text, given.layouts), *map(same_text, given.same)])
    again = read(text)
    assert (again.layouts, again.same) == (given.layouts, given.same)
    assert r"file_name = " in text


def test_odd_characters_survive_being_written() -> None:
    column = Value("column", 'Water "cold" °F\tnow', words=(("\\none", "0"),))
    name = Value("file_name", r"(?P<value>\w+)")
    rows = Rows("temperatures", (("tank_id", name), ("read_at", column), ("water_temp", column)))
    count = Value("column", "N", behind=name, words=(("", "0"),), without=("fry", '"x"'))
    needed = [(column, Value("column", column)) for column in ("tank_id", "exited_on", "fate")]
    layout = Layout('a "name"', ("Größe", "水温"), rows=(rows, Rows("exits", (*needed, ("count", count)))))
    assert read(layout_text(layout)).layouts == (layout,)


def test_every_mistake_is_told_at_once() -> None:
    found = mistakes(
        r"""
        colour = "blue"
        [[layout]]
        name = "a"
        header = ["Date"]
        date_order = "monthfirst"
        decimal = "."
        skip = 1
          [[layout.rows]]
          table = "temperature"
            [layout.rows.columns]
            tank_id = { constant = "T-1" }
          [[layout.rows]]
          table = "losses"
            [layout.rows.columns]
            tank      = { constant = "T-1" }
            checked_on = { colum = "Date" }
            stage     = { constant = "hatchling" }
            dead      = { file_name = "([0-9" }
            entry     = { sheet_name = "[0-9]+" }
            suspected_cause = { heading = true }
        [[layout]]
        name = "a"
        header = []
        [[same]]
        kind = "fish"
        label = "T-1"
        also = ["T1"]
        """
    )
    assert found == [
        "'colour' is not known here; expected one of layout, same",
        "layout \"a\": 'skip' is not known here; expected one of name, files, sheet, header, date_order, decimal, "
        "ignore, fill_down, rows",
        "layout \"a\": date_order is 'monthfirst'; expected one of 'month_first', 'day_first', 'year_first'",
        "layout \"a\", rows 1: there is no table 'temperature'; did you mean 'temperatures'?",
        "layout \"a\", rows 2 (losses): losses has no column 'tank'; did you mean 'tank_id'?",
        "layout \"a\", rows 2 (losses), checked_on: 'colum' is not known here; did you mean 'column'?",
        'layout "a", rows 2 (losses), checked_on: expected one source of column, constant, heading, cell_value, '
        "file_name, sheet_name, cell; found none",
        "layout \"a\", rows 2 (losses), stage: constant is 'hatchling'; expected one of egg, alevin, fry",
        'layout "a", rows 2 (losses), dead: file_name is no regular expression (unterminated character set at '
        "position 1): '([0-9'",
        'layout "a", rows 2 (losses), entry: sheet_name needs a group called value, for example '
        "'(?P<value>[A-Z]+-[0-9]+)'",
        'layout "a", rows 2 (losses): the table needs tank_id; say where it comes from',
        'layout "a", rows 2 (losses): heading and cell_value need unpivot, the pattern of the headings they stand '
        "under",
        'layout "a": header is missing',
        "[[same]] 1: kind is 'fish'; expected one of 'tank', 'site', 'region', 'batch'",
        'layout "a": 2 layouts have this name; each needs one of its own',
    ]


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ('{ column = "Date", constant = "x" }', "expected one source of"),
        (
            '{ constant = "x", and = "Time" }',
            "and joins something to a column or a heading; it needs one of them beside it",
        ),
        (
            '{ column = "Date", and = { column = "Time" } }',
            "and takes a heading in quotes, or one source of constant, ",
        ),
        ('{ column = "Date", and = { file_name = "[" } }', "tank_id, and: file_name is no regular expression"),
        (
            '{ column = "Date", without = ["eggs"] }',
            "without leaves words out behind a count; it needs a column of counts",
        ),
        (
            '{ column = "Date", unit = "F" }',
            "unit is 'F'; a column or cell_value of these may have one: F for °C, in for cm, in for mm, gal for "
            "litres",
        ),
        ('{ constant = "x", words = { a = "b" } }', "a constant needs no words; write the word itself"),
        ('{ cell = "1B" }', "cell is '1B'; expected the address of one cell, for example \"B1\""),
        ('"Date"', "'Date' says no source; write for example { column = \"Date\" }"),
        ('{ column = "Date", words = { A = "x", " a" = "y" } }', "words has the same word twice"),
        ("{ constant = [] }", "constant is []; expected a text or a number"),
        ("{ column = 3 }", "column is 3; expected a text in quotes"),
    ],
)
def test_mistakes_of_a_source(value: str, told: str) -> None:
    head = '[[layout]]\nname = "a"\nheader = ["Date"]\n[[layout.rows]]\ntable = "tanks"\n[layout.rows.columns]\n'
    (found,) = mistakes(f"{head}tank_id = {value}\n")
    assert told in found


def test_unpivot_without_its_cell_is_a_mistake() -> None:
    head = '[[layout]]\nname = "a"\nheader = ["Day"]\n[[layout.rows]]\ntable = "tanks"\nunpivot = "T*"\n'
    (found,) = mistakes(f"{head}[layout.rows.columns]\ntank_id = {{ heading = true }}\n")
    assert found.endswith("unpivot needs a column that takes { cell_value = true }")


def test_a_label_means_one_thing_only() -> None:
    entry = '[[same]]\nkind = "tank"\nlabel = "{}"\nalso = ["{}"]\n'
    assert mistakes(entry.format("T-1", "T1") + entry.format("T-2", "T1")) == [
        '[[same]] tank "T-2": "T1" is read as "T-1" already; it can mean one tank only'
    ]
    assert mistakes(entry.format("T-1", "T-1")) == [
        '[[same]] tank "T-1": "T-1" is the label itself; leave it out of also'
    ]
    assert mistakes(entry.format("T-1", "T1") + entry.format("T1", "T01")) == [
        '[[same]] tank "T-1": "T1" is the label of another entry; put all names into one entry'
    ]


def test_labels_are_read_where_layouts_are_drafts_still(tmp_path: Path) -> None:
    draft = '[[layout]]\nname = "?"\nheader = ["Date"]\n[[layout.rows]]\ntable = "?"\n'
    entry = '[[same]]\nkind = "tank"\nlabel = "T-1"\nalso = ["{}"]\n'
    file, store = tmp_path / "layouts.toml", tmp_path / "broodyear.duckdb"
    assert joined_labels(None, store) == ()
    file.write_text(draft + entry.format("T1"), encoding="utf-8")
    assert (
        joined_labels(None, store) == joined_labels(file, tmp_path / "no") == (SameLabel("tank", "T-1", ("T1",)),)
    )
    file.write_text(draft + entry.format("T-1"), encoding="utf-8")
    with pytest.raises(UsageError, match='"T-1" is the label itself'):
        joined_labels(file, store)


def test_an_entry_is_taken_out_as_it_was_put_in() -> None:
    one, other = SameLabel("tank", "T-1", ("T1", "Tank 1")), SameLabel("region", "North", ("north",))
    text = f"# ours\n\n{same_text(one)}\n{same_text(other)}"
    assert without_same(text, one) == f"# ours\n\n{same_text(other)}"
    assert without_same(text, SameLabel("tank", "T-1", ("T1",))) is None


def test_numbers_dates_and_flags_may_be_constants() -> None:
    head = '[[layout]]\nname = "a"\nheader = ["x"]\n[[layout.rows]]\ntable = "setups"\n[layout.rows.columns]\n'
    text = (
        'season = { constant = 2026 }\ntank_id = { column = "x" }\nsite_id = { constant = "S" }\n'
        'room_type = { constant = "Office" }\ngravel_practice = { constant = "bare" }\n'
        "filled_on = { constant = 2026-10-01 }\ninsulated = { constant = true }\n"
        "set_point_c = { constant = 9.5 }\n"
    )
    columns = dict(read(head + text).layouts[0].rows[0].columns)
    assert [columns[name].text for name in ("season", "filled_on", "insulated", "set_point_c")] == [
        "2026", "2026-10-01", "yes", "9.5",
    ]  # fmt: skip


def test_which_file_holds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    here, beside = tmp_path / "here", tmp_path / "beside"
    here.mkdir(), beside.mkdir()
    monkeypatch.chdir(here)
    store = beside / "broodyear.duckdb"
    assert chosen_layouts(None, store) == Layouts()
    (here / "layouts.toml").write_text("", encoding="utf-8")
    assert chosen_layouts(None, store).path == "layouts.toml"
    (beside / "layouts.toml").write_text(DIARY, encoding="utf-8-sig")
    assert chosen_layouts(None, store).path == str(beside / "layouts.toml")
    assert chosen_layouts(Path("layouts.toml"), store).layouts == ()


def test_a_file_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"none\.toml does not exist; name another with --layouts"):
        read_layouts(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_bytes(b"[[layout]\nname = \xff")
    with pytest.raises(UsageError, match=r"bad\.toml is not a TOML file"):
        read_layouts(tmp_path / "bad.toml")
    os.mkdir(tmp_path / "folder.toml")
    with pytest.raises(UsageError, match=r"folder\.toml cannot be read"):
        read_layouts(tmp_path / "folder.toml")
