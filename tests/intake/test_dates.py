"""Dates as people write them: read when they can mean one day only, and never guessed."""

from __future__ import annotations

import datetime as dt
import gzip
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from tests.intake.conftest import Write, readable

from broodyear.findings import CheckResult
from broodyear.intake import check_paths, load_paths
from broodyear.intake.cell_sql import ParseOptions, value
from broodyear.intake.drafting import draft_all, draft_text
from broodyear.layouts import Layout, Layouts, Value, layouts_from
from broodyear.schemas import table
from broodyear.store import open_store

SEASONS = (dt.date(2025, 8, 1), dt.date(2027, 7, 31))


def read_as(text: str, name: str, column: str, options: ParseOptions) -> dt.datetime | dt.date | None:
    got = value(table(name), table(name).column(column), options)
    query = f'SELECT {got} FROM (SELECT ?::VARCHAR AS "t_{column}")'
    return readable().execute(query, [text]).fetchall()[0][0]


def day(text: str, options: ParseOptions) -> dt.datetime | dt.date | None:
    return read_as(text, "losses", "checked_on", options)


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("6 November 2026", "2026-11-06"),
        ("12 Dec 2025", "2025-12-12"),
        ("06-NOV-2026", "2026-11-06"),
        ("6th Sept. 2026", "2026-09-06"),
        ("1st August 2026", "2026-08-01"),
        ("Nov 6, 2026", "2026-11-06"),
        ("13.11.2026", "2026-11-13"),
        ("11/13/2026", "2026-11-13"),
        ("4/4/2026", "2026-04-04"),
        ("13.11.2026 00:00", "2026-11-13"),
        ("06-Nov-26", "2026-11-06"),
        ("6Nov26", "2026-11-06"),
        ("Friday, 6 November 2026", "2026-11-06"),
        ("fri. Nov 6, 2026", "2026-11-06"),
        ("Thurs 5th Nov 26", "2026-11-05"),
        ("Thursday, 6 November 2026", None),
        ("Friday", None),
        ("Friday 06/11/2026", None),
        ("13/11/26", "2026-11-13"),
        ("26-11-26", "2026-11-26"),
        ("3/4/2026", None),
        ("3/4/26", None),
        ("06-Nov-19", None),
        ("31/11/2026", None),
        ("31 November 2026", None),
        ("13/13/2026", None),
        ("6 Novembre 2026", None),
        ("Total", None),
        ("2026", None),
    ],
)
def test_a_day_is_read_when_it_can_mean_one_only(text: str, read: str | None) -> None:
    assert day(text, ParseOptions(seasons=SEASONS)) == (dt.date.fromisoformat(read) if read else None)


def test_a_year_in_two_figures_needs_known_seasons() -> None:
    assert day("06-Nov-26", ParseOptions()) is None


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("7 December 2025/26", "2025-12-07"),
        ("7th Dec. 2025-26", "2025-12-07"),
        ("January 7 2025/2026", "2026-01-07"),
        ("1 August 2026/27", "2026-08-01"),
        ("31 July 2026/27", "2027-07-31"),
        ("29 Feb 2026/27", None),
        ("29 Feb 2027/28", "2028-02-29"),
        # A whole date must lie in the school year beside it.
        ("7/12/2025 2025/26", "2025-12-07"),
        ("2025-12-07 2025/26", "2025-12-07"),
        ("7/12/2025 2026/27", None),
        ("7 December 2025/27", None),
        ("about the 3rd 2025/26", None),
        ("12/7 2025/26", "2026-07-12"),
        ("26/11 2025-26", "2025-11-26"),
        ("11/26 2025/26", None),
        ("26.11. 2025/26", "2025-11-26"),
        ("5.1. 2025/26", "2026-01-05"),
        ("31.4. 2025/26", None),
        ("December 2025/26", None),
        ("7 December", None),
        ("2025/26", None),
    ],
)
def test_a_day_without_a_year_lies_in_the_school_year_beside_it(text: str, read: str | None) -> None:
    options = ParseOptions(seasons=SEASONS, any_clock=True, date_order="day_first")
    assert day(text, options) == (dt.date.fromisoformat(read) if read else None)
    moment = read_as(text, "temperatures", "read_at", options)  # a reading of a day without an hour
    assert moment == (dt.datetime.fromisoformat(read) if read else None)
    if "/" in text or read is None:
        assert day(text, replace(options, any_clock=False)) is None  # a layout joins the two


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("26/11 2025/26", "2025-11-26"),
        ("1/14 2025/26", "2026-01-14"),
        ("5/11 2025/26", None),
        ("5/5 2025/26", "2026-05-05"),
    ],
)
def test_figures_without_a_year_are_read_where_they_can_mean_one_day(text: str, read: str | None) -> None:
    """No season of the programme need be known: the school year stands beside the day."""
    assert day(text, ParseOptions(any_clock=True)) == (dt.date.fromisoformat(read) if read else None)


