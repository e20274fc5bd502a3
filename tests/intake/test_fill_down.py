"""A label that stands once above the lines it is meant for: a layout fills it down, and says so."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

from broodyear.cli import main
from broodyear.intake import check_paths, load_paths, plain_files
from broodyear.intake.drafting import draft_all, draft_text
from broodyear.layouts import Layouts, layouts_from, read_layouts
from broodyear.store import Store, open_store

NOTE = "blank cells hold what stands above them below Tank"
DIARY = """Tank,Day,Water (C),Dead eggs
,2024-11-07,8.0,4
T-001,2024-11-08,8.1,2
,2024-11-09,8.3,
 ,2024-11-10,,1

T-002,2024-11-08,8.0,x
.,2024-11-09,8.2,0
"""
COLUMNS = {
    "temperatures": {"tank_id": "Tank", "read_at": "Day", "water_temp": "Water (C)"},
    "losses": {"tank_id": "Tank", "checked_on": "Day", "dead": "Dead eggs"},
}


def layout(*tables: str, fill_down: tuple[str, ...] = ("Tank",)) -> Layouts:
    rows = [
        {
            "table": table,
            "only_when": [list(COLUMNS[table].values())[-1]],
            "columns": {name: {"column": heading} for name, heading in COLUMNS[table].items()}
            | ({"stage": {"constant": "egg"}} if table == "losses" else {}),
        }
        for table in tables
    ]
    entry = {"name": "diary", "header": ["Tank", "Day"], "fill_down": list(fill_down), "rows": rows}
    return layouts_from({"layout": [entry if rows else {**entry, "header": ["tank_id"]}]}, "layouts.toml")


@pytest.fixture
def store(uploads: Path, tmp_path: Path) -> Store:
    opened = open_store(tmp_path / "s.duckdb", for_loading=True)
    load_paths(opened, [uploads / name for name in ("sites.csv", "tanks.csv")])
    return opened


@pytest.mark.parametrize("tables", [("temperatures", "losses"), ("losses",)])
@pytest.mark.parametrize("at_once", [True, False])
def test_blank_labels_are_those_above_them_and_the_first_is_missed(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_once: bool, tables: tuple[str, ...]
) -> None:
    if at_once:  # as large texts are received
        monkeypatch.setattr(plain_files, "ROWS_AT_A_TIME", 1)
    (tmp_path / "diary.csv").write_text(DIARY, encoding="utf-8")
    result = load_paths(store, [tmp_path / "diary.csv"], layouts=layout(*tables), rejects=tmp_path / "to_mend")
    (file,) = result.files
    assert NOTE in file.notes
    assert file.rows_read == 6
    kept_out = {(one.line, one.table, one.rule) for one in result.findings}
    assert kept_out == {(2, table, "required_blank") for table in tables} | {(7, "losses", "not_a_number")}
    losses = store.table("losses").sort_values(["tank_id", "checked_on"])
    assert losses[["tank_id", "dead"]].to_numpy().tolist() == [["T-001", 2], ["T-001", 1], ["T-002", 0]]
    read = store.table("temperatures")["tank_id"].tolist() if "temperatures" in tables else []
    assert sorted(read) == ["T-001", "T-001", "T-002", "T-002"] * ("temperatures" in tables)
    copies = "".join(path.read_text(encoding="utf-8") for path in (tmp_path / "to_mend").glob("*.csv"))
    assert "T-002,2024-11-08,egg,x," in copies  # with its label, for nothing stands above it there


def test_a_table_with_its_own_columns_is_filled_as_well(store: Store, tmp_path: Path) -> None:
    text = "tank_id,checked_on,stage,dead\nT-001,2024-12-02,egg,1\n,2024-12-03,egg,2\n"
    (tmp_path / "losses.csv").write_text(text, encoding="utf-8")
    result = load_paths(store, [tmp_path / "losses.csv"], layouts=layout(fill_down=("tank_id",)))
    assert result.files[0].rows_accepted == 2
    assert "blank cells hold what stands above them below tank_id" in result.files[0].notes
    assert store.table("losses")["tank_id"].tolist() == ["T-001", "T-001"]


def test_without_the_heading_the_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "diary.csv").write_text(DIARY, encoding="utf-8")
    result = check_paths([tmp_path / "diary.csv"], layouts=layout("losses", fill_down=("Basin",)))
    (finding,) = result.findings
    assert finding.message == (
        "the layout \"diary\" does not go through: there is no column 'Basin', which fill_down asks for"
    )


def test_a_draft_guesses_it_for_labels_alone_and_reads_back(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in (["Tank", "Day", "Dead eggs"], ["T-001", "2025-01-08", 1], [None, "2025-01-09", 0]):
        sheet.append(row)
    for row in ([None, "2025-01-10", 2], ["T-002", "2025-01-08", None], [None, "2025-01-09", 3]):
        sheet.append(row)
    sheet.merge_cells("A2:A4")
    book.save(tmp_path / "log.xlsx")
    (tmp_path / "scratch").mkdir()
    (draft,) = draft_all([tmp_path / "log.xlsx"], tmp_path / "scratch").drafts
    assert draft.layout.fill_down == ("Tank",)  # and not "Dead eggs", blank in one line
    text = draft_text(draft)
    assert 'fill_down = ["Tank"]  # guess: a label stands once above the lines it is meant for\n' in text
    assert "#   4     T-001    2025-01-10  egg    2" in text
    (tmp_path / "layouts.toml").write_text(text, encoding="utf-8")
    assert read_layouts(tmp_path / "layouts.toml").layouts[0] == draft.layout


@pytest.mark.parametrize(
    "cells",
    [
        ("T-001", "T-001", "", "T-002", ""),  # blank in fewer than half of the lines
        ("", "", "T-001", "", ""),  # nothing stands above the first
        ("T-001", "", "T-002"),  # a single blank may be a slip
    ],
)
def test_a_draft_does_not_guess_it_where_labels_are_only_missing(tmp_path: Path, cells: tuple[str, ...]) -> None:
    lines = [f"{cell},2025-01-{number:02},1" for number, cell in enumerate(cells, 1)]
    (tmp_path / "log.csv").write_text("\n".join(["Tank,Day,Dead eggs", *lines, ""]), encoding="utf-8")
    (tmp_path / "scratch").mkdir()
    (draft,) = draft_all([tmp_path / "log.csv"], tmp_path / "scratch").drafts
    assert draft.layout.fill_down == ()


def test_drafts_of_one_call_never_fit_one_file_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("diary.csv").write_text("Tank,Day,Water (C),Dead eggs\nT-001,2024-11-08,8.1,2\n", encoding="utf-8")
    Path("log 3.csv").write_text("Tank,Day,Water (C)\nT-001,2024-11-09,8.1\n", encoding="utf-8")
    book = openpyxl.Workbook()
    for name, row in {
        "fry": ["Tank", "Day", "Water (C)", "Dead fry"],
        "water": ["Tank", "Day", "Water (C)"],
    }.items():
        sheet = book.create_sheet(name)
        sheet.append(row)
        sheet.append(["T-001", "2024-11-09", 7, 1][: len(row)])
    book.remove(book.worksheets[0])
    book.save("two.xlsx")
    files = ["diary.csv", "log 3.csv", "two.xlsx"]
    assert main(["layout", *files, "--out", "layouts.toml"]) == 0
    text = Path("layouts.toml").read_text(encoding="utf-8")
    assert [line for line in text.splitlines() if line.startswith(("files", "sheet"))] == [
        'files = "log *.csv"', 'files = "two.xlsx"', 'sheet = "water"',
    ]  # fmt: skip
    capsys.readouterr()
    messages = [
        finding.message for finding in check_paths(files, layouts=read_layouts(Path("layouts.toml"))).findings
    ]
    assert not [message for message in messages if "several layouts" in message]
