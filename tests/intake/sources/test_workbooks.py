"""The sheets of workbooks as cells of text, and all that a reader of workbooks does not tell."""

from __future__ import annotations

import datetime as dt
import zipfile
from pathlib import Path

import openpyxl
import pytest
from tests.intake.sources.open_document import write_ods

from broodyear.findings import Skipped
from broodyear.intake.sources import Source, Sources, find_sources
from broodyear.intake.sources.workbooks import cell_text


def found(path: Path, tmp_path: Path) -> Sources:
    scratch = tmp_path / "scratch"
    scratch.mkdir(exist_ok=True)
    return find_sources([path], None, scratch)


def only(path: Path, tmp_path: Path) -> Source:
    (source,) = found(path, tmp_path).found
    return source


def write_book(place: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Log"
    sheet.append(["Date", "Water", "Note"])
    sheet.append([dt.datetime(2026, 11, 6, 14, 30), 46.4, True])
    sheet["B4"].value, sheet["B4"].data_type = "#REF!", "e"
    sheet["E6"].value, sheet["E6"].data_type = "#DIV/0!", "e"
    sheet["B5"] = "=1+1"
    sheet.row_dimensions[2].hidden = True
    sheet.column_dimensions["C"].hidden = True
    hidden = book.create_sheet("Old")
    hidden.sheet_state = "hidden"
    hidden["B2"] = 12345678
    book.create_sheet("Empty")
    book.save(place)


def test_a_workbook_of_the_older_kind_is_read_with_typed_cells(tmp_path: Path) -> None:
    """diary.xls was written once with xlwt 1.3.0, which writes what spreadsheets of 1997 to 2003 kept."""
    sheet = only(Path(__file__).with_name("diary.xls"), tmp_path).sheet
    assert sheet is not None and sheet.name == "GUL-01"
    assert sheet.rows == (
        ("Our diary", "", "", "", ""),
        ("", "", "", "", ""),
        ("Date", "Time", "Water (F)", "Dead", "Weather"),
        ("2026-11-01", "08:10", "47.5", "1", "sunny"),
        ("2026-11-02", "08:10", "48.5", "2", "sunny"),
        ("2026-11-03", "08:10", "49.5", "none", "sunny"),
        ("2026-11-04", "08:10", "50.5", "4", "sunny"),
    )


def test_a_sheet_keeps_what_a_spreadsheet_knows_of_its_cells(tmp_path: Path) -> None:
    write_book(tmp_path / "book.xlsx")
    sources = found(tmp_path / "book.xlsx", tmp_path)
    log, old = (source.sheet for source in sources.found)
    assert log is not None and old is not None
    assert [source.shown for source in sources.found] == [
        f"{tmp_path}/book.xlsx#Log", f"{tmp_path}/book.xlsx#Old",
    ]  # fmt: skip
    assert log.rows == (
        ("Date", "Water", "Note", "", ""),
        ("2026-11-06T14:30:00", "46.4", "true", "", ""),
        ("", "", "", "", ""),
        ("", "#REF!", "", "", ""),
        ("", "#NOT WORKED OUT!", "", "", ""),
        ("", "", "", "", "#DIV/0!"),
    )
    assert log.notes == ("hidden rows were read as well: 2", "hidden columns were read as well: C")
    assert old.rows == (("", ""), ("", "12345678"))
    assert old.notes == ("the sheet is hidden; it was read all the same",)
    assert sources.skipped == [Skipped(f"{tmp_path}/book.xlsx#Empty", "the sheet is empty")]


def test_an_open_document_reads_the_same(tmp_path: Path) -> None:
    write_ods(
        tmp_path / "book.ods",
        {
            "Log": [
                ["Date", "Water", dt.date(2026, 11, 6)],
                [dt.datetime(2026, 11, 6, 14, 30), 8.5, "#REF!"],
                [None, None, None],
                [dt.time(7, 30), True, "a\nb"],
            ]
        },
        hidden_rows={1},
    )
    sheet = only(tmp_path / "book.ods", tmp_path).sheet
    assert sheet is not None
    assert sheet.rows == (
        ("Date", "Water", "2026-11-06"),
        ("2026-11-06T14:30:00", "8.5", "#REF!"),
        ("", "", ""),
        ("07:30:00", "true", "a\nb"),
    )
    assert sheet.notes == ("hidden rows were read as well: 2",)


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        (47.0, "47"),
        (1e15, "1000000000000000.0"),
        (0.1, "0.1"),
        (True, "true"),
        (dt.datetime(2026, 11, 6, 14, 29, 59, 999999), "2026-11-06T14:30:00"),
        (dt.datetime(2026, 11, 6, 14, 30, 0, 250000), "2026-11-06T14:30:00.250"),
        (dt.time(7, 29, 59, 999900), "07:30:00"),
        (dt.timedelta(hours=7, minutes=5), "07:05:00"),
        ("  as it is ", "  as it is "),
    ],
)
def test_a_typed_cell_as_text(cell: object, text: str) -> None:
    assert cell_text(cell) == text