def test_a_season_begins_where_the_settings_say() -> None:
    options = ParseOptions(any_clock=True, season_start=dt.date(2023, 6, 1))
    assert day("7 June 2025/26", options) == dt.date(2025, 6, 7)
    assert day("7 June 2025/26", ParseOptions(any_clock=True)) == dt.date(2026, 6, 7)


STAMPS = ["07/12/2025 14:26:11", "7/12/2025 2:26 PM", "2025-12-07T14:26:11", "7 Dec 2025 14:26"]


@pytest.mark.parametrize("text", STAMPS)
def test_a_timestamp_gives_its_day_where_a_layout_says_so(text: str) -> None:
    options = ParseOptions(any_clock=True, date_order="day_first")
    assert day(text, options) == dt.date(2025, 12, 7)
    assert day(text, replace(options, any_clock=False)) is None


STAMPED = """
[[layout]]
name = "form"
header = ["Stamp", "Tank", "Dead"]
date_order = "day_first"
[[layout.rows]]
table = "losses"
[layout.rows.columns]
tank_id = { column = "Tank" }
checked_on = { column = "Stamp" }
stage = { constant = "egg" }
dead = { column = "Dead" }
"""


@pytest.mark.parametrize(("clock", "is_said"), [("14:26:11", True), ("00:00:00", False)])
def test_hours_that_are_left_out_are_said(uploads: Path, write: Write, clock: str, is_said: bool) -> None:
    place = write("form.csv", f"Stamp,Tank,Dead\n07/12/2024 {clock},T-001,3\n")
    layouts = layouts_from(tomllib.loads(STAMPED), "layouts.toml")
    result = check_paths([uploads / "tanks.csv", place], layouts=layouts)
    assert [one for one in result.findings if one.level == "error"] == []
    notes = next(one.notes for one in result.files if one.path.endswith("form.csv"))
    assert ("hours beside a day were left out where a column holds days" in notes) is is_said


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("5/11 2024/25", "In its layout, date_order says whether the day or the month stands first. "),
        ("the 5th 2024/25", ""),
    ],
)
def test_a_day_that_a_school_year_has_twice_or_not_is_refused(
    uploads: Path, write: Write, text: str, said: str
) -> None:
    place = write("form.csv", f"Stamp,Tank,Dead\n{text},T-001,3\n")
    layouts = layouts_from(tomllib.loads(STAMPED.replace('date_order = "day_first"', "")), "layouts.toml")
    (found,) = (one for one in check_paths([uploads / "tanks.csv", place], layouts=layouts).findings)
    assert found.advice == (
        f"That is no one day of the school year behind it. {said}Write it year first, for example 2024-11-08."
    )


GRID = """
[[layout]]
name = "by week"
header = ["Tank", "15 Nov"]
[[layout.rows]]
table = "losses"
unpivot = "[0-9]*"
[layout.rows.columns]
tank_id = { column = "Tank" }
checked_on = { heading = true, and = BESIDE }
stage = { constant = "egg" }
dead = { cell_value = true }
"""


