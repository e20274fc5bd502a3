"""What people really send is read: encodings, separators, headers, preambles, compression, line breaks."""

from __future__ import annotations

import gzip
import io
from pathlib import Path

import pandas as pd
import pytest
from tests.intake.conftest import Write

from broodyear.findings import CheckResult, FileReport
from broodyear.intake import check_paths, load_paths
from broodyear.store import open_store

HEADER = "tank_id,read_at,water_temp,unit,instrument"
ROWS = ["T-001,2024-11-08T10:00,8.5,C,logger", "T-002,2024-11-09,47.3,F,thermometer"]
PLAIN = "\n".join([HEADER, *ROWS]) + "\n"
WITHOUT_NOTE: list[str] = []


@pytest.fixture
def uploads(tmp_path: Path) -> Path:
    """A folder with the two tanks that were read."""
    folder = tmp_path / "uploads"
    folder.mkdir()
    (folder / "tanks.csv").write_text("tank_id\nT-001\nT-002\n", encoding="utf-8")
    return folder


def loaded(folder: Path) -> tuple[CheckResult, pd.DataFrame]:
    """The result of loading a folder, and the temperatures it gave."""
    with open_store(folder.parent / "store.duckdb", for_loading=True) as store:
        result = load_paths(store, [folder])
        return result, store.table("temperatures")


def report_of(result: CheckResult, name: str) -> FileReport:
    return next(report for report in result.files if report.path.endswith(name))


