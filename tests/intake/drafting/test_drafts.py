"""Drafts of layouts: what is guessed is marked, what is not known is asked for, and the draft reads back."""

from __future__ import annotations

import datetime as dt
import tomllib
from pathlib import Path

import openpyxl
import pytest
from tests.intake.messy import write_diary

from broodyear.errors import UsageError
from broodyear.intake.drafting import Draft, Drafts, draft_all, draft_text
from broodyear.intake.drafting.headings import (
    common_pattern,
    looks_of,
    meanings,
    plain_words,
    proved_order,
    unit_in,
)
from broodyear.layouts import Layouts, Value, layouts_from


def drafts(tmp_path: Path, *names: str) -> Drafts:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    return draft_all([tmp_path / name for name in names], scratch)


def draft(tmp_path: Path, name: str, text: str) -> Draft:
    (tmp_path / name).write_text(text, encoding="utf-8")
    (made,) = drafts(tmp_path, name).drafts
    return made


def read(text: str) -> Layouts:
    return layouts_from(tomllib.loads(text), "layouts.toml")


def test_a_diary_feeds_two_tables_and_its_fellow_needs_no_draft(tmp_path: Path) -> None:
    write_diary(tmp_path / "diary GUL-01.xlsx")
    write_diary(tmp_path / "diary GUL-02.xlsx")
    made = drafts(tmp_path, "diary GUL-01.xlsx", "diary GUL-02.xlsx")
    (diary,) = made.drafts
    assert made.settled == [(f"{tmp_path}/diary GUL-02.xlsx#Log 1", 'the layout "diary GUL-01, Log 1"')]
    temperatures, losses = diary.layout.rows
    assert (temperatures.table, temperatures.only_when) == ("temperatures", ("Water (F)",))
    assert dict(temperatures.columns) == {
        "tank_id": Value("cell", "B1"),
        "read_at": Value("column", "Date", "Time"),
        "water_temp": Value("column", "Water (F)"),
        "unit": Value("constant", "F"),
    }
    assert (losses.table, losses.only_when) == ("losses", ("Dead", "Stage"))  # its last line is of totals
    assert diary.words == {("losses", "stage"): ("Sac fry",)}
    assert [heading.heading for heading in diary.headings if not heading.uses] == ["Weather", "Note"]
    assert diary.header_line == 3
    assert diary.unknown == ()
    first = diary.preview[0].rows[0]
    assert first == (4, ("GUL-01", "2026-11-06 07:30", "46.4", "F"))
    assert (
        diary.preview[0].rows[2][0] == 6 and (2, "read_at") in diary.preview[0].unread
    )  # 11/8/2026 can mean two days


def test_the_text_of_a_draft_reads_back_as_its_layout(tmp_path: Path) -> None:
    write_diary(tmp_path / "diary GUL-01.xlsx")
    (diary,) = drafts(tmp_path, "diary GUL-01.xlsx").drafts
    text = draft_text(diary)
    assert read(text).layouts == (diary.layout,)
    assert '    tank_id    = { cell = "B1" }  # guess: a label above the header' in text
    assert '    stage      = { column = "Stage" }  # ? words to map: "Sac fry"' in text
    assert '# left over; to leave them out on purpose, write above the rows: ignore = ["Weather", "Note"]' in text
    assert "#   6     GUL-01   ?11/8/2026 7:15 PM  47.0        F" in text


def test_a_draft_leaves_lines_of_totals_out(tmp_path: Path) -> None:
    lines = "".join(f"2026-11-{day:02d},T-1,8.{day % 10},1,egg\n" for day in range(1, 31))
    text = f"Date,Tank,Water °C,Dead,Stage\n{lines}Total,,,30,\n"
    temperatures, losses = draft(tmp_path, "diary.csv", text).layout.rows
    assert (temperatures.only_when, losses.only_when) == (("Water °C",), ("Dead", "Tank"))


def test_what_the_file_does_not_tell_is_asked_for(tmp_path: Path) -> None:
    made = draft(tmp_path, "logger.csv", "Serial 1\nDate Time,Temp (°C),Battery\n2026-11-06 00:00,8.1,100\n")
    assert made.unknown == (("temperatures", "tank_id"),)
    text = draft_text(made)
    assert (
        '    tank_id    = { constant = "?" }  # ? nothing in the file tells it; put something in place of ?'
        in text
    )
    with pytest.raises(UsageError, match=r"tank_id: still marked with \?; say where it comes from"):
        read(text)


