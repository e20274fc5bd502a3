"""The README's first steps, run as they stand there on the sample folder."""

from __future__ import annotations

import datetime as dt
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest
from tests.intake.sample_as_kept import write

from broodyear.cli import main
from broodyear.development import read_models
from broodyear.intake import load_paths
from broodyear.layouts import read_layouts
from broodyear.store import open_store

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "synthetic_data" / "sample_as_kept"
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(SAMPLE, tmp_path / "synthetic_data" / "sample_as_kept")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def command(name: str) -> list[str]:
    """The words of a command of the README, as .ci runs them."""
    script = [sys.executable, str(ROOT / ".ci" / "readme_command.py"), name]
    text = subprocess.run(script, capture_output=True, text=True, check=True).stdout
    program, *words = shlex.split(text)
    assert program == "broodyear"
    return words


def shown_after(name: str) -> list[str]:
    """The lines of the block that stands below a command in the README."""
    found = re.search(rf"<!-- command: {name} -->.*?```sh.*?```\s+```\w+\n(.*?)```", README, re.DOTALL)
    assert found is not None
    return [line.removeprefix("   ") for line in found[1].splitlines() if line.strip()]


def test_the_draft_is_as_the_readme_shows_it(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(command("layout")) == 0
    drafted = (folder / "layouts.toml").read_text(encoding="utf-8").splitlines()
    assert [line for line in shown_after("layout") if line not in drafted] == []


def test_the_sample_is_checked_as_the_readme_shows_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(command("as_kept")) == 0
    said = capsys.readouterr().out.splitlines()
    assert [line for line in shown_after("as_kept") if line not in said] == []
    assert said[-1] == (
        "4 files (5 with each sheet counted), 1 not read: 66 lines, 66 good, 0 with a row kept out; "
        "good for 90 rows of tables, 0 warnings"
    )


def example(name: str) -> str:
    """The block that stands below a comment of the README."""
    found = re.search(rf"<!-- example: {name} -->\n```\w+\n(.*?)```", README, re.DOTALL)
    assert found is not None
    return found[1]


def test_the_models_file_of_the_readme_is_read(folder: Path) -> None:
    (folder / "models.toml").write_text(example("models"), encoding="utf-8")
    line, units = read_models(folder / "models.toml")
    assert (line.days(8.0).round(2), float(units.days(10.0))) == (57.97, 34.0)


def test_the_plan_and_the_tank_frame_of_the_readme_run(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(command("plan")) == 0
    assert "hatch_half" in capsys.readouterr().out
    exec(example("frame"), {})  # what a reader would run
    assert "exponential" in capsys.readouterr().out


def test_the_sample_is_what_its_code_writes(tmp_path: Path) -> None:
    write(tmp_path / "new")
    for place in (tmp_path / "new").iterdir():
        kept = SAMPLE / place.name
        if place.suffix != ".xlsx":
            assert kept.read_bytes() == place.read_bytes()
            continue
        books = openpyxl.load_workbook(place), openpyxl.load_workbook(kept)
        assert [[list(s.iter_rows(values_only=True)) for s in b] for b in books[:1]] == [
            [list(s.iter_rows(values_only=True)) for s in b] for b in books[1:]
        ]


def test_the_sample_loads_into_eight_tables(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.duckdb", for_loading=True) as store:
        load_paths(store, [SAMPLE], layouts=read_layouts(SAMPLE / "layouts.toml"))
        counts = {
            name: store.connection.execute(f"SELECT count(*) FROM {name}").fetchall()[0][0]
            for name in ("sites", "tanks", "setups", "batches", "deliveries", "temperatures", "losses", "exits")
        }
        [(filled,)] = store.connection.execute("SELECT min(filled_on) FROM setups").fetchall()
        practices = store.connection.execute("SELECT gravel_practice FROM setups ORDER BY tank_id").fetchall()
    assert counts == {
        "sites": 2, "tanks": 2, "setups": 2, "batches": 2, "deliveries": 2, "temperatures": 60, "losses": 20,
        "exits": 0,
    }  # fmt: skip
    assert filled == dt.date(2025, 10, 13)
    assert practices == [("gravel",), ("bare",)]
