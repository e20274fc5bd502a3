"""Findings as text, CSV and JSON, and the copy of the rejected rows that can be mended and sent again."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import openpyxl
import pytest
from tests.intake.conftest import Write

from broodyear.errors import UsageError
from broodyear.findings import FileReport, Finding
from broodyear.intake import check_paths, load_paths, rejected
from broodyear.intake.rendering import render
from broodyear.store import open_store

BAD = "tank_id,read_at,water_temp\n" + "".join(f"T-001,2024-11-08T{hour:02d}:00,9.5C\n" for hour in range(10, 20))


def test_the_example_of_the_contract(uploads: Path, write: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    write("temperatures_north.csv", "tank_id,read_at,water_temp\n" + "\n" * 12 + "T-001,2024-11-08T14:30,9.5C\n")
    monkeypatch.chdir(uploads)
    result = check_paths(["tanks.csv", "temperatures_north.csv"])
    assert len(result.findings) == 1
    assert (
        '  temperatures_north.csv, line 14, water_temp: found "9.5C"; expected a number in °C between −2 and 100. '
        "Write the number alone: 9.5\n"
    ) in render(result, "text")


def test_text_groups_what_is_alike(uploads: Path, write: Write) -> None:
    write("temperatures.csv", BAD)
    text = render(check_paths([uploads]), "text")
    assert text.count('found "9.5C"') == 3
    assert "    … and 7 more rows like this" in text
    assert text.endswith("4 files: 17 rows, 7 good, 10 kept out, 0 warnings\n")


def _diary(place: Path, sheets: int, bad: str = "9.5C") -> Path:
    """A workbook with a sheet of two readings for each tank, the first unreadable."""
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for number in range(1, sheets + 1):
        sheet = book.create_sheet(f"Tank {number}")
        for row in (("tank_id", "read_at", "water_temp"), ("T-001", f"2024-11-0{number}T10:00", bad)):
            sheet.append(row)
        sheet.append(("T-001", f"2024-11-0{number}T11:00", "8.5"))
    book.save(place)
    return place


def test_what_many_sheets_have_alike_is_told_once(uploads: Path) -> None:
    diary = _diary(uploads / "diary.xlsx", 5)
    result = check_paths([uploads])
    text = render(result, "text")
    assert text.count('found "9.5C"') == text.count(str(diary)) - 1 == 1
    assert (
        f"{diary}, 5 sheets (temperatures): 10 rows, 5 good, 5 kept out\n"
        "  note: they are Tank 1, Tank 2, Tank 3, Tank 4, Tank 5\n\n"
    ) in text
    assert (
        "\nAlike in many files:\n"
        f'  in 5 sheets: {diary}#Tank 1, line 2, water_temp: found "9.5C"; expected a number in °C between −2 and '
        "100. Write the number alone: 9.5\n"
        "    … and 4 more rows like this\n\n"
        "4 files (8 with each sheet counted): 17 rows, 12 good, 5 kept out, 0 warnings\n"
    ) in text
    content = json.loads(render(result, "json"))
    told = [(finding["path"], finding["line"]) for finding in content["findings"]]
    assert told == [(f"{diary}#Tank {number}", 2) for number in range(1, 6)]
    assert len(content["files"]) == 8
    assert len(list(csv.DictReader(io.StringIO(render(result, "csv"))))) == 5


def test_what_a_few_sheets_have_alike_is_told_at_each(uploads: Path) -> None:
    diary = _diary(uploads / "diary.xlsx", 3)
    text = render(check_paths([uploads]), "text")
    assert "Alike" not in text
    for number in (1, 2, 3):
        assert (
            f"{diary}#Tank {number} (temperatures): 2 rows, 1 good, 1 kept out\n  {diary}#Tank {number}, line 2"
            in text
        )


def test_notes_of_many_files_are_joined(uploads: Path, write: Write) -> None:
    """Files of one kind that have nothing else to tell; one that has stays by itself, and so does one of another
    table."""
    for number in range(1, 6):
        write(
            f"logger{number}.csv", f"tank_id,read_at,water_temp,x{number % 2}\nT-001,2024-11-0{number}T10:00,8,1\n"
        )
    write("logger6.csv", "tank_id,read_at,water_temp,x1\nT-001,2024-11-08T10:00,warm,1\n")
    text = render(check_paths([uploads]), "text")
    assert (
        f"{uploads}, 5 files (temperatures): 5 rows, 5 good\n"
        "  note: they are logger1.csv, logger2.csv, logger3.csv, logger4.csv, logger5.csv\n"
        "  note: columns not in the table were left out: x1; x0\n"
    ) in text
    assert f"{uploads / 'logger6.csv'} (temperatures): 1 row, 0 good, 1 kept out\n" in text
    assert f"{uploads / 'tanks.csv'} (tanks): " in text


def test_files_refused_for_different_reasons_are_told_one_by_one(uploads: Path, write: Write) -> None:
    for number in range(1, 5):
        write(f"other{number}.csv", f"a{number},b\n1,2\n")
    text = render(check_paths([uploads]), "text")
    assert text.count(": refused\n  ") == 4
    assert "Alike" not in text


def test_rows_that_need_nothing_are_not_called_kept_out(uploads: Path, write: Write) -> None:
    write("temperatures.csv", "tank_id,read_at,water_temp\n" + "T-001,2024-11-08T14:30,8.5\n" * 3)
    text = render(check_paths([uploads]), "text")
    assert f"{uploads / 'temperatures.csv'} (temperatures): 3 rows, 1 good, 2 repeat rows already taken\n" in text
    assert text.endswith("4 files: 10 rows, 8 good, 0 kept out, 2 repeat rows already taken, 1 warning\n")


def test_json_is_the_object_of_the_contract(uploads: Path, write: Write) -> None:
    write("temperatures.csv", BAD)
    content = json.loads(render(check_paths([uploads, uploads / "none.csv"]), "json"))
    assert set(content) == {"files", "findings", "skipped", "changes"}
    assert {key for report in content["files"] for key in report} == set(FileReport.__dataclass_fields__)
    assert {key for finding in content["findings"] for key in finding} == set(Finding._fields)
    assert len(content["findings"]) == 11
    for report in content["files"]:
        assert report["rows_read"] == report["rows_accepted"] + report["rows_rejected"]


def test_csv_has_a_row_per_finding_and_no_formulas(uploads: Path, write: Write) -> None:
    write("temperatures.csv", "tank_id,read_at,water_temp\n=cmd(),2024-11-08,-2.5\n")
    rows = list(csv.DictReader(io.StringIO(render(check_paths([uploads]), "csv"))))
    assert [(row["column"], row["value"]) for row in rows] == [("water_temp", "-2.5"), ("tank_id", "'=cmd()")]


def test_an_unknown_format_is_refused(uploads: Path) -> None:
    with pytest.raises(UsageError, match="choose one of text, json, csv"):
        render(check_paths([uploads]), "xml")


@pytest.mark.parametrize("held", [1_000, 3])
def test_rejected_rows_can_be_mended_and_sent_again(
    held: int, uploads: Path, write: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rejected, "HELD_IN_MEMORY", held)
    write("temperatures.csv", BAD + "T-001,2024-11-09T10:00,8,5\nT-001,2024-11-09,8\nT-001,2024-11-09,8\n")
    mend = uploads.parent / "mend"
    with open_store(uploads.parent / "s.duckdb", for_loading=True) as store:
        load_paths(store, [uploads], rejects=mend)
        copy = mend / "temperatures.csv"
        rows = list(csv.reader(copy.read_text(encoding="utf-8").splitlines()))
        assert rows[0] == ["tank_id", "read_at", "water_temp", "mends", "problems"]
        assert len(rows) == 12
        assert rows[1][2] == "9.5C"
        assert rows[1][4].startswith('water_temp: found "9.5C"')
        assert rows[11][:3] == ["T-001", "2024-11-09T10:00", "8,5"]
        unmended = load_paths(store, [copy])
        assert unmended.files[0].rows_accepted == 0
        copy.write_text(copy.read_text(encoding="utf-8").replace(",9.5C,", ",9.5,"), encoding="utf-8")
        assert load_paths(store, [copy]).files[0].rows_accepted == 10


@pytest.mark.parametrize("name", ["..hidden.csv", "a b (1).csv", "ünï.csv", "x" * 200 + ".csv"])
def test_the_copy_stays_in_its_folder(name: str, uploads: Path, write: Write) -> None:
    write(name, "tank_id,volume_l\nT-9,x\n")
    check_paths([uploads / name], rejects=uploads.parent / "mend")
    assert len(list((uploads.parent / "mend").glob("[!.]*"))) == 1


def test_the_store_keeps_rejected_cells_as_a_json_list(uploads: Path, write: Write) -> None:
    cells = ["T-001", "2024-11-08", 'a "word"\\', "\u2028é漢", "\x1b[1m", ""]
    with (uploads / "temperatures.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([["tank_id", "read_at", "water_temp", "unit", "instrument", "remark"], cells])
    with open_store(uploads.parent / "s.duckdb", for_loading=True) as store:
        load_paths(store, [uploads])
        [(kept,)] = store.connection.execute("SELECT raw FROM rejected_rows").fetchall()
    assert json.loads(kept) == cells
    # The database writes a control character with capital letters.
    assert kept == json.dumps(cells, ensure_ascii=False).replace("\\u001b", "\\u001B")


def test_no_folder_is_made_when_all_is_good(uploads: Path) -> None:
    check_paths([uploads], rejects=uploads.parent / "mend")
    assert not (uploads.parent / "mend").exists()
