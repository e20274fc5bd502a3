"""The same file again: withdrawn and brought back, with codes known by then, mended, and overlapping itself."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from tests.intake.conftest import Write

from broodyear.intake import check_paths, load_paths
from broodyear.intake.notes import LOOKED_AT
from broodyear.store import Store, open_store

READINGS = "tank_id,read_at,water_temp\n"
TWO_TANKS = READINGS + "T-001,2024-11-01T00:00,8\nT-800,2024-11-01T00:00,8.1\n"
SETUPS = "season,tank_id,site_id,room_type,gravel_practice\n"


def tanks_of(store: Store) -> list[str]:
    return sorted(store.table("temperatures")["tank_id"])


def test_withdrawn_rows_come_back_though_another_load_of_the_bytes_stands(uploads: Path, write: Write) -> None:
    with open_store(uploads.parent / "s.duckdb", for_loading=True) as store:
        load_paths(store, [uploads / "tanks.csv"])
        readings = write("temperatures.csv", TWO_TANKS)
        load_paths(store, [readings])
        load_paths(store, [write("tanks_more.csv", "tank_id\nT-800\n")])
        load_paths(store, [readings])
        assert tanks_of(store) == ["T-001", "T-800"]
        store.withdraw(2)
        assert tanks_of(store) == ["T-800"]
        assert load_paths(store, [readings]).files[0].rows_accepted == 1
        assert tanks_of(store) == ["T-001", "T-800"]
        again = load_paths(store, [readings]).files[0]
        assert again.notes[-1].endswith("nothing was changed")


def test_a_row_that_is_held_is_not_judged_again(uploads: Path, write: Write) -> None:
    """Line 2 has the key of line 3, which came in when line 2 could not."""
    setups = write(
        "setups.csv",
        f"{SETUPS}2024,T-001,S-9,classroom,bare\n2024,T-001,S-01,classroom,bare\n2024,T-002,S-9,classroom,bare\n",
    )
    with open_store(uploads.parent / "s.duckdb", for_loading=True) as store:
        first = load_paths(store, [uploads])
        assert [file.rows_accepted for file in first.files if file.table == "setups"] == [1]
        corrected = write("setups_later.csv", f"{SETUPS}2024,T-001,S-01,library,bare\n")
        load_paths(store, [corrected, write("sites_more.csv", "site_id,region\nS-9,R1\n")])
        second = load_paths(store, [setups])
        report = second.files[0]
        assert (report.rows_read, report.rows_accepted, report.rows_rejected) == (2, 1, 1)
        assert [(finding.line, finding.rule) for finding in second.findings if finding.level == "error"] == [
            (2, "duplicate_key")
        ]
        assert "1 row is held from an earlier load of the same bytes" in report.notes[-1]
        number = int(store.uploads()["upload"].max())
        kept_out = store.connection.execute("SELECT line FROM rejected_rows WHERE upload = ?", [number]).fetchall()
        assert kept_out == [(2,)]
        standing = store.table("setups").set_index("tank_id")["room_type"]
        assert standing.to_dict() == {"T-001": "library", "T-002": "classroom"}


DOUBLED = ["00:30,8.0", "01:00,8.1", "01:30,8.2", "01:00,8.3", "01:30,8.4", "02:00,8.5"]


def test_a_doubled_hour_is_held_twice_and_no_oftener(uploads: Path, write: Write) -> None:
    """Clocks went back at 02:00 on 3 November 2024 in North America; the logger file overlaps itself."""
    night = "".join(f"T-001,2024-11-03T{reading}\n" for reading in DOUBLED)
    write("temperatures.csv", f"{READINGS}{night}{night}T-001,2024-11-03T01:00,9.9\n")
    with open_store(uploads.parent / "s.duckdb", for_loading=True) as store:
        result = load_paths(store, [uploads])
        assert store.table("temperatures")["water_temp"].tolist() == [8.0, 8.1, 8.2, 8.3, 8.4, 8.5]
    told = {finding.rule: finding for finding in result.findings}
    assert told["identical_repeat"].message.startswith("6 rows repeat an earlier row exactly")
    assert (told["duplicate_key"].line, told["duplicate_key"].level) == (14, "error")


def mended_copy(uploads: Path, file: Path) -> list[list[str]]:
    """The copy of the rejected rows of a file, as rows of cells."""
    check_paths([uploads / "tanks.csv", file], rejects=uploads.parent / "mend")
    copy = uploads.parent / "mend" / file.name
    separator = ";" if ";" in copy.read_text(encoding="utf-8").splitlines()[0] else ","
    return list(csv.reader(copy.read_text(encoding="utf-8").splitlines(), delimiter=separator))


def test_surplus_cells_stay_wrong_where_the_last_column_takes_any_text(uploads: Path, write: Write) -> None:
    losses = write("losses.csv", "tank_id,checked_on,stage,dead,note\nT-001,2024-11-09,egg,1,000,many\n")
    rows = mended_copy(uploads, losses)
    assert rows[0][-1] == "problems"
    assert rows[1][:5] == ["T-001", "2024-11-09", "egg", "1", "000"]
    assert rows[1][6:] == ["many"]
    result = check_paths([uploads / "tanks.csv", uploads.parent / "mend" / "losses.csv"])
    assert [finding.rule for finding in result.findings] == ["too_many_cells"]


def test_a_copy_keeps_the_separator_and_with_it_decimal_commas(uploads: Path, write: Write) -> None:
    readings = write(
        "temperatures.csv", "tank_id;read_at;water_temp\nT-001;2024-11-08;8,5\nT-001;2024-13-08;8,5\n"
    )
    assert mended_copy(uploads, readings)[1][:3] == ["T-001", "2024-13-08", "8,5"]
    copy = uploads.parent / "mend" / "temperatures.csv"
    copy.write_text(copy.read_text(encoding="utf-8").replace("T-001;2024-13-08", "T-001;2024-12-08"))
    assert check_paths([uploads / "tanks.csv", copy]).exit_code == 0


def test_a_copy_of_a_copy_tells_the_problems_anew(uploads: Path, write: Write) -> None:
    bad = write("temperatures.csv", f"{READINGS.strip()},problems\nT-001,2024-11-08,warm,an old remark\n")
    rows = mended_copy(uploads, bad)
    assert rows[0] == ["tank_id", "read_at", "water_temp", "problems"]
    assert rows[1][3].startswith('water_temp: found "warm"')


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_blanks_before_quotes_are_passed_over_by_both_readers(end: str, uploads: Path, write: Write) -> None:
    text = READINGS.strip() + ', note\n"T-001", "2024-11-01", "8.1", "ok"\n"T-001", "2024-11-20", "8.5", "a, b"\n'
    write("temperatures_quick.csv", text)
    assert check_paths([uploads]).exit_code == 0
    write("temperatures_careful.csv", text + f'"T-001", "2024-11-21", "8.5", "two{end}lines"\n')
    assert check_paths([uploads]).exit_code == 0


@pytest.mark.parametrize("line_end", ["\n", "\r"])
@pytest.mark.parametrize("other", [",5", ", 5"])
def test_wide_blanks_are_no_part_of_a_code(other: str, line_end: str, uploads: Path, write: Write) -> None:
    """Whether or not an ordinary blank stands elsewhere in the file."""
    write("tanks.csv", f"tank_id,volume_l{line_end}A\u2003{other}{line_end}")
    with open_store(uploads.parent / "s.duckdb", for_loading=True) as store:
        load_paths(store, [uploads / "tanks.csv"])
        assert store.table("tanks")["tank_id"].tolist() == ["A"]


@pytest.mark.parametrize("line_end", ["\n", "\r"])
def test_decimal_commas_are_found_wherever_they_stand(line_end: str, uploads: Path, write: Write) -> None:
    times = [f"{hour:02d}:{minute:02d}:{second:02d}" for hour in range(24) for minute in range(60)
             for second in range(0, 60, 2)]  # fmt: skip
    plain = [f"8;T-001;2024-11-01T{time}" for time in times]
    comma = [f"8,5;T-001;2024-11-02T{hour:02d}:00:00" for hour in range(20)]
    half = len(plain) // 2
    rows = ["water_temp;tank_id;read_at", *plain[:half], *comma, *plain[half:]]
    file = write("temperatures.csv", line_end.join(rows) + line_end)
    assert file.stat().st_size > 2 * LOOKED_AT + 100_000
    assert check_paths([uploads / "tanks.csv", file]).exit_code == 0


@pytest.mark.parametrize("line_end", ["\n", "\r"])
def test_a_cell_of_absurd_length_is_refused_wherever_it_stands(line_end: str, uploads: Path, write: Write) -> None:
    rows = [f"T-001,2024-11-01T{hour:02d}:{minute:02d},8" for hour in range(3) for minute in range(60)]
    rows.append("T-001,2024-11-09," + "8" * 1_500_000)
    file = write("temperatures.csv", READINGS.strip() + line_end + line_end.join(rows) + line_end)
    result = check_paths([uploads / "tanks.csv", file])
    assert result.exit_code == 11
    assert [finding.message for finding in result.findings] == [
        "line 182 holds a cell of more than 1,000,000 characters"
    ]


def test_a_number_beyond_all_whole_ones_is_out_of_range(uploads: Path, write: Write) -> None:
    write("losses.csv", "tank_id,checked_on,stage,dead\nT-001,2024-11-09,egg,1e40\n")
    assert [finding.rule for finding in check_paths([uploads]).findings] == ["out_of_range"]


def test_a_small_t_between_date_and_hour_is_read(uploads: Path, write: Write) -> None:
    write("temperatures.csv", f"{READINGS}T-001,2024-11-08t10:00,8\n")
    assert check_paths([uploads]).exit_code == 0


@pytest.mark.parametrize(
    ("rows", "note"),
    [
        ("{0}\n\n{1}\n", "1 blank line was left out"),
        ("{0}\n,,\n,,\n{1}\n", "2 blank lines were left out"),
        ('{0}\n\n,,\n"T-001",2024-11-03,8\n', "2 blank lines were left out"),
        ("{0}\n,,\n{1}\n\n", "1 more blank line was left out"),
    ],
)
def test_blank_lines_between_rows_are_counted(rows: str, note: str, uploads: Path, write: Write) -> None:
    text = rows.format("T-001,2024-11-01,8", "T-001,2024-11-02,8")
    report = check_paths([uploads / "tanks.csv", write("temperatures.csv", READINGS + text)]).files[1]
    assert (report.rows_read, report.rows_accepted, report.notes[-1]) == (2, 2, note)


def test_only_blank_rows_are_said_to_be_none(uploads: Path, write: Write) -> None:
    file = write("temperatures.csv", f"{READINGS},,\n,,\n")
    report = check_paths([uploads / "tanks.csv", file]).files[1]
    assert (report.rows_read, report.notes[-1]) == (0, "the file has a header and no rows")


def test_a_folder_with_an_apostrophe_serves_as_well(
    uploads: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "o'q").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "o'q"))
    with open_store(uploads.parent / "s.duckdb", for_loading=True) as store:
        load_paths(store, [uploads], strict=True)
        assert check_paths([uploads], store=store).exit_code == 0
    assert check_paths([uploads], store=uploads.parent / "s.duckdb").exit_code == 0
