"""What columns mean: the layout that choices make, what still has to be said, and the pages."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from tests.desk.conftest import AtHome, let_in, settle

from broodyear.desk.access import KEY_FIELD
from broodyear.desk.mapping import choices, problems
from broodyear.desk.mapping.drafts import Draft, Drafts, Sheet
from broodyear.desk.state import Desk
from broodyear.layouts import Layout, Rows, Value, layout_text, layouts_from, read_layouts

MakeDesk = Callable[..., Desk]

ROWS = (
    ("03/04/26", "08:10", "46.9", "", "", "sunny"),
    ("03/05/26", "", "47.1", "2", "sac fry", "rain"),
    ("03/07/26", "08:00", "", "none", "egg", ""),
)
DIARY = Sheet(
    name="diary GUL-01.xlsx#Log", file="diary GUL-01.xlsx", sheet="Log", others=("diary GUL-02.xlsx#Log",),
    header_line=3,
    headings=("Date", "Time", "Water (F)", "Dead", "Stage", "Weather"), rows=ROWS,
    values=tuple(tuple(dict.fromkeys(column)) for column in zip(*ROWS, strict=True)), above={"B1": "GUL-01"},
)  # fmt: skip
TANK = Value("file_name", r"(?P<value>[^\s_]+)\.[^.]+$")
SAID = Draft(
    "site diary",
    {
        "Date": "date", "Time": "time", "Water (F)": "temperatures.water_temp", "Dead": "losses.dead",
        "Stage": "losses.stage", "Weather": "leave",
    },
    fixed={"tank_id": TANK, "temperatures.unit": Value("constant", "F")},
    date_order="month_first",
    words={"Dead": {"none": "0"}, "Stage": {"sac fry": "alevin"}},
)  # fmt: skip
LAYOUT = Layout(
    "site diary", DIARY.headings[:-1], date_order="month_first", ignore=("Weather",),
    rows=(
        Rows(
            "temperatures",
            (
                ("tank_id", Value("file_name", TANK.text)), ("read_at", Value("column", "Date", "Time")),
                ("water_temp", Value("column", "Water (F)")), ("unit", Value("constant", "F")),
            ),
            ("Water (F)",),
        ),
        Rows(
            "losses",
            (
                ("tank_id", Value("file_name", TANK.text)), ("checked_on", Value("column", "Date")),
                ("stage", Value("column", "Stage", words=(("sac fry", "alevin"),))),
                ("dead", Value("column", "Dead", words=(("none", "0"),))),
            ),
            ("Dead",),
        ),
    ),
)  # fmt: skip


def said(draft: Draft, sheet: Sheet = DIARY) -> list[str]:
    return [problem.message for problem in problems.problems(sheet, draft)]


def test_choices_make_the_layout_that_says_them() -> None:
    assert said(SAID) == []
    made = choices.layout_of(DIARY, SAID)
    assert made == LAYOUT
    assert layouts_from(tomllib.loads(layout_text(made)), "layouts.toml").layouts == (LAYOUT,)


def test_a_layout_read_back_as_choices_is_the_same_and_marked_as_guessed() -> None:
    draft = choices.draft_from(DIARY, LAYOUT)
    assert replace(draft, guesses=frozenset()) == replace(SAID, words=draft.words)
    assert draft.guesses == set(DIARY.headings) and choices.layout_of(DIARY, draft) == LAYOUT


def test_words_behind_counts_stay_with_the_column_they_were_drafted_for(tmp_path: Path) -> None:
    readings, losses = LAYOUT.rows
    dead = Value("column", "Dead", words=(("none", "0"),), without=("egg", "eggs"))
    layout = replace(LAYOUT, rows=(readings, replace(losses, columns=(*losses.columns[:-1], ("dead", dead)))))
    drafts = Drafts(tmp_path / "drafts")
    number = drafts.add(DIARY, choices.draft_from(DIARY, layout))
    kept = drafts.read(number)
    assert kept is not None and choices.layout_of(*kept[:2]) == layout


def test_a_tank_that_is_told_by_its_site_and_its_number() -> None:
    rows = (("2025-05-11", "Hill School", "1", "90"), ("2025-05-12", "Mill Lane", "1", "70"))
    headings = ("Date", "School", "Tank", "Fish released")
    columns = (
        ("tank_id", Value("column", "School", "Tank")), ("exited_on", Value("column", "Date")),
        ("fate", Value("constant", "released")), ("count", Value("column", "Fish released")),
    )  # fmt: skip
    layout = Layout("releases", headings, rows=(Rows("exits", columns),))
    sheet = Sheet("releases.csv", "releases.csv", None, (), 1, headings, rows, tuple(zip(*rows, strict=True)))
    draft = choices.draft_from(sheet, layout)
    assert (draft.meaning("School"), draft.meaning("Tank")) == ("site_id", "tank_at_site")
    assert said(draft, sheet) == [] and choices.layout_of(sheet, draft) == layout
    assert [row[0] for row in problems.previews(sheet, draft)[0].rows] == ["Hill School 1", "Mill Lane 1"]
    alone = replace(draft, meanings={**draft.meanings, "School": "leave"})
    assert said(alone, sheet) == ["The number of a tank at its site needs the column that names the site."]


def test_the_first_rows_are_shown_as_they_will_read() -> None:
    temperatures, losses = problems.previews(DIARY, SAID)
    first, second = temperatures.rows
    assert first == ("GUL-01", "2026-03-04 08:10", "46.9", "F") and second == ("GUL-01", "2026-03-05", "47.1", "F")
    assert losses.columns == ("tank_id", "checked_on", "stage", "dead")
    assert losses.rows == (("GUL-01", "2026-03-05", "alevin", "2"), ("GUL-01", "2026-03-07", "egg", "0"))


LACKS = "No column gives the {}, which is needed; say below where it comes from."


def with_meaning(**meanings: str) -> Draft:
    return replace(SAID, meanings={**SAID.meanings, **meanings})


@pytest.mark.parametrize(
    ("draft", "message"),
    [
        (with_meaning(Weather=""), "Say what “Weather” means, or that it is left out."),
        (with_meaning(Weather="date"), "“Date” and “Weather” both mean date; only one can."),
        (with_meaning(Weather="losses.dead"), "“Dead” and “Weather” both mean dead (losses); only one can."),
        (with_meaning(Stage="leave"), LACKS.format("stage (losses)")),
        (replace(SAID, fixed={}), LACKS.format("tank")),
        (replace(SAID, date_order=""), "The dates can be read in more than one way; say below which is meant."),
        (with_meaning(Date="leave"), "A time of day needs a date beside it."),
        (
            Draft("x", dict.fromkeys(DIARY.headings, "leave")),
            "Say of at least one column which table it belongs to.",
        ),
    ],
)  # fmt: skip
def test_what_still_has_to_be_said_is_said_at_once(draft: Draft, message: str) -> None:
    assert message in said(draft)


def test_the_unit_of_a_reading_is_asked_for() -> None:
    assert said(replace(SAID, fixed={"tank_id": TANK})) == [LACKS.format("unit (temperatures)")]


@pytest.mark.parametrize(
    ("texts", "orders"),
    [
        (["03/04/26", "03/05/26"], ["day_first", "month_first"]),
        (["03/04/26", "03/13/26"], ["month_first"]),
        (["13.4.2026"], ["day_first"]),
        (["2026-04-03"], ["year_first"]),
        (["13/04/26", "04/13/26"], []),
        (["6 November 2026", "12 Dec 2025"], None),
    ],
)
def test_dates_prove_their_order_or_it_is_asked(texts: list[str], orders: list[str] | None) -> None:
    sheet = replace(DIARY, values=(tuple(texts), *DIARY.values[1:]))
    assert problems.date_orders(sheet, SAID) == orders


@pytest.mark.parametrize(
    ("headings", "patterns"),
    [
        (("Day", "GUL-01", "GUL-02"), ["GUL-*"]),
        (("Day", "GUL-01", "GUL note"), ["GUL-01"]),
        (("Day", "T[1]", "Big?"), ["T[[]1]", "Big[?]"]),
    ],
)
def test_a_column_for_each_tank(headings: tuple[str, ...], patterns: list[str]) -> None:
    meanings = {"Day": "date", **dict.fromkeys(headings[1:], "each:temperatures.water_temp")}
    if "GUL note" in meanings:
        meanings["GUL note"] = "leave"
    rows = (("2026-03-04", "8.1", "8.2"), ("2026-03-05", "", "8.3"))
    sheet = replace(DIARY, headings=headings, rows=rows, values=tuple(zip(*rows, strict=True)))
    draft = Draft("by tank", meanings, fixed={"temperatures.unit": Value("constant", "C")})
    assert said(draft, sheet) == []
    made = choices.layout_of(sheet, draft)
    assert [one.unpivot for one in made.rows] == patterns and made.header[0] == "Day"
    assert dict(made.rows[0].columns)["tank_id"] == Value("heading")
    shown = problems.previews(sheet, draft)[0]
    assert (headings[1], "2026-03-04", "8.1", "C") in shown.rows and ("2026-03-05", "") not in shown.rows
    assert replace(choices.draft_from(sheet, made), guesses=frozenset()) == draft


def sheet_of(*rows: tuple[str, ...]) -> Sheet:
    """A plain file of these headings and rows."""
    headings, *below = rows
    return Sheet("own.csv", "own.csv", None, (), 1, headings, tuple(below), tuple(zip(*below, strict=True)))


def test_a_column_for_each_stage() -> None:
    sheet = sheet_of(
        ("Tank", "Date", "Dead eggs", "Dead fry"), ("T-1", "2025-01-12", "3", ""), ("T-1", "2025-04-02", "", "1")
    )
    meanings = ("tank_id", "date", "losses.dead:egg", "losses.dead:fry")
    draft = Draft("by stage", dict(zip(sheet.headings, meanings, strict=True)))
    assert said(draft, sheet) == []
    made = choices.layout_of(sheet, draft)
    assert [(dict(one.columns)["stage"].text, one.only_when) for one in made.rows] == [
        ("egg", ("Dead eggs",)), ("fry", ("Dead fry",)),
    ]  # fmt: skip
    assert layouts_from(tomllib.loads(layout_text(made)), "layouts.toml").layouts == (made,)
    (shown,) = problems.previews(sheet, draft)
    assert shown.rows == (("T-1", "2025-01-12", "egg", "3"), ("T-1", "2025-04-02", "fry", "1"))
    assert replace(choices.draft_from(sheet, made), guesses=frozenset()) == draft
    twice = replace(draft, meanings={**draft.meanings, "Dead fry": "losses.dead:egg"})
    assert "“Dead eggs” and “Dead fry” both mean egg: dead (losses); only one can." in said(twice, sheet)
    both = replace(draft, meanings={**draft.meanings, "Dead fry": "losses.dead"})
    assert LACKS.format("stage (losses)") in said(both, sheet)
    assert [one.only_when for one in choices.layout_of(sheet, both).rows] == [(), ("Dead eggs",)]


def test_a_day_without_its_year_is_read_with_the_season() -> None:
    rows = ("Tank", "School year", "Hatched", "Button-up"), ("T-1", "2022/23", "7 December", "2 March")
    sheet = sheet_of(*rows)
    meanings = ("tank_id", "season", "stages.first_seen_on:hatch_half", "stages.first_seen_on:button_up")
    draft = Draft("school years", dict(zip(sheet.headings, meanings, strict=True)))
    assert said(draft, sheet) == []
    made = choices.layout_of(sheet, draft)
    assert [dict(one.columns)["first_seen_on"].joined for one in made.rows] == ["School year", "School year"]
    assert problems.previews(sheet, draft)[0].rows[1] == ("T-1", "button_up", "2 March 2022/23")
    assert replace(choices.draft_from(sheet, made), guesses=frozenset()) == draft
    alone = replace(draft, meanings={**draft.meanings, "School year": "leave"})
    assert said(alone, sheet) == [LACKS.format("season")]
    fixed = replace(alone, fixed={"season": Value("constant", "2022/23")})
    made = choices.layout_of(sheet, fixed)
    assert said(fixed, sheet) == [] and {dict(one.columns)["first_seen_on"].behind for one in made.rows} == {
        Value("constant", "2022/23")
    }
    assert problems.previews(sheet, fixed)[0].rows[1] == ("T-1", "button_up", "2 March 2022/23")
    assert replace(choices.draft_from(sheet, made), guesses=frozenset()) == fixed
    dated = replace(sheet, values=(*sheet.values[:2], ("2022-12-07",), ("2 March 2023",)))
    assert {dict(one.columns)["first_seen_on"].joined for one in choices.layout_of(dated, draft).rows} == {None}


# ---- the pages ------------------------------------------------------------------------------------------------


@pytest.fixture
def desk(make_desk: MakeDesk) -> Desk:
    made = make_desk()
    guess = Draft("diary", {name: SAID.meanings[name] for name in ("Date", "Water (F)")}, frozenset({"Date"}))
    assert made.drafts.add(DIARY, guess) == 1
    return made


def send(client: AtHome, desk: Desk, **fields: Any) -> str:
    sent = {KEY_FIELD: desk.access.key, **{name.replace("__", "."): value for name, value in fields.items()}}
    assert client.post("/columns/1", data=sent).status_code == 303
    return client.get("/columns/1").data.decode()


def test_choices_are_taken_undone_and_kept(desk: Desk) -> None:
    client = let_in(desk)
    page = client.get("/columns/1").data.decode()
    assert "a guess" in page and "Keep this" not in page and "The tank is" in page
    choices = {f"meaning.{place}": SAID.meanings[name] for place, name in enumerate(DIARY.headings)}
    page = send(client, desk, **choices, date_order="month_first")
    assert "reads as 2026-03-05" in page and "“sac fry” means" in page and "Undo" in page
    page = send(client, desk, undo="1")
    assert "“sac fry” means" not in page
    offered = [fixed for fixed, _, _ in problems.fixed_sources(DIARY, SAID)]
    send(client, desk, **choices, date_order="month_first", name="site diary")
    page = send(
        client, desk, **{"fixed.tank_id": str(offered.index(TANK)), "text.temperatures.unit": "F",
        "fixed.temperatures.unit": "", "word.3.0": "0", "word.4.0": "alevin"},
    )  # fmt: skip
    assert "Everything is said" in page and "Keep this" in page
    sent = {KEY_FIELD: desk.access.key, "keep": "1"}
    assert client.post("/columns/1", data=sent).headers["Location"].endswith(f"{desk.access.home}/")
    assert read_layouts(desk.layouts_file).layouts == (LAYOUT,)
    assert client.get("/columns/1").status_code == 404


def test_the_example_of_a_date_is_a_date(desk: Desk) -> None:
    """Of readings and losses at once: not the moment that readings have."""
    said = {"meaning__0": "leave", "meaning__2": "temperatures.water_temp", "meaning__3": "losses.dead"}
    page = send(let_in(desk), desk, **said)
    assert "The date is" in page and 'name="text.date" type="search" placeholder="2024-11-08"' in page


def test_files_whose_columns_are_looked_at_stay_as_they_came(make_desk: MakeDesk) -> None:
    desk = make_desk()
    client = let_in(desk)
    texts = (b"Tank,Day,Degrees\nT-1,2025-01-20,8.1\n", b"Tank,Day,Dead eggs,Dead fry\nT-1,2025-01-20,3,\n")
    for number, text in enumerate(texts):
        desk.basket.add(f"own {number}.csv", [text])
    for file in desk.basket.listed():
        client.post("/columns/begin", data={KEY_FIELD: desk.access.key, "file": file.shown})
        settle(desk)
    assert [sheet.name for _, sheet in desk.drafts.listed()] == ["own 0.csv", "own 1.csv"]
    assert [file.path.read_bytes() for file in desk.basket.listed()] == [*texts]


def test_a_layout_of_the_same_name_is_kept_beside_the_other(desk: Desk) -> None:
    desk.layouts_file.write_text(f"# ours\n{layout_text(LAYOUT)}", encoding="utf-8")
    desk.keep_layout(LAYOUT)
    kept = desk.layouts_file.read_text(encoding="utf-8")
    assert kept.startswith("# ours\n")
    assert [one.name for one in read_layouts(desk.layouts_file).layouts] == ["site diary", "site diary (2)"]


@pytest.mark.parametrize(
    "fields",
    [
        {"meaning.0": "nothing.known"},
        {"fixed.tank_id": "99"},
        {"fixed.tank_id": "-1"},
        {"word.99.99": "x"},
        {"date_order": "sideways"},
        {"name": "\0" * 200},
    ],
)
def test_odd_choices_change_nothing_and_break_nothing(desk: Desk, fields: dict[str, str]) -> None:
    client = let_in(desk)
    before = desk.drafts.read(1)
    send(client, desk, **fields)
    after = desk.drafts.read(1)
    assert (
        before
        and after
        and choices.layout_of(DIARY, replace(after[1], name="diary"))
        == choices.layout_of(DIARY, replace(before[1], name="diary"))
    )


def test_headings_and_cells_are_text_whatever_they_hold(make_desk: MakeDesk, tmp_path: Path) -> None:
    desk = make_desk()
    code = '<img src=x onerror="1">'
    desk.drafts.add(replace(DIARY, name=code, headings=(code, *DIARY.headings[1:]), rows=((code,) * 6,)), SAID)
    page = let_in(desk).get("/columns/1").data
    assert code.encode() not in page and b"&lt;img" in page