EXPECTED = {
    "tank_id": ["T-001", "T-002"],
    "read_at": [pd.Timestamp("2024-11-08 10:00"), pd.Timestamp("2024-11-09")],
    "read_at_has_hour": [True, False],
    "water_temp": [8.5, 47.3],
    "unit": ["C", "F"],
    "instrument": ["logger", "thermometer"],
}
FORMS: dict[str, tuple[str, bytes, list[str]]] = {
    "plain": ("temperatures.csv", PLAIN.encode(), WITHOUT_NOTE),
    "crlf": ("temperatures.csv", PLAIN.replace("\n", "\r\n").encode(), WITHOUT_NOTE),
    "no line break at the end": ("temperatures.csv", PLAIN.rstrip().encode(), WITHOUT_NOTE),
    "lone carriage returns": ("temperatures.csv", PLAIN.replace("\n", "\r").encode(), WITHOUT_NOTE),
    "compressed": ("temperatures.csv.gz", gzip.compress(PLAIN.encode()), WITHOUT_NOTE),
    "compressed, without saying so": ("temperatures.csv", gzip.compress(PLAIN.encode()), WITHOUT_NOTE),
    "quoted": (
        "temperatures.csv", ('"' + PLAIN.strip().replace(",", '","').replace("\n", '"\n"') + '"\n').encode(),
        WITHOUT_NOTE,
    ),
    "byte-order mark": ("temperatures.csv", b"\xef\xbb\xbf" + PLAIN.encode(), ["a byte-order mark was left out"]),
    "utf-16": (
        "temperatures.csv", PLAIN.encode("utf-16"), ["read as UTF-16 and turned into UTF-8"],
    ),
    "utf-16 big-endian": (
        "temperatures.csv", b"\xfe\xff" + PLAIN.encode("utf-16-be"), ["read as UTF-16 and turned into UTF-8"],
    ),
    "utf-16 without a mark": (
        "temperatures.csv", PLAIN.encode("utf-16-le"), ["read as UTF-16 and turned into UTF-8"],
    ),
    "semicolons and decimal commas": (
        "temperatures.csv", PLAIN.replace(",", ";").replace(".", ",").encode(),
        ["cells are separated by semicolons", "decimal commas were read as points"],
    ),
    "semicolons and decimal points": (
        "temperatures.csv", PLAIN.replace(",", ";").encode(), ["cells are separated by semicolons"],
    ),
    "tabs": ("temperatures.tsv", PLAIN.replace(",", "\t").encode(), ["cells are separated by tabs"]),
    "tabs in a text file": (
        "temperatures.txt", PLAIN.replace(",", "\t").encode(), ["cells are separated by tabs"],
    ),
    "header in capitals": (
        "temperatures.csv", PLAIN.replace(HEADER, HEADER.upper()).encode(),
        ["column names in another case or with spaces were put right"],
    ),
    "header with spaces": (
        "temperatures.csv", PLAIN.replace(HEADER, HEADER.replace(",", " , ")).encode(),
        ["column names in another case or with spaces were put right"],
    ),
    "preamble": (
        "temperatures.csv", b"Logger 7,export\nserial;12\n\n" + PLAIN.encode(),
        ["3 lines before the header left out"],
    ),
    "spreadsheet's separator line": (
        "temperatures.csv", b"sep=;\n" + PLAIN.replace(",", ";").encode(),
        ["cells are separated by semicolons", "1 line before the header left out"],
    ),
    "blank lines at the end": (
        "temperatures.csv", PLAIN.encode() + b"\n\n", ["blank lines at the end were left out"],
    ),
    "empty columns at the end": (
        "temperatures.csv", PLAIN.replace("\n", ",,\n").encode(), ["empty columns at the end were left out"],
    ),
    "a column more": (
        "temperatures.csv", (f"{HEADER},remark\n{ROWS[0]},warm\n{ROWS[1]},\n").encode(),
        ["columns not in the table were left out: remark"],
    ),
    "a line break in a cell": (
        "temperatures.csv", (f'{HEADER},remark\n{ROWS[0]},"two\nlines"\n{ROWS[1]},\n').encode(),
        ["columns not in the table were left out: remark"],
    ),
    "windows-1252": (
        "temperatures.csv", (f"{HEADER},remark\n{ROWS[0]},très\n{ROWS[1]},\n").encode("cp1252"),
        ["read as Windows-1252 and turned into UTF-8", "columns not in the table were left out: remark"],
    ),
    "zones": (
        "temperatures.csv", PLAIN.replace("10:00", "10:00-08:00").encode(),
        ["time zones were left off; times are kept as the local times written"],
    ),
    "spaces around cells": ("temperatures.csv", PLAIN.replace(",8.5,", ", 8.5 ,").encode(), WITHOUT_NOTE),
    "a space for T": ("temperatures.csv", PLAIN.replace("T10:00", " 10:00").encode(), WITHOUT_NOTE),
    "a fraction": ("temperatures.csv", PLAIN.replace("T10:00", "T10:00:00.000").encode(), WITHOUT_NOTE),
    "slashes": ("temperatures.csv", PLAIN.replace("2024-11-", "2024/11/").encode(), WITHOUT_NOTE),
    "other case": ("temperatures.csv", PLAIN.replace("C,logger", "c,LOGGER").encode(), WITHOUT_NOTE),
    "another name": ("hallway export.csv", PLAIN.encode(), WITHOUT_NOTE),
}  # fmt: skip


@pytest.mark.parametrize(("name", "content", "notes"), FORMS.values(), ids=FORMS.keys())
def test_every_form_gives_the_same_rows(
    name: str, content: bytes, notes: list[str], uploads: Path, write: Write
) -> None:
    write(name, content)
    result, frame = loaded(uploads)
    assert result.exit_code == 0
    assert list(report_of(result, name).notes) == notes
    assert frame[list(EXPECTED)].to_dict("list") == EXPECTED


def temperatures(cells: list[str]) -> str:
    """A file with a reading of one tank for each number, day after day."""
    rows = (f'T-001,2024-11-{day:02d},"{cell}"\n' for day, cell in enumerate(cells, 1))
    return "tank_id,read_at,water_temp\n" + "".join(rows)