def test_one_column_for_each_tank_and_a_proved_order(tmp_path: Path) -> None:
    made = draft(tmp_path, "wide.csv", "Day;GUL-01;GUL-02\n03.04.2027;8,5;\n13.04.2027;8,25;9\n")
    (rows,) = made.layout.rows
    assert (rows.unpivot, made.layout.decimal, made.layout.date_order) == ("GUL-*", ",", "day_first")
    assert 'date_order = "day_first"  # guess: 13.04.2027 can be read in no other order' in draft_text(made)
    assert [row for _, row in made.preview[0].rows] == [
        ("GUL-01", "2027-04-03", "8.5"),
        ("GUL-01", "2027-04-13", "8.25"),
        ("GUL-02", "2027-04-13", "9.0"),
    ]


def test_an_order_that_no_date_proves_is_asked_for(tmp_path: Path) -> None:
    text = draft_text(draft(tmp_path, "log.csv", "When,Tank,Water °C\n11/08/2023,T-1,8.1\n12/08/2023,T-1,8\n"))
    asked = "# ? 11/08/2023 can mean two days; write month_first or day_first, and take the # away"
    assert f'#date_order = "?"  {asked}' in text
    (answered,) = read(text.replace('#date_order = "?"', 'date_order = "month_first"')).layouts
    assert answered.date_order == "month_first"


def test_one_column_for_each_stage(tmp_path: Path) -> None:
    headings = "Tank,First hatched,Half hatched,All hatched,Buttoned up"
    made = draft(tmp_path, "stages seen.csv", f"{headings}\nT-01,2023-11-30,2023-12-03,2023-12-07,\n")
    assert [rows.table for rows in made.layout.rows] == ["stages"] * 4
    assert [rows.only_when for rows in made.layout.rows] == [(name,) for name in headings.split(",")[1:]]
    assert dict(made.layout.rows[0].columns) == {
        "tank_id": Value("column", "Tank"),
        "stage": Value("constant", "hatch_first"),
        "first_seen_on": Value("column", "First hatched"),
    }
    assert [row for _, row in made.preview[0].rows] == [
        ("T-01", "hatch_first", "2023-11-30"),
        ("T-01", "hatch_half", "2023-12-03"),
        ("T-01", "hatch_all", "2023-12-07"),
    ]
    assert all(heading.uses for heading in made.headings) and made.unknown == ()
    assert read(draft_text(made)).layouts == (made.layout,)


def test_numbers_of_tanks_that_come_again_from_site_to_site_are_read_with_the_site(tmp_path: Path) -> None:
    rows = "Hill School,1,2022-11-08\nHill School,2,2022-11-08\nMill Lane,1,2022-11-09\n"
    made = draft(
        tmp_path,
        "set-ups.csv",
        f"School,Tank,Filled,Region,Room,Bottom\n{rows.replace(chr(10), ',N,foyer,bare' + chr(10))}",
    )
    sites, tanks, setups = made.layout.rows
    assert dict(tanks.columns) == {"tank_id": Value("column", "School", "Tank")}
    assert dict(sites.columns)["site_id"] == dict(setups.columns)["site_id"] == Value("column", "School")
    assert dict(setups.columns)["tank_id"] == Value("column", "School", "Tank")
    ground = 'the two together, for a tank "1" stands at several sites'
    assert f'tank_id         = {{ column = "School", and = "Tank" }}  # guess: {ground}' in draft_text(made)
    assert [row[1][1] for row in made.preview[2].rows] == ["Hill School 1", "Hill School 2", "Mill Lane 1"]


