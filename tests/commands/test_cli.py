"""The command line: helps, exit codes, and what goes where."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from broodyear import commands, store_commands
from broodyear.cli import main, parser
from broodyear.places import queries_folder
from broodyear.schemas import TABLE_NAMES


def every_command(top: argparse.ArgumentParser, name: str = "") -> dict[str, argparse.ArgumentParser]:
    found = {}
    for action in top._actions:
        if isinstance(action, argparse._SubParsersAction):
            for word, child in action.choices.items():
                found[f"{name} {word}".strip()] = child
                found |= every_command(child, f"{name} {word}".strip())
    return found


COMMANDS = every_command(parser())


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_help_has_an_example_that_parses(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = COMMANDS[name].format_help()
    example = text.split("Example:\n")[1].splitlines()[0].strip()
    if example.startswith("broodyear"):
        parser().parse_args(example.split()[1:])
    with pytest.raises(SystemExit) as left:
        main([*name.split(), "--help"])
    assert left.value.code == 0
    assert "Example:" in capsys.readouterr().out


@pytest.mark.parametrize("name", sorted(set(COMMANDS) - {"report"}))
def test_every_command_takes_a_store_and_is_the_function_of_its_name(name: str) -> None:
    assert "--store" in COMMANDS[name].format_help()
    assert COMMANDS[name].get_default("function") is HOMES[name.replace(" ", "_")]


HOMES = vars(store_commands) | vars(commands)


def test_the_contracts_commands_all_exist() -> None:
    wanted = {"demo", "template", "check", "load", "uploads", "withdraw", "forecast", "export", "trial"}
    assert wanted | {"report season", "report regions", "report development", "report week"} <= set(COMMANDS)


@pytest.mark.parametrize(
    "words",
    [["loda"], ["load"], ["check", "--frmat", "json", "x"], ["check", "--form", "json", "x"], ["report"],
     ["report", "season"], ["report", "season", "--season", "next"], ["withdraw", "-1"],
     ["forecast", "--as-of", "03/04/2024"]],
)  # fmt: skip
def test_wrong_usage_is_exit_2_with_words_on_stderr(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(words)
    said = capsys.readouterr()
    assert left.value.code == 2
    assert said.out == "" and "error:" in said.err


@pytest.mark.parametrize(
    ("words", "told"),
    [("report season --seson 2024", "report season: error: there is no option --seson; did you mean --season?"),
     ("check records --frmat=json", "check: error: there is no option --frmat; did you mean --format?"),
     ("load records --zzz", "load: error: there is no option --zzz")],
)  # fmt: skip
def test_an_option_that_there_is_not_is_named(words: str, told: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(words.split())
    assert left.value.code == 2
    assert capsys.readouterr().err.splitlines()[-1] == f"broodyear {told}"


SEASONS = {
    "report season": "2023/2024",
    "forecast": "2024-25",
    "trial --factor insulated --levels yes,no": "2024–25",
}


@pytest.mark.parametrize("command", SEASONS)
def test_a_season_may_be_written_as_two_years_wherever_one_is_asked_for(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Read as a season, each ends at the store that is not there."""
    store = str(tmp_path / "none.duckdb")
    assert main([*command.split(), "--season", SEASONS[command], "--store", store]) == 12
    said = capsys.readouterr().err
    assert said.startswith(f"broodyear: the store {store} does not exist")
    for wrong, told in (
        ("2024/27", "'2024/27' is not a season: one that begins in 2024 ends in 2025; write 2024/25"),
        ("24/25", "'24/25' is not a season; write 2024/25, or 2024 for it"),
    ):
        with pytest.raises(SystemExit) as left:
            main([*command.split(), "--season", wrong, "--store", store])
        assert left.value.code == 2
        said = capsys.readouterr().err.splitlines()[-1]
        assert said == f"broodyear {command.partition(' --')[0]}: error: argument --season: {told}"


def test_no_words_print_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 0
    assert "Example:" in capsys.readouterr().out


