"""Settings: defaults, a file, and what is refused."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from broodyear.errors import UsageError
from broodyear.settings import Acknowledged, Settings, Species, read_settings, season_of


def written(folder: Path, text: str) -> Path:
    path = folder / "programme.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("day", "season"),
    [("2024-08-01", 2024), ("2024-07-31", 2023), ("2025-01-15", 2024), ("2024-12-31", 2024)],
)
def test_a_season_runs_from_the_first_of_august(day: str, season: int) -> None:
    assert season_of(dt.date.fromisoformat(day), Settings()) == season


def test_the_season_start_is_a_setting(tmp_path: Path) -> None:
    settings = read_settings(written(tmp_path, "season_start_month = 10\nseason_start_day = 15\n"))
    assert season_of(dt.date(2024, 10, 14), settings) == 2023
    assert season_of(dt.date(2024, 10, 15), settings) == 2024


def test_acknowledged_cases_are_read(tmp_path: Path) -> None:
    text = '[[acknowledged]]\nrule = "set_point_typed"\ntank_id = "T-1"\nreason = "display shows the set point"\n'
    assert read_settings(written(tmp_path, text)).acknowledged == (
        Acknowledged("set_point_typed", "T-1", "display shows the set point"),
    )


def declared(**entries: str) -> str:
    values = {
        "code": '"grayling"', "hatch_c_days": "400", "button_up_c_days": "700", "release_c_days": "1000", **entries
    }  # fmt: skip
    return "\n".join(["[[species]]", *(f"{name} = {value}" for name, value in values.items()), ""])


def test_a_species_is_declared_with_its_units(tmp_path: Path) -> None:
    text = declared(names='["Aesche", "Grayling wild"]')
    assert read_settings(written(tmp_path, text)).species == (
        Species("grayling", 400.0, 700.0, 1000.0, ("Aesche", "Grayling wild")),
    )


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("season_start = 8", "programme.toml: unknown setting 'season_start'"),
        ("season_start_month = 'August'", "season_start_month is 'August'; expected a number"),
        ("season_start_month = 2\nseason_start_day = 29", "2-29 is no date"),
        ("season_start_month = 13", "13-1 is no date"),
        ("warm_limit_c = true", "warm_limit_c is True; expected a number"),
        ("season_start_month = ", "programme.toml is not a TOML file"),
        ('[[acknowledged]]\nrule = "x"', "has exactly rule, tank_id and reason"),
        ('[[species]]\ncode = "x"', "expected code, hatch_c_days, button_up_c_days, release_c_days"),
        (declared(code='"two words"'), "a species has the code 'two words'; expected 1 to 60 letters"),
        (declared(hatch_c_days="900"), "are 900, 700, 1000; expected °C·d from fertilisation, each stage later"),
        (declared(names='"chub"'), "the names of the species grayling are 'chub'; expected a list"),
        (declared() + declared(code='"Grayling"'), "two [[species]] entries are called 'grayling'; keep one"),
    ],
)
def test_mistakes_are_named(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(UsageError, match="programme.toml") as refused:
        read_settings(written(tmp_path, text))
    assert words in str(refused.value)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="the settings file none.toml does not exist"):
        read_settings(tmp_path / "none.toml")