@pytest.mark.parametrize(
    ("pairs", "together"),
    [
        ("H,A M,A", True),
        ("H,Tank_1 M,Tank_1 M,Tank_2", True),
        ("H,T1 M,T1 P,T1 P,T2", True),
        ("H,T1 M,T2 P,T1 P,T3", False),
        # Each site has numbers of its own: they are labels of tanks.
        ("H,1 H,2 M,3", False),
        # A tank that moved between seasons keeps its label.
        ("H,GUL-01 M,GUL-01 P,GUL-02", False),
    ],
)
def test_when_a_tank_is_told_by_its_site(tmp_path: Path, pairs: str, together: bool) -> None:
    lines = "".join(f"2023-05-11,{pair.replace('_', ' ')},90\n" for pair in pairs.split())
    made = draft(tmp_path, "releases.csv", f"Date,School,Tank,Fish released\n{lines}")
    tank = dict(made.layout.rows[0].columns)["tank_id"]
    assert tank == (Value("column", "School", "Tank") if together else Value("column", "Tank"))


def write_diaries(path: Path, sheets: dict[str, tuple[tuple[object, ...], ...]]) -> None:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in (("Date", "Dead eggs", "Dead sac fry", "Temp °C", "Notes"), *rows):
            sheet.append(row)
    book.save(path)


def test_a_workbook_with_a_sheet_for_each_tank_and_a_column_for_each_stage(tmp_path: Path) -> None:
    first, second = dt.date(2022, 11, 12), dt.date(2022, 11, 19)
    write_diaries(tmp_path / "diaries.xlsx", {
        "Hill School 1": ((first, 7, None, 8.2, "half term"), (second, 0, 2, 8.1, None)),
        "Mill Lane": ((first, "none", "None", 8.0, None),),
    })  # fmt: skip
    (made,) = drafts(tmp_path, "diaries.xlsx").drafts
    temperatures, eggs, alevins = made.layout.rows
    tank, none = Value("sheet_name", "(?P<value>.+)"), (("none", "0"),)
    assert dict(temperatures.columns)["tank_id"] == tank
    assert (eggs.only_when, alevins.only_when) == (("Dead eggs",), ("Dead sac fry",))
    assert dict(eggs.columns) == {
        "tank_id": tank, "checked_on": Value("column", "Date"), "stage": Value("constant", "egg"),
        "dead": Value("column", "Dead eggs", words=none),
    }  # fmt: skip
    assert dict(alevins.columns)["stage"] == Value("constant", "alevin")
    assert dict(alevins.columns)["dead"] == Value("column", "Dead sac fry", words=none)
    text = draft_text(made)
    assert 'stage      = { constant = "egg" }  # guess: the heading says it' in text
    assert made.unknown == () and read(text).layouts == (made.layout,)


@pytest.mark.parametrize("name", ["Sheet1", "November", "Nov 2022", "2022-23", "Log 2", "Term 1"])
def test_a_sheet_whose_name_says_nothing_is_no_tank(tmp_path: Path, name: str) -> None:
    row = (dt.date(2022, 11, 12), 7, None, 8.2, None)
    write_diaries(tmp_path / "diaries.xlsx", {name: (row,), "Hill School 1": (row,)})
    made = drafts(tmp_path, "diaries.xlsx").drafts[0]
    assert dict(made.layout.rows[0].columns)["tank_id"] == Value("constant", "?")


SET_UPS = "School,Region,Tank,Room,Bottom\nHill School,North,T-01,foyer,bare\n"


def test_set_ups_take_their_season_from_the_name_and_give_their_tanks(tmp_path: Path) -> None:
    for season in ("2022-23", "2023-24"):
        (tmp_path / f"set-ups {season}.csv").write_text(SET_UPS, encoding="utf-8")
    made = drafts(tmp_path, "set-ups 2022-23.csv", "set-ups 2023-24.csv")
    (draft,) = made.drafts
    assert [rows.table for rows in draft.layout.rows] == ["sites", "tanks", "setups"]
    assert dict(draft.layout.rows[2].columns)["season"] == Value("file_name", "(?P<value>20[0-9]{2})")
    assert draft.layout.files == "set-ups *.csv"
    assert "# guess: the year in the name of the file" in draft_text(draft)
    assert draft.preview[2].rows[0][1][0] == "2022" and draft.unknown == ()
    assert len(made.settled) == 1