def test_moments(uploads: Path, write: Write) -> None:
    moments = {
        "2024-11-08T24:00": "2024-11-09 00:00",
        "2024-11-08T14:30:15.25": "2024-11-08 14:30:15.25",
        "2024-11-08T14:30Z": "2024-11-08 14:30",
        "2024-11-08 15:30 +0100": "2024-11-08 15:30",
        "2024/1/8 09:05": "2024-01-08 09:05",
    }
    rows = (f"T-001,{written},8\n" for written in moments)
    write("temperatures.csv", "tank_id,read_at,water_temp\n" + "".join(rows))
    _, frame = loaded(uploads)
    assert frame["read_at"].tolist() == [pd.Timestamp(read) for read in moments.values()]
    assert set(frame["instrument"]) == {"logger"}


def test_yes_and_no(uploads: Path, write: Write) -> None:
    cells = {"yes": True, "No": False, "TRUE": True, "Y": True, "0": False, "1": True, ".": None}
    rows = (f"S-{number},R1,{cell}\n" for number, cell in enumerate([*cells, "f"]))
    write("sites.csv", "site_id,region,weekend_access\n" + "".join(rows))
    with open_store(uploads.parent / "s.duckdb", for_loading=True) as store:
        result = load_paths(store, [uploads / "sites.csv"])
        got = store.table("sites")["weekend_access"]
    assert [None if pd.isna(value) else bool(value) for value in got] == list(cells.values())
    assert [(finding.value, finding.column) for finding in result.findings] == [("f", "weekend_access")]


def test_numbers_with_sign_and_exponent(uploads: Path, write: Write) -> None:
    numbers = ["8.", ".5", "+8.5", "-1e0", "1E1", "08.5"]
    write("temperatures.csv", temperatures(numbers))
    _, frame = loaded(uploads)
    assert frame["water_temp"].tolist() == [float(number) for number in numbers]


@pytest.mark.parametrize("odd_file", [False, True], ids=["quick", "row by row"])
def test_what_is_no_number(odd_file: bool, uploads: Path, write: Write) -> None:
    cells = ["0x10", "1_0", "NaN", "inf", "٨", "8,5", "8 5", "--8", "+-8", "1e", "8.5.1", "1e400"]
    text = temperatures(cells)
    write("temperatures.csv", text.replace("\n", "\r") if odd_file else text)
    errors = [finding for finding in check_paths([uploads]).findings if finding.level == "error"]
    assert [(finding.column, finding.value) for finding in errors] == [("water_temp", cell) for cell in cells]


def test_lines_are_spreadsheet_rows(uploads: Path, write: Write) -> None:
    remark = '"a\nb\r\nc"'
    text = f"Logger 7\n\n{HEADER},remark\n{ROWS[0]},{remark}\n\nT-001,2024-11-08T10:10,warm,C,logger,\n"
    write("temperatures.csv", text)
    result = check_paths([uploads])
    assert [finding.line for finding in result.findings if finding.rule == "not_a_number"] == [6]


@pytest.mark.parametrize("tank", ["T-001", '"T-001"'])
def test_a_short_row_and_a_long_one_are_told_apart(tank: str, uploads: Path, write: Write) -> None:
    """Together they have as many separators as an even file."""
    write("temperatures.csv", f"{HEADER}\n{ROWS[0]}\nT-002,2024-11-09,8,C\n{tank},2024-11-10,8,C,logger,odd\n")
    result, frame = loaded(uploads)
    assert [(finding.line, finding.rule, finding.value) for finding in result.findings] == [
        (4, "too_many_cells", "odd")
    ]
    assert frame["line"].tolist() == [2, 3]
    assert frame["instrument"].tolist() == ["logger", "thermometer"]