@pytest.mark.parametrize(
    "words",
    [["uploads"], ["withdraw", "1"], ["report", "season", "--season", "2024"], ["report", "regions"],
     ["report", "development"], ["forecast"], ["export", "--out", "x"]],
)  # fmt: skip
def test_a_store_that_does_not_exist_is_exit_12(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main([*words, "--store", "none.duckdb"]) == 12
    said = capsys.readouterr()
    assert said.out == ""
    words = "the store none.duckdb does not exist; load records first, or name another with --store"
    assert said.err == f"broodyear: {words}\n"
    assert list(tmp_path.iterdir()) == []


def test_templates_are_written_for_the_tables_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["template", "losses", "stages", "--out", str(tmp_path)]) == 0
    names = {path.name for path in tmp_path.iterdir() if not path.name.startswith(".")}
    assert names == {"losses.csv", "stages.csv", "data_dictionary.md"}
    assert capsys.readouterr().out.splitlines()[0] == str(tmp_path / "losses.csv")


def test_an_unknown_table_is_named_with_the_known_ones(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["template", "loses", "--out", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert "there is no table 'loses'" in said and all(name in said for name in TABLE_NAMES)


def test_all_templates_together_load(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["template", "--out", str(tmp_path / "t")]) == 0
    assert main(["load", str(tmp_path / "t"), "--store", str(tmp_path / "s.duckdb"), "--format", "json"]) == 0
    out = capsys.readouterr().out
    assert [file["rows_accepted"] for file in json.loads(out[out.index("{") :])["files"]] == [1] * len(TABLE_NAMES)


def test_a_disk_too_full_for_what_reports_start_from_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*arguments: object) -> None:
        raise duckdb.IOException("No space left on device")

    (tmp_path / "tanks.csv").write_text("tank_id\nT-001\n", encoding="utf-8")
    load = ["load", "--store", str(tmp_path / "records.duckdb"), str(tmp_path / "tanks.csv")]
    monkeypatch.setattr("broodyear.derived.running.write_kept", full)
    assert main(load) == 0
    assert capsys.readouterr().err == ""
    monkeypatch.setattr("broodyear.derived.running.KEEP_FROM_ROWS", 1)
    assert main(load) == 0
    assert capsys.readouterr().err == (
        "The disk or the memory is too full to keep what reports start from in the store. Nothing is lost; every "
        "report works it out for itself, which takes longer.\n"
    )


def test_kept_tables_of_other_settings_are_told_until_a_file_is_loaded_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("broodyear.derived.running.KEEP_FROM_ROWS", 1)
    store, sent = str(tmp_path / "records.duckdb"), tmp_path / "tanks.csv"
    sent.write_text("tank_id\nT-001\n", encoding="utf-8")
    load, layouts = ["load", "--store", store, str(sent)], tmp_path / "layouts.toml"

    def said_by(*words: str) -> str:
        assert main([*words, "--store", store]) == 0
        return capsys.readouterr().err

    assert main(load) == 0
    capsys.readouterr()
    assert said_by("export", "--out", str(tmp_path / "before")) == ""
    layouts.write_text('[[same]]\nkind = "tank"\nlabel = "T-001"\nalso = ["Tank 1"]\n', encoding="utf-8")
    assert said_by("export", "--out", str(tmp_path / "other")) == (
        f"What reports start from is kept in {store} for other settings, or other joined labels of layouts.toml, "
        "and is worked out anew, which takes longer. If those of this run are right, load any of its files again: "
        "it is kept for them then.\n"
    )
    assert said_by("uploads") == said_by("export", "--quiet", "--out", str(tmp_path / "quiet")) == ""
    assert main(load) == 0
    capsys.readouterr()
    assert said_by("export", "--out", str(tmp_path / "after")) == ""


def test_help_needs_no_heavy_package() -> None:
    code = (
        "import sys; from broodyear.cli import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "heavy = {'pandas', 'statsmodels', 'seaborn', 'scipy', 'pandera', 'duckdb'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr


def test_piped_output_has_no_terminal_codes(tmp_path: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-m", "broodyear", "template", "--out", str(tmp_path)], capture_output=True, check=False
    )
    assert run.returncode == 0
    assert b"\x1b" not in run.stdout + run.stderr


def test_the_query_behind_a_table_is_printed_as_it_stands(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sql", "thermal_units"]) == 0
    assert capsys.readouterr().out == (queries_folder() / "thermal_units.sql").read_text(encoding="utf-8")
    assert main(["sql"]) == 0
    assert "thermal_units" in capsys.readouterr().out.splitlines()
    assert main(["sql", "thermal_unit"]) == 2
    assert "there is no derived table 'thermal_unit'" in capsys.readouterr().err