@pytest.mark.parametrize(
    ("beside", "year"),
    [('"School year"', "2024/25"), ('{ file_name = "(?P<value>20[0-9]{2}-[0-9]{2})" }', "2024-25")],
)
def test_a_grid_of_weeks_takes_its_days_from_the_headings(
    write: Write, uploads: Path, tmp_path: Path, beside: str, year: str
) -> None:
    grid = "Tank,School year,15 Nov,3/1\nT-001,2024/25,4,\nT-001,2024/25,,7\n"
    place = write("losses 2024-25.csv", grid)
    layouts = layouts_from(tomllib.loads(GRID.replace("BESIDE", beside)), "layouts.toml")
    with open_store(tmp_path / "s.duckdb", for_loading=True) as store:
        result = load_paths(store, [uploads / "tanks.csv", place], layouts=layouts)
        losses = store.table("losses")
    (found,) = (one for one in result.findings if one.level == "error")
    assert found.value == f"3/1 {year}"  # 3 January or 1 March, for no date_order says
    assert losses[["checked_on", "dead"]].astype(str).to_numpy().tolist() == [["2024-11-15", "4"]]


HATCHING = (
    "School year,Tank,Hatching\n2024/25,T-001,7 December\n2024/25,T-002,19/12/2024\n2024/25,T-003,5 Dezember\n"
)
SETUPS = "season,tank_id,site_id,room_type,gravel_practice\n2024,T-001,S-01,office,bare\n"


def test_days_of_a_sheet_with_a_column_of_school_years(uploads: Path, write: Write, tmp_path: Path) -> None:
    write("setups.csv", SETUPS)
    place = write("hatching.csv", HATCHING)
    (draft,) = draft_all([place], tmp_path).drafts
    (rows,) = draft.layout.rows
    assert dict(rows.columns)["first_seen_on"] == Value("column", "Hatching", "School year")
    text = draft_text(draft).replace('"?"', '"hatch_half"').replace("# guess", "# ours")
    with open_store(tmp_path / "s.duckdb", for_loading=True) as store:
        result = load_paths(store, [uploads], layouts=layouts_from(tomllib.loads(text), "layouts.toml"))
        stages = store.table("stages").set_index("tank_id")["first_seen_on"]
        assert stages.astype(str).to_dict() == {"T-001": "2024-12-07", "T-002": "2024-12-19"}
    (refused,) = (one for one in result.findings if one.level == "error")
    assert (refused.message, refused.advice) == (
        'found "5 Dezember 2024/25"; expected a date written like 2024-11-08',
        "That is no one day of the school year behind it. Write it year first, for example 2024-11-08.",
    )


def test_a_day_without_a_year_is_refused_with_what_to_write(uploads: Path, write: Write) -> None:
    place = write("stages.csv", "tank_id,stage,first_seen_on\nT-001,hatch_half,7 December\n")
    (found,) = check_paths([uploads / "tanks.csv", place]).findings
    assert found.advice == (
        "It has no year. Write it year first, for example 2024-11-08; in a layout, `and` joins the school "
        "year to it, from its column or from the file's name."
    )


@pytest.mark.parametrize("said", ["hatching 2024-25.csv", "hatching 2024–2025.csv"])
def test_days_of_a_file_whose_name_tells_the_school_year(
    said: str, uploads: Path, write: Write, tmp_path: Path
) -> None:
    write("setups.csv", SETUPS)
    place = write(said, "Tank,All hatched\nT-001,7 December\nT-002,\nT-003,19/12/2024\n")
    (draft,) = draft_all([place], tmp_path).drafts
    (rows,) = draft.layout.rows
    year = Value("file_name", "(?P<value>20[0-9]{2}[–-](?:20)?[0-9]{2})")
    assert dict(rows.columns)["first_seen_on"] == Value("column", "All hatched", behind=year)
    assert draft.layout.files == "hatching *.csv"
    assert draft.guesses["stages", "first_seen_on"] == "words in it, with the school year in the name of the file"
    assert draft.preview[0].rows[0] == (2, ("T-001", "hatch_all", "2024-12-07"))
    layouts = layouts_from(tomllib.loads(draft_text(draft)), "layouts.toml")
    assert layouts.layouts == (draft.layout,)
    with open_store(tmp_path / "s.duckdb", for_loading=True) as store:
        result = load_paths(store, [uploads], layouts=layouts)
        stages = store.table("stages").set_index("tank_id")["first_seen_on"]
        assert stages.astype(str).to_dict() == {"T-001": "2024-12-07", "T-003": "2024-12-19"}
        next_year = write("hatching 2025-26.csv", "Tank,All hatched\nT-001,7 December\n")
        setups = write("setups_b.csv", SETUPS.replace("2024", "2025"))
        load_paths(store, [next_year, setups], layouts=layouts)
        assert str(store.table("stages")["first_seen_on"].max())[:10] == "2025-12-07"
    assert result.exit_code == 0