def test_set_ups_give_no_tanks_where_a_file_of_tanks_comes(tmp_path: Path) -> None:
    (tmp_path / "set-ups 2022-23.csv").write_text(SET_UPS, encoding="utf-8")
    (tmp_path / "tanks.csv").write_text("tank_id,volume_l\nT-01,110\n", encoding="utf-8")
    (draft,) = drafts(tmp_path, "set-ups 2022-23.csv", "tanks.csv").drafts
    assert [rows.table for rows in draft.layout.rows] == ["sites", "setups"]


def test_a_heading_says_the_fate_and_what_is_no_number_is_named(tmp_path: Path) -> None:
    cells = ("109", "119 Fry", "2 dozen", "about 90", "7")
    lines = "".join(f"T-0{number},18/5/2023,{cell}\n" for number, cell in enumerate(cells))
    made = draft(tmp_path, "releases.csv", f"Tank,Date,Fish released\n{lines}")
    text = draft_text(made)
    assert '    fate      = { constant = "released" }  # guess: the heading says it' in text
    source = 'count     = { column = "Fish released", without = ["fry"] }'
    marks = 'guess: what was counted is left out; guess: synonym; ? words to map: "2 dozen", "about 90"'
    assert f"    {source}  # {marks}" in text
    assert [values[3] for _, values in made.preview[0].rows] == ["109", "119", "2 dozen", "about 90", "7"]
    assert [place for place, _ in sorted(made.preview[0].unread)] == [2, 3]


@pytest.mark.parametrize(
    ("sent", "below"),
    [
        ("Tank,8 Nov,15 Nov,22 Nov,29 Nov\nT-01,✓,,✓,✓\nT-02,no,✓,,✓\n", '"8 Nov", "15 Nov", "22 Nov" …'),
        ("Tank,2024-11-08,2024-11-15\nT-01,x,FALSE\nT-02,X,TRUE\n", '"2024-11-08", "2024-11-15"'),
        ("Tank,Eyed,Hatched,Buttoned up\nT-01,yes,yes,\nT-02,yes,,\n", '"Eyed", "Hatched"'),
        ("Date,T-01,T-02\n2024-11-08,x,\n2024-11-15,x,x\n", '"T-01", "T-02"'),
    ],
)
def test_a_list_of_ticks_says_what_it_seems_to_be(tmp_path: Path, sent: str, below: str) -> None:
    lines = draft_text(draft(tmp_path, "x.csv", sent)).splitlines()
    said = lines.index(f"# ? it seems to be a list of ticks: below {below} stand marks, which no table takes.")
    assert lines[said + 1 : said + 3] == [
        "#   Where a mark says that a stage had come, write the day it was first seen in its place, below a "
        "heading",
        "#   that names the stage; where it says that somebody looked, how many dead were found, 0 for none.",
    ]


@pytest.mark.parametrize(
    "sent",
    [
        "Tank,Date,Fed,Light on\nT-01,2024-11-08,x,x\n",
        "Date,T-01,T-02\n2024-11-08,7.5,x\n2024-11-15,7.5,8\n",
        "Tank,Eyed,Hatched\nT-01,2024-11-08,\n",
    ],
)
def test_what_is_no_list_of_ticks(tmp_path: Path, sent: str) -> None:
    """Marks about something else, among numbers, or none at all."""
    assert "list of ticks" not in draft_text(draft(tmp_path, "x.csv", sent))


def test_a_date_of_hatch_is_a_stage_and_which_is_asked(tmp_path: Path) -> None:
    made = draft(tmp_path, "hatching.csv", "Tank,Hatching\nT-01,2022-12-07\nT-02,about the 3rd\nT-03,soon\n")
    (rows,) = made.layout.rows
    assert (rows.table, rows.only_when) == ("stages", ("Hatching",))
    stages = "eyed, hatch_first, hatch_half, hatch_all, button_up, first_feeding"
    asked = f"# ? nothing in the file tells it; put one of {stages} in place of ?"
    assert f'    stage         = {{ constant = "?" }}  {asked}' in draft_text(made)
    assert made.unknown == (("stages", "stage"),)


def test_hatched_with_numbers_below_is_no_date(tmp_path: Path) -> None:
    made = draft(tmp_path, "counts.csv", "Tank,Date,Hatched,Dead\nT-01,2022-12-07,120,3\n")
    assert [rows.table for rows in made.layout.rows] == ["losses"]