def test_defaults_of_blank_cells(uploads: Path, write: Write) -> None:
    write("temperatures.csv", "tank_id,read_at,water_temp\nT-001,2024-11-08T10:00,8\nT-001,2024-11-09,8\n")
    write("losses.csv", "tank_id,checked_on,stage,dead,entry\nT-001,2024-11-08,egg,2,\nT-001,2024-11-09,egg,,\n")
    write("stages.csv", "tank_id,stage,first_seen_on\nT-001,hatch_half,2024-12-09\n")
    with open_store(uploads.parent / "s.duckdb", for_loading=True) as store:
        load_paths(store, [uploads])
        assert store.table("temperatures")["instrument"].tolist() == ["logger", "thermometer"]
        assert store.table("temperatures")["unit"].tolist() == ["C", "C"]
        assert store.table("losses")["entry"].tolist() == ["counted", "unknown"]
        assert store.table("losses")["dead"].isna().tolist() == [False, True]
        assert store.table("stages")["dating"].tolist() == ["seen"]


def test_standard_input(uploads: Path) -> None:
    result = check_paths([uploads, "-"], stdin=io.BytesIO(PLAIN.encode()))
    assert report_of(result, "-").rows_accepted == 2


def test_a_file_named_twice_is_read_once(uploads: Path) -> None:
    result = check_paths([uploads, uploads / "tanks.csv"])
    assert len(result.files) == 1


def test_codes_stay_text(uploads: Path, write: Write) -> None:
    codes = ["007", "1e5", "2024-11-08", "TRUE", "=1+1", "é漢字", "a'b\"c", "x;y", "<b>", "NULL"]
    rows = "".join('"' + code.replace('"', '""') + '"\n' for code in codes)
    write("tanks.csv", f"tank_id\n{rows}")
    with open_store(uploads.parent / "s.duckdb", for_loading=True) as store:
        load_paths(store, [uploads])
        assert sorted(store.table("tanks")["tank_id"]) == sorted(codes)


@pytest.mark.parametrize("name", ["tanks[1]*?.csv", "tanks';DROP TABLE x;--.csv", "tanks ä€.csv", 'tanks"q".csv'])
def test_file_names_are_only_shown(name: str, uploads: Path, write: Write) -> None:
    write(name, "tank_id\nT-900\n")
    result = check_paths([uploads], rejects=uploads.parent / "mend")
    assert report_of(result, name).rows_accepted == 1


def test_bombs_and_endless_cells_are_refused(uploads: Path, write: Write) -> None:
    write("tanks_bomb.csv.gz", gzip.compress(b"tank_id\n" + b"T" * 150_000_000))
    write("tanks_cell.csv", b"tank_id,remark\nT-1,ok\nT-2," + b"x" * 10_000_000 + b"\n")
    write("tanks_quoted.csv", b'tank_id,remark\nT-1,ok\nT-2,"' + b"x\n" * 50 + b"x" * 10_000_000 + b'"\n')
    result = check_paths([uploads])
    assert result.exit_code == 11
    said = {Path(finding.path).name: finding.message for finding in result.findings}
    assert said == {
        "tanks_bomb.csv.gz": "the compressed file unpacks to more than 100 MB, which no table does",
        "tanks_cell.csv": "line 3 holds a cell of more than 1,000,000 characters",
        "tanks_quoted.csv": "line 3 holds a cell of more than 1,000,000 characters",
    }


def test_missing_paths_and_empty_folders(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    result = check_paths([tmp_path / "none.csv", tmp_path / "empty"])
    assert result.exit_code == 11
    assert [finding.message for finding in result.findings] == [
        "there is no such file or folder",
        "the folder holds no file that ends in .csv, .tsv, .txt, .csv.gz, .tsv.gz, .txt.gz, .xlsx, .xlsm, .xls, "
        ".ods, .zip",
    ]


def test_mixed_line_ends_and_a_blank_line(uploads: Path, write: Write) -> None:
    """A reader that skips lines miscounts here, and loses a blank line as well: both must not cancel out."""
    write("temperatures.csv", f"Logger 7\r\nserial 12\n{HEADER}\n\n{ROWS[0]}\r\n{ROWS[1]}")
    result, frame = loaded(uploads)
    assert result.exit_code == 0
    assert frame["line"].tolist() == [5, 6]