@pytest.mark.parametrize("name", ["hatching 2024-11-08.csv", "hatching 2011-12-05.csv", "hatching 2024.csv"])
def test_a_date_or_a_year_in_a_name_is_no_school_year(name: str, write: Write, tmp_path: Path) -> None:
    (draft,) = draft_all([write(name, "Tank,All hatched\nT-001,7 December\n")], tmp_path).drafts
    assert dict(draft.layout.rows[0].columns)["first_seen_on"] == Value("column", "All hatched")


@pytest.mark.parametrize(
    ("order", "read"), [("day_first", "2026-04-03"), ("month_first", "2026-03-04"), ("year_first", None)]
)
def test_the_order_of_a_layout_settles_it(order: str, read: str | None) -> None:
    got = day("03/04/2026", ParseOptions(date_order=order))  # type: ignore[arg-type] - words of the parameters
    assert got == (dt.date.fromisoformat(read) if read else None)


@pytest.mark.parametrize(
    ("text", "any_clock", "read"),
    [
        ("13.11.2026 14:30", False, "2026-11-13 14:30:00"),
        ("6 Nov 2026, 7:05:09", False, "2026-11-06 07:05:09"),
        ("13.11.2026 24:00", False, "2026-11-14 00:00:00"),
        ("13.11.2026 2:30 PM", False, None),
        ("13.11.2026 2:30 PM", True, "2026-11-13 14:30:00"),
        ("2026-11-06 12:05 am", True, "2026-11-06 00:05:00"),
        ("2026-11-06 7:15", True, "2026-11-06 07:15:00"),
        ("2026-11-06 13:15 PM", True, None),
        ("13.11.2026 25:00", True, None),
        ("13.11.2026 at noon", True, None),
    ],
)
def test_a_moment_needs_a_clock_that_means_one_time(text: str, any_clock: bool, read: str | None) -> None:
    got = read_as(text, "temperatures", "read_at", ParseOptions(any_clock=any_clock))
    assert got == (dt.datetime.fromisoformat(read) if read else None)


def losses(result: CheckResult) -> tuple[tuple[str, ...], list[str]]:
    (report,) = (report for report in result.files if report.path.endswith("losses.csv"))
    return report.notes, [finding.advice for finding in result.findings if finding.rule == "ambiguous_date"]


def test_a_file_that_proves_an_order_offers_the_line_to_write(uploads: Path, write: Write) -> None:
    write("losses.csv", "tank_id,checked_on,stage,dead\nT-001,03/04/2025,egg,1\nT-001,13/04/2025,egg,2\n")
    notes, advice = losses(check_paths([uploads]))
    assert notes == ("dates not written year first were read where they can mean one day only",)
    assert advice == [
        "It can mean two days. Write 2025-04-03 or 2025-03-04, whichever is meant. The file itself proves day "
        'first, by 13/04/2025.\nIn its layout: date_order = "day_first"'
    ]
    layout = Layout("losses", ("tank_id", "checked_on"), date_order="day_first")
    result = check_paths([uploads], layouts=Layouts((layout,)))
    assert losses(result) == (("dates were read day first, as the layout says",), [])
    assert result.exit_code == 0


def test_dates_that_nothing_settles_are_settled_by_one_line(uploads: Path, write: Write) -> None:
    write("losses.csv", "tank_id,checked_on,stage,dead\nT-001,03/04/2025,egg,1\nT-001,05/04/2025,egg,2\n")
    _, advice = losses(check_paths([uploads]))
    assert advice[0] == (
        "It can mean two days. Write 2025-04-03 or 2025-03-04, whichever is meant. All dates of the file are "
        'settled by one line.\nIn its layout: date_order = "month_first", or date_order = "day_first"'
    )


def test_a_file_that_contradicts_itself_proves_nothing(uploads: Path, write: Write) -> None:
    rows = "T-001,03/04/2025,egg,1\nT-001,13/04/2025,egg,2\nT-001,04/14/2025,egg,2\n"
    write("losses.csv", f"tank_id,checked_on,stage,dead\n{rows}")
    _, advice = losses(check_paths([uploads]))
    assert advice == ["It can mean two days. Write 2025-04-03 or 2025-03-04, whichever is meant."]