def test_a_label_in_the_files_name(tmp_path: Path) -> None:
    made = draft(tmp_path, "log GUL-07.csv", "When,Water temperature\n2026-11-06,8.5\n")
    assert dict(made.layout.rows[0].columns)["tank_id"] == Value("file_name", "(?P<value>[A-Za-z]+-[0-9]+)")
    assert made.layout.files == "log *.csv"
    assert made.preview[0].rows[0][1][0] == "GUL-07"


def test_files_that_need_none_or_hold_nothing_are_named(tmp_path: Path) -> None:
    (tmp_path / "losses.csv").write_text("tank_id,checked_on,stage\n", encoding="utf-8")
    (tmp_path / "letter.txt").write_text("Dear all\n", encoding="utf-8")
    made = drafts(tmp_path, "losses.csv", "letter.txt", "missing.csv")
    assert made.drafts == []
    assert made.settled == [(f"{tmp_path}/losses.csv", "the table losses")]
    assert {Path(skipped.path).name: skipped.reason for skipped in made.skipped} == {
        "letter.txt": "no row of it has two headings",
        "missing.csv": "there is no such file or folder",
    }


def test_a_heading_is_known_by_its_name_its_synonyms_and_the_words_in_it() -> None:
    assert (meanings("water_temp")[0].table, meanings("water_temp")[0].ground) == ("temperatures", "name")
    assert meanings("Morts")[0].column.name == "dead"
    assert meanings("Water temperature, morning")[0].ground == "words in it"
    assert meanings("Weather") == []
    assert plain_words(" Water (°F) ") == "water"
    assert [unit_in(text) for text in ("Water (F)", "Temp °C", "temp [deg c]", "Temp", "Fish")] == [
        "F", "C", "C", None, None,
    ]  # fmt: skip


@pytest.mark.parametrize(
    "heading",
    ["Dead eggs found this week", "Number of dead eggs", "Eggs that died", "How many eggs died this week?",
     "Number of eggs lost", "Bad eggs removed", "White eggs picked out", "Dead eggs received"],
)  # fmt: skip
def test_a_number_of_dead_eggs_is_no_number_of_eggs(tmp_path: Path, heading: str) -> None:
    assert [one.column.name for one in meanings(heading)] == ["dead"]
    made = draft(tmp_path, "x.csv", f"Tank,Date,{heading}\nT-01,2024-11-08,3\nT-01,2024-11-15,2\n")
    assert [rows.table for rows in made.layout.rows] == ["losses"]
    assert dict(made.layout.rows[0].columns)["stage"] == Value("constant", "egg")


def test_a_heading_of_the_living_may_name_the_dead() -> None:
    told = {one.column.name for one in meanings("Live eggs, dead ones removed")}
    assert told == {"eggs_live", "dead"}
    assert [one.column.name for one in meanings("Eggs dead on arrival")] == ["eggs_dead_on_arrival"]


def test_the_looks_of_cells() -> None:
    assert looks_of(["2026-11-06", "6 Nov 2026", "11/8/26 7:15 PM", "Total"]).are_dates
    assert looks_of(["8,5", "8.5", ""]).are_numbers
    assert looks_of(["7:15 PM", "07:30:00"]).are_times
    assert not looks_of(["", " "]).are_dates
    assert looks_of(["b", "a", "b"]).distinct == ("b", "a")
    assert common_pattern(["GUL-01", "GUL-12"]) == "GUL-*"
    assert common_pattern(["T-01", "K-02"]) == "*"


def test_an_order_is_proved_by_one_date_and_disproved_by_another() -> None:
    assert proved_order(["03/04/2026", "13/04/2026 07:00"]) == ("day_first", "13/04/2026")
    assert proved_order(["04/13/26", "03/04/26"]) == ("month_first", "04/13/26")
    assert proved_order(["03/04/2026"]) is None
    assert proved_order(["13/04/2026", "04/13/2026"]) is None


