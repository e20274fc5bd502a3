"""From a folder of uploads to reports, through the command line, and what happens when something is wrong."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path

import pandas as pd
import pytest
from tests.built_once import ROOT, SAMPLE, sample_store, season_report

from broodyear.cli import main
from broodyear.development import forecast_stages, own_fits
from broodyear.development.forecast.planning import PLAN_STAGES
from broodyear.store import open_store

#: Columns that other people's scripts rely on, per table of the season report.
CONTRACT = {
    name: columns.split()
    for name, columns in {
        "effects": """outcome factor level reference tanks batches odds_ratio or_low or_high difference_points
            difference_low difference_high p_value method note""",
        "setups": """season tank_id site_id region batch_id room_type gravel_practice outcome eggs survivors
            observed_pct expected_pct shrunken_pct shrunken_low shrunken_high fish_below_expected p_value q_value
            verdict losing_stage circumstances""",
        "practices": """room_type gravel_practice outcome tanks batches seasons eggs adjusted_pct adjusted_low
            adjusted_high difference_points difference_low difference_high note""",
    }.items()
}


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of one's own with the committed sample in it."""
    return Path(shutil.copy(sample_store(tmp_path_factory), tmp_path_factory.mktemp("loaded")))


def run(words: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    code = main(words)
    said = capsys.readouterr()
    return code, said.out, said.err


def test_check_prints_one_object_that_accounts_for_every_row(capsys: pytest.CaptureFixture[str]) -> None:
    bad = ROOT / "tests" / "bad_uploads"
    words = ["check", str(bad / "programme"), str(bad / "losses_date_with_time.csv"), "--format", "json"]
    code, out, _ = run(words, capsys)
    found = json.loads(out)
    assert code == 10 and found["findings"] and set(found) == {"files", "findings", "skipped", "changes"}
    keys = {
        "path",
        "table",
        "tables",
        "lines_read",
        "rows_read",
        "rows_accepted",
        "rows_rejected",
        "rows_repeated",
        "notes",
    }
    for one in found["files"]:
        assert set(one) == keys
        assert sum(fed["rows_accepted"] for fed in one["tables"]) == one["rows_accepted"]
        assert one["rows_read"] == one["rows_accepted"] + one["rows_rejected"]
    wanted = {"path", "line", "table", "column", "source_column", "value", "level", "rule", "message", "advice"}
    wanted |= {"other_path"}
    assert all(set(finding) == wanted for finding in found["findings"])


def test_loading_the_same_files_again_changes_nothing(loaded: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = run(["uploads", "--store", str(loaded), "--format", "json"], capsys)[1]
    run(["load", str(SAMPLE), "--store", str(loaded)], capsys)
    assert run(["uploads", "--store", str(loaded), "--format", "json"], capsys)[1] == before


def test_the_ledger_has_the_contracts_fields(loaded: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ledger = json.loads(run(["uploads", "--store", str(loaded), "--format", "json"], capsys)[1])
    wanted = {"upload", "path", "table", "sha256", "loaded_at", "rows_accepted", "rows_rejected", "withdrawn"}
    assert ledger and all(wanted <= set(entry) for entry in ledger)
    # As text without the notes, each of which may be as long as a paragraph.
    text = run(["uploads", "--store", str(loaded)], capsys)[1]
    assert any(entry["notes"] for entry in ledger) and all(entry["path"] in text for entry in ledger)
    assert not any(note in text for entry in ledger for note in entry["notes"])
    assert text.rstrip().endswith("--format csv or json")


def last_season(store: Path) -> int:
    from broodyear import open_store

    with open_store(store) as opened:
        return int(opened.table("setups")["season"].max())


def test_the_season_report_writes_the_tables_of_the_contract(tmp_path_factory: pytest.TempPathFactory) -> None:
    report = season_report(tmp_path_factory)
    for name, columns in CONTRACT.items():
        table = pd.read_csv(report / "tables" / f"{name}.csv")
        assert set(columns) <= set(table.columns), name
    for name in ("stage_survival", "batches", "accounting", "exposure", "sites"):
        assert (report / "tables" / f"{name}.csv").exists()
    assert json.loads((report / "manifest.json").read_text(encoding="utf-8"))


def test_a_season_without_records_is_exit_12(
    loaded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["report", "season", "--season", "1990", "--out", str(tmp_path / "r"), "--store", str(loaded)]
    code, out, err = run(words, capsys)
    assert (code, out) == (12, "")
    assert "1990" in err and str(last_season(loaded)) in err
    assert not (tmp_path / "r").exists()


@pytest.mark.parametrize(
    "words", [["report", "season", "--season", "2024"], ["uploads"], ["export", "--out", "x"]]
)
def test_a_file_that_is_no_store_is_exit_13_and_stays_as_it_is(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    other = tmp_path / "photo.duckdb"
    other.write_bytes(b"not a store at all, but somebody's picture" * 100)
    before = other.read_bytes()
    code, out, err = run([*words, "--store", "photo.duckdb"], capsys)
    assert (code, out) == (13, "") and "photo.duckdb" in err and "Traceback" not in err
    assert other.read_bytes() == before


@pytest.mark.parametrize(
    ("name", "content"),
    [("none.csv", None), ("losses.csv", b""), ("losses.csv", b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00")],
)
def test_a_missing_empty_or_foreign_file_is_exit_11_and_loads_nothing(
    name: str, content: bytes | None, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    code, out, err = run(["load", str(path), "--store", str(tmp_path / "s.duckdb")], capsys)
    assert code == 11 and name in out + err and "Traceback" not in out + err


def test_strict_loads_nothing_when_a_row_has_an_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "tanks.csv").write_text("tank_id,volume_l\nA,100\nB,much\n", encoding="utf-8")
    store = tmp_path / "s.duckdb"
    assert run(["load", str(tmp_path / "tanks.csv"), "--store", str(store), "--strict"], capsys)[0] == 10
    assert json.loads(run(["uploads", "--store", str(store), "--format", "json"], capsys)[1]) == []
    assert run(["load", str(tmp_path / "tanks.csv"), "--store", str(store)], capsys)[0] == 10
    assert len(json.loads(run(["uploads", "--store", str(store), "--format", "json"], capsys)[1])) == 1


def test_withdrawing_an_unknown_upload_is_wrong_usage(
    loaded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(loaded, tmp_path / "s.duckdb")
    code, out, err = run(["withdraw", "99999", "--store", str(tmp_path / "s.duckdb")], capsys)
    assert (code, out) == (2, "") and "99999" in err


PLAN = ["plan", "--species", "chinook", "--delivered-on", "2024-11-08", "--units", "310"]


def said_by(words: list[str], store: Path) -> tuple[str, str]:
    """What a command that succeeds prints, and what it says beside it."""
    with redirect_stdout(StringIO()) as out, redirect_stderr(StringIO()) as err:
        assert main([*words, "--store", str(store)]) == 0
    return out.getvalue(), err.getvalue()


@pytest.fixture(scope="module")
def planned(loaded: Path) -> tuple[str, str]:
    """A plan that rests on what the store holds."""
    return said_by(PLAN, loaded)


@pytest.fixture(scope="module")
def forecast_day(loaded: Path) -> str:
    """A day of the last season before all of its stages were seen."""
    return f"{last_season(loaded) + 1}-02-15"


@pytest.fixture(scope="module")
def commanded(loaded: Path, forecast_day: str) -> tuple[str, str]:
    """A forecast of the last season for that day."""
    return said_by(["forecast", "--season", str(last_season(loaded)), "--as-of", forecast_day], loaded)


def test_a_forecast_has_the_contracts_columns(commanded: tuple[str, str]) -> None:
    out, err = commanded
    header = out.splitlines()[0].split(",")
    wanted = "season tank_id stage model expected_on low_80 high_80 low_95 high_95 days_of_record note headline"
    assert set(wanted.split()) <= set(header)
    assert "never replaces looking" in err and "permit" in err


def test_a_plan_needs_no_store(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run([*PLAN, "--quiet"], capsys)
    assert code == 0 and err == ""
    assert {line.split(",")[0] for line in out.splitlines()[1:]} == {f"{c}.0" for c in range(6, 13)}


def test_a_plan_and_a_forecast_take_models_of_ones_own(
    loaded: Path, forecast_day: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    entry = 'name = "our units"\nspecies = "chinook"\nstage = "button_up"\nform = "constant_units"\n'
    (tmp_path / "mine.toml").write_text(f"[[model]]\n{entry}coefficients = {{K = 900}}\n", encoding="utf-8")
    (tmp_path / "bad.toml").write_text("[[model]]\n", encoding="utf-8")
    asked = ["forecast", "--season", str(last_season(loaded)), "--as-of", forecast_day, "--store", str(loaded)]
    for command in (PLAN, asked):
        code, out, _ = run([*command, "--models", str(tmp_path / "mine.toml")], capsys)
        assert code == 0 and "our units" in set(pd.read_csv(StringIO(out))["model"])
        assert run([*command, "--models", str(tmp_path / "bad.toml")], capsys)[0] == 2


def test_a_plan_and_a_forecast_for_an_earlier_day_say_what_their_fits_rest_on(
    loaded: Path,
    planned: tuple[str, str],
    forecast_day: str,
    commanded: tuple[str, str],
    capsys: pytest.CaptureFixture[str],
) -> None:
    told = "Own fits rest on every stage on record; a forecast for an earlier day rests on what was seen by"
    assert told in planned[1]
    told = f"Own fits rest on stages seen by {forecast_day}; a plan rests on every stage on record"
    assert told in commanded[1]
    assert "Own fits rest on stages seen by" not in run(["forecast", "--store", str(loaded)], capsys)[2]


def test_a_plan_and_a_forecast_rest_on_the_same_model(
    loaded: Path, planned: tuple[str, str], commanded: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    plan = pd.read_csv(StringIO(planned[0])).query("headline")
    season = last_season(loaded)
    with open_store(loaded) as store:
        # A forecast rests on what was seen by its day, a plan on all that was: given the same, they agree.
        fits = own_fits(store, stages=PLAN_STAGES)
        forecast = forecast_stages(store, season=season, as_of=dt.date(season, 12, 15), fits=fits)
    forecast = forecast.query("headline and species == 'chinook'")
    late = pd.read_csv(StringIO(commanded[0])).query("headline and species == 'chinook' and stage == 'button_up'")
    assert set(late["model"]) & set(plan.loc[plan["stage"] == "button_up", "model"])
    for stage in ("hatch_half", "button_up"):
        trusted = set(forecast.loc[forecast["stage"] == stage, "model"])
        assert not trusted or trusted & set(plan.loc[plan["stage"] == stage, "model"]), stage
    assert run([*PLAN[:2], "haddock", *PLAN[3:], "--store", str(loaded)], capsys)[0] == 2


@pytest.mark.parametrize(("option", "size"), [("--tanks", "3"), ("--tanks", "0"), ("--seasons", "0")])
def test_the_demo_names_the_smallest_programme_it_can_make(
    option: str, size: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(["demo", option, size, "--out", str(tmp_path / "demo")], capsys)
    assert (code, out) == (
        2,
        "",
    ) and "the smallest programme that can be simulated has 1 season and 4 tanks" in err
    assert not (tmp_path / "demo").exists()


def test_the_demo_refuses_a_folder_that_holds_something_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "letters.txt").write_text("mine", encoding="utf-8")
    code, out, err = run(["demo", "--out", str(tmp_path)], capsys)
    assert (code, out) == (2, "") and "letters.txt was not written by broodyear" in err
    assert (tmp_path / "letters.txt").read_text(encoding="utf-8") == "mine"