def test_years_in_two_figures_lie_in_the_seasons_of_the_set_ups(uploads: Path, write: Write) -> None:
    setups = (
        "season,tank_id,site_id,room_type,gravel_practice,filled_on\n2024/25,T-001,S-01,office,bare,1-Oct-24\n"
    )
    write("setups.csv", setups)
    write("losses.csv", "tank_id,checked_on,stage,dead\nT-001,06-Nov-24,egg,1\nT-002,6-Nov-24,egg,1\n")
    result = check_paths([uploads])
    notes, _ = losses(result)
    assert result.exit_code == 0
    assert notes == (
        "dates not written year first were read where they can mean one day only",
        "years in two figures were read within the programme's seasons, 2024-08-01 to 2025-07-31",
        "rows of tanks without a set-up in their season are kept, and join when it arrives: T-002 in 2024/25",
    )


def test_a_plain_file_called_compressed_is_read_with_a_note(uploads: Path, write: Write) -> None:
    rows = b"tank_id,checked_on,stage,dead\nT-001,2024-11-06,egg,1\n"
    write("losses_a.csv.gz", rows)
    write("losses_b.csv.gz", gzip.compress(b"tank_id,checked_on,stage,dead\nT-002,2024-11-06,egg,1\n"))
    notes = {report.path[-15:]: report.notes for report in check_paths([uploads]).files}
    assert notes["losses_a.csv.gz"] == ("the name says that it is compressed, and it is not; read as it is",)
    assert notes["losses_b.csv.gz"] == ()


@pytest.mark.parametrize(
    ("column", "cell", "advice"),
    [
        ("dead", "none", "Write 0 when there were none."),
        (
            "dead",
            "#REF!",
            "A spreadsheet shows this in place of a value; mend the formula, or write the number itself.",
        ),
        ("dead", "two", "Write the number alone, for example 2; leave it blank when it was not recorded."),
    ],
)
def test_advice_can_be_followed(uploads: Path, write: Write, column: str, cell: str, advice: str) -> None:
    write("losses.csv", f"tank_id,checked_on,stage,{column}\nT-001,2024-11-06,egg,{cell}\n")
    (finding,) = check_paths([uploads]).findings
    assert finding.advice == advice


def test_a_day_of_another_day_of_the_week_is_asked_about(uploads: Path, write: Write) -> None:
    write("losses.csv", 'tank_id,checked_on,stage,dead\nT-001,"Thursday, 6 November 2026",egg,1\n')
    (finding,) = [one for one in check_paths([uploads]).findings if one.level == "error"]
    assert finding.advice == (
        "It is no day, or another one of the week. Write it year first, for example 2024-11-08."
    )


def test_a_column_known_by_another_name_is_to_be_renamed(uploads: Path, write: Write) -> None:
    write("setups.csv", "season,tank_id,site_id,room_type,gravel\n2024,T-001,S-01,office,bare\n")
    assert check_paths([uploads]).findings[0].advice == "Rename gravel to gravel_practice."


def test_dates_after_the_day_of_the_load_are_warned_of(uploads: Path, write: Write) -> None:
    write("losses.csv", "tank_id,checked_on,stage,dead\nT-001,2026-11-29,egg,1\nT-001,2031-02-01,egg,2\n")
    write("temperatures.csv", "tank_id,read_at,water_temp\nT-001,2026-11-29T23:59,8\nT-001,2027-01-09,8\n")
    result = check_paths([uploads], today=dt.date(2026, 11, 29))
    told = [one for one in result.findings if one.rule == "in_the_future"]
    assert [(one.table, one.line, one.column, one.level, one.message) for one in told] == [
        ("losses", 3, "checked_on", "warning", "1 date lies in the future, the latest 2031-02-01"),
        ("temperatures", 3, "read_at", "warning", "1 date lies in the future, the latest 2027-01-09"),
    ]
    assert told[0].advice == (
        "Look up the year, or the clock it came from, and send the row again as it should be."
    )
    assert result.exit_code == 0
    assert not [one for one in check_paths([uploads]).findings if one.rule == "in_the_future"]