def test_the_questions_of_a_form_are_taken_for_what_they_ask(tmp_path: Path) -> None:
    """The school of a school year is no site, dead eggs no delivery, what no cell bears out is left out."""
    asked = {
        "Which school year is this for?": "2024/25",
        "What is the name of your school?": "Maple",
        "Which tank is this about?": "T05",
        "What date did you look at the tank?": "2024-11-20",
        "How many dead EGGS did you take out today?": "3",
        "What room is the tank in?": "Library",
        "What is the chiller set to (°C)?": "8.5",
        "How much of last year's filter media did you keep?": "Half",
        "How many live eggs arrived?": "200",
        "How many fish are still in the tank?": "190",
    }
    made = draft(tmp_path, "form.csv", "\n".join([",".join(asked), ",".join(asked.values()), ""]))
    taken = {
        (rows.table, name): value.text for rows in made.layout.rows for name, value in rows.columns
        if value.source == "column"
    }  # fmt: skip
    year, school, tank, day, dead, room, chiller, _, live, _ = asked
    assert taken == {
        ("tanks", "tank_id"): tank,
        ("setups", "season"): year, ("setups", "tank_id"): tank, ("setups", "site_id"): school,
        ("setups", "room_type"): room, ("setups", "set_point_c"): chiller,
        ("deliveries", "tank_id"): tank, ("deliveries", "delivered_on"): day, ("deliveries", "eggs_live"): live,
        ("losses", "tank_id"): tank, ("losses", "checked_on"): day, ("losses", "dead"): dead,
    }  # fmt: skip
    (losses,) = (rows for rows in made.layout.rows if rows.table == "losses")
    assert dict(losses.columns)["stage"] == Value("constant", "egg")
    assert [one.heading for one in made.headings if not one.uses] == [list(asked)[7], list(asked)[9]]


def test_a_word_in_a_heading_is_no_guess_where_the_cells_speak_against_it(tmp_path: Path) -> None:
    made = draft(tmp_path, "x.csv", "Tank label,Chiller hum,Filter pad,Volume l\nT-1,7.5,half,110\n")
    assert {name for rows in made.layout.rows for name, value in rows.columns if value.source == "column"} == {
        "tank_id", "volume_l",
    }  # fmt: skip


def test_a_file_with_one_known_heading_is_known_by_more(tmp_path: Path) -> None:
    """Else its draft would take in every other file that has a column of tanks."""
    (tmp_path / "a.csv").write_text("Tank,Ours,Theirs,Week 3\nT-1,x,y,z\n", encoding="utf-8")
    (tmp_path / "b.csv").write_text("Date,Tank,Water °F\n2024-11-15,T-1,47.5\n", encoding="utf-8")
    found = drafts(tmp_path, "a.csv", "b.csv")
    assert found.settled == []
    assert [one.layout.header for one in found.drafts] == [
        ("Tank", "Ours", "Theirs"),
        ("Date", "Tank", "Water °F"),
    ]


GRID = "Tank,{days}\n001,1,0,\n002,,2,3\n"


@pytest.mark.parametrize(
    ("days", "pattern", "read"),
    [
        (
            "2024-11-11,2024-11-18,2025-01-06",
            "20[0-9][0-9]-*",
            ["2024-11-11", "2024-11-18", "2024-11-18", "2025-01-06"],
        ),
        (
            "11/18/2024,11/25/2024,1/6/2025",
            "[0-9]*/[0-9]*",
            ["2024-11-18", "2024-11-25", "2024-11-25", "2025-01-06"],
        ),
    ],
)
def test_days_across_give_a_row_for_each_cell_and_the_layout_keeps_to_files_alike(
    tmp_path: Path, days: str, pattern: str, read: list[str]
) -> None:
    made = draft(tmp_path, "Alder 2024 deaths.csv", GRID.format(days=days))
    (rows,) = made.layout.rows
    assert (rows.table, rows.unpivot, made.layout.files) == ("losses", pattern, "Alder * deaths.csv")
    assert made.guesses["losses", "dead"] == "whole numbers below days"
    assert made.unknown == (("losses", "stage"),)
    assert draft_text(made).count("ignore") == 0
    (shown,) = made.preview
    assert [values[shown.columns.index("checked_on")] for _, values in shown.rows] == read


