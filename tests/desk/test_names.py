"""Names that people give their files: shown as text, and never a way to anywhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.desk import hostile

from broodyear.desk.basket import LONGEST_SHOWN, NamedFile, disk_name, free_name, shown_name
from broodyear.findings import FileReport, mend_name
from broodyear.intake.rejected import Filed, FiledPart, Rejected, RejectedRows, cells_as_json, write_rejects


@pytest.mark.parametrize(
    ("given_name", "shown", "on_disk"),
    [
        ("losses_north.csv", "losses_north.csv", "losses_north.csv"),
        ("mail/2024/losses.CSV", "mail/2024/losses.CSV", "losses.csv"),
        ("a/b/c/d/e/losses.csv", "c/d/e/losses.csv", "losses.csv"),
        ("../../losses.csv", "losses.csv", "losses.csv"),
        ("Verluste März.csv.gz", "Verluste März.csv.gz", "Verluste M_rz.csv.gz"),
        ("incidents (1).csv", "incidents (1).csv", "incidents (1).csv"),
        ("C:\\mail\\exits.csv", "C:/mail/exits.csv", "exits.csv"),
        ("book.xlsx", "book.xlsx", "book.xlsx"),
        ("", "unnamed", "unnamed"),
        ("CON.csv", "CON.csv", "file_CON.csv"),
    ],
)
def test_names_are_shown_and_kept(given_name: str, shown: str, on_disk: str) -> None:
    assert shown_name(given_name) == shown
    assert disk_name(shown) == on_disk


@pytest.mark.parametrize("name", hostile.NAMES)
def test_no_name_leads_anywhere(name: str, tmp_path: Path) -> None:
    kept = disk_name(shown_name(name))
    assert re.fullmatch(r"[A-Za-z0-9_\-() ]+(\.[a-z0-9.]+)?", kept) and ".." not in kept and len(kept) <= 100
    assert (tmp_path / kept).resolve().parent == tmp_path.resolve()
    (tmp_path / kept).write_text("it can be written", encoding="utf-8")


@settings(max_examples=50)
@given(st.text(max_size=400))
def test_every_text_becomes_a_plain_name(name: str) -> None:
    shown = shown_name(name)
    assert shown and shown.isprintable() and ".." not in shown.split("/")
    assert len(shown.rsplit("/", 1)[-1]) <= LONGEST_SHOWN
    kept = disk_name(shown)
    assert Path(kept).name == kept and not kept.startswith(".")


def test_a_second_file_of_the_same_name_is_told_apart() -> None:
    assert free_name("a/losses.csv", {"losses.csv"}) == "a/losses.csv"
    assert free_name("losses.csv.gz", {"losses.csv.gz", "losses (2).csv.gz"}) == "losses (3).csv.gz"


def one_part(number: int) -> FiledPart:
    rows = RejectedRows()
    rows.add(Rejected(2, cells_as_json([str(number)]), "wrong"))
    return FiledPart("losses", rows, ("dead",), ",")


@given(st.lists(st.text(alphabet="ab/._ é(2)", min_size=1, max_size=12), max_size=8))
def test_mended_rows_are_found_under_the_names_the_intake_gives(paths: list[str]) -> None:
    import tempfile

    filed = [
        Filed(
            FileReport(path, "losses", 2, 1, 0, 1),
            [],
            (one_part(number),),
        )
        for number, path in enumerate(paths)
    ]
    with tempfile.TemporaryDirectory() as folder:
        write_rejects(Path(folder), filed)
        names: list[str] = []
        for number, path in enumerate(paths):
            names.append(name := mend_name(path, names))
            assert (Path(folder) / name).read_text(encoding="utf-8").startswith(f"dead,problems\n{number},")


def test_a_file_is_read_from_where_it_lies_and_shown_as_it_was_named(tmp_path: Path) -> None:
    (tmp_path / "one.csv").write_text("x", encoding="utf-8")
    named = NamedFile("mail/losses.csv", tmp_path / "one.csv")
    assert str(named) == "mail/losses.csv" and Path(named) == tmp_path / "one.csv"
