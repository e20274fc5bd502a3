"""What a check found, read a leaf at a time."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from broodyear.desk import findings_book
from broodyear.desk.findings_book import LEAF, Book, Sieve
from broodyear.findings import CheckResult, FileReport, Finding


def finding(path: str, line: int | None, rule: str, level: str = "error", value: str = "x") -> Finding:
    return Finding(path, line, "losses", "dead", value, level, rule, f"found {value}", "Mend it.")  # type: ignore[arg-type]


@pytest.fixture
def book(tmp_path: Path) -> Book:
    (tmp_path / "to_mend").mkdir()
    for name in ("losses.csv", "losses_2.csv"):
        (tmp_path / "to_mend" / name).write_text(f"dead,problems\n{name}\n", encoding="utf-8")
    files = (
        FileReport("south/losses.csv", "losses", 3, 2, 2, 0),
        FileReport("a/losses.csv", "losses", 3, 2, 1, 1, ("noted",)),
        FileReport("b/losses.csv", "losses", 3, 2, 1, 1),
        FileReport("no.xlsx", None, 0, 0, 0, 0),
    )
    findings = (
        *(finding("south/losses.csv", line, "warm", "warning") for line in range(2, 2 + LEAF + 5)),
        finding("a/losses.csv", 2, "not_a_number", value="=1+1"),
        finding("b/losses.csv", 3, "not_a_number"),
        finding("no.xlsx", None, "file_refused"),
    )
    totals = findings_book.write(tmp_path, CheckResult(files, findings, ("no.xlsx",)))
    assert totals == {
        "files": 4, "refused": 1, "rows_read": 6, "rows_accepted": 4, "rows_to_mend": 2, "errors": 3,
        "warnings": LEAF + 5,
    }  # fmt: skip
    read = findings_book.read(tmp_path)
    assert read is not None
    return read


def test_errors_come_first_and_leaves_follow_each_other(book: Book) -> None:
    first, second = book.leaf(Sieve(), 0), book.leaf(Sieve(), 1)
    assert [one["level"] for one in first[:4]] == ["error", "error", "error", "warning"]
    assert len(first) == LEAF and len(second) == 8 and book.leaf(Sieve(), 2) == []


def test_findings_are_sieved_by_file_rule_and_level(book: Book) -> None:
    assert [one["path"] for one in book.leaf(Sieve(file=2), 0)] == ["b/losses.csv"]
    assert book.count(Sieve(rule="not_a_number")) == 2 and book.count(Sieve(level="warning")) == LEAF + 5
    assert book.count(Sieve(file=0, rule="not_a_number")) == 0
    assert book.rule_counts()[0] == ("not_a_number", True, 2) and book.rule_counts()[-1] == (
        "warm",
        False,
        LEAF + 5,
    )


def test_rows_to_mend_are_those_of_their_own_file(book: Book) -> None:
    assert [file["mend"] for file in book.files] == [None, "losses.csv", "losses_2.csv", None]
    place = book.mend_file(2)
    assert place is not None and "losses_2.csv" in place.read_text(encoding="utf-8")
    assert book.mend_file(0) is None and book.mend_file(99) is None and book.mend_file(-1) is None


def test_the_table_to_save_holds_no_formula(book: Book) -> None:
    rows = list(csv.DictReader(io.StringIO("".join(book.as_csv(Sieve(level="error"))))))
    assert [row["value"] for row in rows] == ["'=1+1", "x", "x"] and rows[2]["line"] == ""


def test_there_is_no_book_before_a_check(tmp_path: Path) -> None:
    assert findings_book.read(tmp_path / "none") is None
    (tmp_path / "book.json").write_text("{cut", encoding="utf-8")
    assert findings_book.read(tmp_path) is None
