"""The commands that read and draft layouts, as they are typed."""

from __future__ import annotations

import datetime as dt
import json
import re
import sys
from dataclasses import fields
from pathlib import Path
from typing import get_args

import pytest
from tests.commands.test_console import Terminal
from tests.intake.messy import LAYOUTS, write_diary, write_programme

from broodyear import console
from broodyear.cli import main
from broodyear.layouts import Layout, Rows
from broodyear.layouts.model import SourceKind


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    write_programme(tmp_path / "records")
    write_diary(tmp_path / "records" / "diary GUL-01.xlsx")
    return tmp_path


def test_a_draft_is_printed_and_added_to_a_file(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["layout", "records"]) == 0
    printed = capsys.readouterr()
    assert printed.out.startswith("# records/diary GUL-01.xlsx#Log 1: the headings stand in line 3\n[[layout]]\n")
    assert "records/setups.csv needs no layout: it is read by the table setups\n" in printed.err
    assert "records/diary GUL-01.xlsx#Empty: not read; the sheet is empty\n" in printed.err
    (folder / "layouts.toml").write_text("# ours", encoding="utf-8")
    assert main(["layout", "records", "--out", "layouts.toml"]) == 0
    assert (folder / "layouts.toml").read_text(encoding="utf-8").startswith("# ours\n")
    # What was drafted is known from now on: the diary needs no layout any more.
    capsys.readouterr()
    assert main(["layout", "records"]) == 0
    assert capsys.readouterr().out == ""


def test_a_terminal_is_told_which_file_is_looked_at(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = Terminal()
    monkeypatch.setattr(sys, "stderr", seen)
    monkeypatch.setattr(console, "PROGRESS_AFTER_SECONDS", -1.0)
    assert main(["layout", "records"]) == 0
    assert re.search(r"\d+ % records/diary GUL-01\.xlsx#Log 1", seen.getvalue())


def test_the_help_says_what_every_word_of_a_layout_does(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["layout", "--help"])
    said = capsys.readouterr().out.partition("[[layout]] in layouts.toml")[2]
    words = {one.name for kind in (Layout, Rows) for one in fields(kind)} - {"rows"} | {*get_args(SourceKind)}
    words |= {"and", "words", "without"}
    assert [word for word in sorted(words) if not re.search(rf"\b{word}\b", said)] == []
    assert (
        '  { column = "School", and = "Tank" }            two cells with a blank between: Hill School 1\n' in said
    )


def test_check_finds_the_layouts_and_says_what_was_not_read(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "layouts.toml").write_text(LAYOUTS, encoding="utf-8")
    assert main(["check", "records", "--format", "json", "--quiet"]) == 10
    said = json.loads(capsys.readouterr().out)
    (diary,) = (file for file in said["files"] if file["path"].endswith("#Log 1"))
    assert diary["table"] == "temperatures+losses"
    assert diary["tables"][1] == {"table": "losses", "rows_made": 3, "rows_accepted": 2, "rows_rejected": 1}
    assert [finding["source_column"] for finding in said["findings"]] == ["Date"]
    assert {"path": "records/diary GUL-01.xlsx#Empty", "reason": "the sheet is empty"} in said["skipped"]


def test_a_faulty_layout_is_told_before_anything_is_read(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "mine.toml").write_text('[[layout]]\nname = "a"\n', encoding="utf-8")
    assert main(["load", "records", "--layouts", "mine.toml"]) == 2
    assert 'mine.toml has 1 mistake:\n  layout "a": header is missing' in capsys.readouterr().err
    assert not (folder / "broodyear.duckdb").exists()


def test_drafts_are_added_to_layouts_alone(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    setups = folder / "records" / "setups.csv"
    before = setups.read_bytes()
    assert main(["layout", "records", "--out", str(setups)]) == 2
    assert "setups.csv is not a TOML file" in capsys.readouterr().err
    assert setups.read_bytes() == before
    settings = folder / "broodyear.toml"
    settings.write_text("silent_days = 14\n", encoding="utf-8")
    assert main(["layout", "records", "--out", str(settings)]) == 2
    assert "is not a file of layouts; nothing was added. Name another with --out" in capsys.readouterr().err
    assert settings.read_text(encoding="utf-8") == "silent_days = 14\n"
    assert main(["layout", "records", "--out", "records"]) == 2
    assert "is not a file of layouts" in capsys.readouterr().err


def test_a_link_to_layouts_stays_a_link(folder: Path) -> None:
    (folder / "kept").mkdir()
    (folder / "kept" / "ours.toml").write_text("# ours\n", encoding="utf-8")
    (folder / "mine.toml").symlink_to(folder / "kept" / "ours.toml")
    assert main(["layout", "records", "--out", "mine.toml"]) == 0
    assert (folder / "mine.toml").is_symlink()
    assert (folder / "kept" / "ours.toml").read_text(encoding="utf-8").startswith("# ours\n\n# records/diary")


def test_nothing_to_draft_from(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["layout", "nowhere"]) == 11
    assert capsys.readouterr().err == "nowhere: not read; there is no such file or folder\n"


def test_a_check_asks_what_day_it_is(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "layouts.toml").write_text(LAYOUTS, encoding="utf-8")
    monkeypatch.setattr("broodyear.clock.today", lambda: dt.date(2026, 1, 1))
    main(["check", "records", "--quiet"])
    assert "dates lie in the future, the latest 2026-11-" in capsys.readouterr().out