def test_a_broken_workbook_is_refused(tmp_path: Path) -> None:
    write_book(tmp_path / "book.xlsx")
    whole = (tmp_path / "book.xlsx").read_bytes()
    (tmp_path / "book.xlsx").write_bytes(whole[: len(whole) // 2])
    (tmp_path / "old.xls").write_bytes(b"\xd0\xcf\x11\xe0" + bytes(600))
    for name in ("book.xlsx", "old.xls"):
        sources = found(tmp_path / name, tmp_path)
        assert not sources.found
        assert "broken or was cut off" in sources.missing[0].message


def test_an_archive_is_searched_and_nothing_in_it_is_passed_over(tmp_path: Path) -> None:
    write_book(tmp_path / "book.xlsx")
    with zipfile.ZipFile(tmp_path / "all.zip", "w") as archive:
        archive.write(tmp_path / "book.xlsx", "2026/book.xlsx")
        archive.writestr("losses.csv", "tank_id,checked_on,stage\n")
        archive.writestr("../evil.csv", "x")
        archive.writestr("/evil.csv", "x")
        archive.writestr("picture.jpg", "x")
        archive.writestr("__MACOSX/losses.csv", "x")
        archive.writestr("inner.zip", (tmp_path / "all.zip").read_bytes()[:0] + b"PK\x03\x04")
    sources = found(tmp_path / "all.zip", tmp_path)
    shown = f"{tmp_path}/all.zip"
    assert [source.shown for source in sources.found] == [
        f"{shown}/2026/book.xlsx#Log", f"{shown}/2026/book.xlsx#Old", f"{shown}/losses.csv",
    ]  # fmt: skip
    assert [source.name for source in sources.found] == ["book.xlsx", "book.xlsx", "losses.csv"]
    assert {skipped.path.removeprefix(shown): skipped.reason for skipped in sources.skipped} == {
        "/../evil.csv": "its path leads out of the archive",
        "//evil.csv": "its path leads out of the archive",
        "/picture.jpg": "not a table: files ending in .jpg are not read",
        "/__MACOSX/losses.csv": "a hidden file",
        "/inner.zip": "an archive inside an archive; unpack it and send what it holds",
        "/2026/book.xlsx#Empty": "the sheet is empty",
    }
    assert not (tmp_path.parent / "evil.csv").exists()


def test_an_archive_that_unpacks_without_end_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("broodyear.intake.sources.archives.UNPACKED_FREELY", 1000)
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("losses.csv", bytes(10_000_000))
    (missing,) = found(tmp_path / "bomb.zip", tmp_path).missing
    assert "unpacks to more than" in missing.message


def test_what_a_folder_holds_beside_tables_is_named(tmp_path: Path) -> None:
    folder = tmp_path / "records"
    (folder / ".hidden").mkdir(parents=True)
    for name in ("losses.csv", "notes.docx", "README", "~$book.xlsx", ".DS_Store", ".hidden/losses.csv"):
        (folder / name).write_text("tank_id,checked_on,stage\n", encoding="utf-8")
    sources = found(folder, tmp_path)
    assert [source.name for source in sources.found] == ["losses.csv"]
    assert {Path(skipped.path).name: skipped.reason for skipped in sources.skipped} == {
        "notes.docx": "not a table: files ending in .docx are not read",
        "README": "not a table: no ending",
        "~$book.xlsx": "the mark of a workbook that is open in another program",
        ".DS_Store": "a hidden file",
        ".hidden": "a hidden folder",
    }