def test_a_grid_of_decimals_is_one_of_temperatures_and_one_of_words_is_none(tmp_path: Path) -> None:
    days = "2024-11-11,2024-11-18"
    (tmp_path / "a.csv").write_text(f"Tank,{days}\n001,8.1,7.9\n", encoding="utf-8")
    (tmp_path / "b.csv").write_text(f"Tank,{days}\n001,fine,cloudy\n", encoding="utf-8")
    (readings,), (words,) = (one.layout.rows for one in drafts(tmp_path, "a.csv", "b.csv").drafts)
    assert (readings.table, dict(readings.columns)["read_at"]) == ("temperatures", Value("heading"))
    assert words.unpivot is None


def test_a_lone_tank_does_not_take_in_files_of_another_kind(tmp_path: Path) -> None:
    (tmp_path / "days 2024.csv").write_text(GRID.format(days="2024-11-11,2024-11-18,2025-01-06"), encoding="utf-8")
    (tmp_path / "released.csv").write_text(
        "Tank,Release date,Fish released\n001,2025-03-01,90\n", encoding="utf-8"
    )
    made = drafts(tmp_path, "days 2024.csv", "released.csv")
    assert [one.layout.rows[0].table for one in made.drafts] == ["losses", "exits"] and made.settled == []


def test_a_count_of_dead_beside_one_that_names_its_stage_is_asked_about_and_a_total_is_left_over(
    tmp_path: Path,
) -> None:
    text = "Tank,Date,Eggs dead,Fish dead,Total dead\n001,2024-11-11,1,2,3\n"
    made = draft(tmp_path, "losses of all.csv", text)
    stages = [(dict(rows.columns)["stage"].text, dict(rows.columns)["dead"].text) for rows in made.layout.rows]
    assert stages == [("egg", "Eggs dead"), ("?", "Fish dead")]
    assert "Total dead" in [one.heading for one in made.headings if not one.uses]


def test_columns_are_known_by_their_cells_where_their_headings_say_nothing(tmp_path: Path) -> None:
    text = (
        "Timestamp,Which tank?,What day did you check?,Water (°F),How many dead?,What were they?,Set temp\n"
        "2024-11-12T18:00,001,2024-11-11,46.2,1,Eggs,8\n2024-12-20T18:00,001,2024-12-19,46.2,2,Alevins,8\n"
    )
    made = draft(tmp_path, "form.csv", text)
    losses = dict(next(rows for rows in made.layout.rows if rows.table == "losses").columns)
    assert (losses["checked_on"].text, losses["stage"].text) == ("What day did you check?", "What were they?")
    assert made.guesses["losses", "checked_on"] == "the only days that nothing else takes"
    assert made.guesses["losses", "stage"] == "its cells are the words of it"
    assert losses["stage"].words == (("eggs", "egg"), ("alevins", "alevin"))
    assert ("losses", "stage") not in made.words
    waters = [dict(rows.columns)["water_temp"].text for rows in made.layout.rows if rows.table == "temperatures"]
    assert waters == ["Water (°F)"]  # the temperature that is set is no reading


def _with_a_hidden_sheet(place: Path, *, shown: bool) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Old log"
    for row in (["Day", "Aquarium", "Dead eggs"], ["2024-11-08", "T-1", 3]):
        sheet.append(row)
    sheet.sheet_state = "hidden"
    other = book.create_sheet("Log")
    for row in [["When", "Aquarium", "Water (F)"], ["2024-11-08", "T-1", 47.5]] if shown else []:
        other.append(row)
    book.save(place)


def test_a_hidden_sheet_is_drafted_only_where_no_other_holds_rows(tmp_path: Path) -> None:
    _with_a_hidden_sheet(tmp_path / "logs.xlsx", shown=True)
    made = drafts(tmp_path, "logs.xlsx")
    assert [one.path for one in made.drafts] == [f"{tmp_path}/logs.xlsx#Log"]
    assert [(one.path, one.reason) for one in made.skipped] == [
        (
            f"{tmp_path}/logs.xlsx#Old log",
            "the sheet is hidden and fits no table; if its rows are records, unhide it and draft again",
        )
    ]
    _with_a_hidden_sheet(tmp_path / "alone.xlsx", shown=False)
    (tmp_path / "scratch").rmdir()
    (alone,) = drafts(tmp_path, "alone.xlsx").drafts
    assert [rows.table for rows in alone.layout.rows] == ["losses"]
