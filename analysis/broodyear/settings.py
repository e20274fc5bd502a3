"""What a programme may set: its season start, its limits, and the suspicions it has looked into."""

from __future__ import annotations

import datetime as dt
import json
import tomllib
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from broodyear.errors import UsageError

#: The name of a settings file that is found beside the store.
SETTINGS_FILE = "programme.toml"


@dataclass(frozen=True)
class Acknowledged:
    """A suspicion somebody has looked into: it is counted in reports, no longer listed as open.

    rule: the rule's name as `check` prints it; tank_id: the tank it concerns, or "*" for all;
    reason: one sentence, kept with the count.
    """

    rule: str
    tank_id: str
    reason: str


@dataclass(frozen=True)
class Settings:
    """Settings of one programme, with units in the names.

    season_start_month, season_start_day: first day of a season (default 1 August).
    warm_limit_c: published limit for spawning and incubation, 13 °C as 7-day mean of daily maxima
    (OAR 340-041-0028, from memory). cold_limit_c: below this, early eggs suffer (Peterson et al. 1977).
    interpolate_up_to_days: longest gap in daily readings filled by a straight line (common practice, no source).
    exposure_max_missing_pct, validation_max_missing_pct: above these shares of days not read,
    no exposure is given, or the tank is left out of model validation (common practice, no source).
    silent_days: a tank without any record for longer is on the week's list (common practice, no source).
    total_ammonia_limit_mg_l: as N; 30-day criterion for freshwater life at pH 7 and 20 °C (US EPA 2013, EPA
    822-R-13-001, as quoted elsewhere): the warmer and the less acid the water, the less of it does harm.
    nitrite_limit_mg_l: as N (common practice, no source). chlorine_limit_mg_l: total chlorine (common practice, no
    source). ph_low_limit, ph_high_limit: Piper et al. 1982, Fish Hatchery Management, p. 11; IDAPA 58.01.02.250.
    """

    season_start_month: int = 8
    season_start_day: int = 1
    warm_limit_c: float = 13.0
    cold_limit_c: float = 4.0
    interpolate_up_to_days: int = 3
    exposure_max_missing_pct: float = 40.0
    validation_max_missing_pct: float = 20.0
    silent_days: int = 14
    total_ammonia_limit_mg_l: float = 1.9
    nitrite_limit_mg_l: float = 0.5
    chlorine_limit_mg_l: float = 0.02
    ph_low_limit: float = 6.5
    ph_high_limit: float = 9.0
    acknowledged: tuple[Acknowledged, ...] = ()


def season_of(day: dt.date, settings: Settings) -> int:
    """The season a date belongs to: the year in which the programme's year then running began."""
    start = (settings.season_start_month, settings.season_start_day)
    return day.year if (day.month, day.day) >= start else day.year - 1


def settings_beside(store: Path) -> Path | None:
    """The settings file that lies beside a store, where there is one."""
    usual = store.parent / SETTINGS_FILE
    return usual if usual.is_file() else None


def with_acknowledged(text: str, entry: Acknowledged, source: str) -> str:
    """The text of a settings file with one more suspicion acknowledged. Raises UsageError as reading it would."""
    added = f"{text.rstrip()}\n\n" if text.strip() else ""
    said = {"rule": entry.rule, "tank_id": entry.tank_id, "reason": entry.reason}
    lines = [f"{name} = {json.dumps(text, ensure_ascii=False)}" for name, text in said.items()]
    added += "\n".join(["[[acknowledged]]", *lines, ""])
    try:
        settings_from(tomllib.loads(added), source)
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"{source} is not a TOML file ({error}); see the README for an example") from None
    return added


def read_settings(path: Path | None) -> Settings:
    """Settings from a TOML file, or the defaults when ``path`` is None.

    Raises UsageError for a missing file, a file that is not TOML, an unknown name or a value of another kind.
    """
    if path is None:
        return Settings()
    return settings_from(_toml(path), path.name)


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise UsageError(f"the settings file {path.name} does not exist; name another with --settings") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"{path.name} is not a TOML file ({error}); see the README for an example") from None


def settings_from(values: dict[str, Any], source: str) -> Settings:
    """Settings from plain values; ``source`` names them in messages. Raises UsageError."""
    kinds: dict[str, type] = {field.name: type(field.default) for field in fields(Settings)}
    given: dict[str, Any] = {}
    for name, value in values.items():
        if name == "acknowledged":
            given[name] = tuple(_acknowledged(entry, source) for entry in value)
        elif name not in kinds:
            raise UsageError(f"{source}: unknown setting {name!r}; expected one of {', '.join(sorted(kinds))}")
        elif isinstance(value, bool) or not isinstance(value, int | kinds[name]):
            raise UsageError(f"{source}: {name} is {value!r}; expected a number")
        else:
            given[name] = kinds[name](value)
    return _checked(Settings(**given), source)


def _acknowledged(entry: Any, source: str) -> Acknowledged:
    wanted = {"rule", "tank_id", "reason"}
    if not isinstance(entry, dict) or set(entry) != wanted or not all(map(str, entry.values())):
        raise UsageError(f"{source}: each [[acknowledged]] entry has exactly rule, tank_id and reason")
    return Acknowledged(**{name: str(value) for name, value in entry.items()})


def _checked(settings: Settings, source: str) -> Settings:
    try:
        dt.date(2023, settings.season_start_month, settings.season_start_day)  # 2023: no 29 February
    except ValueError:
        raise UsageError(
            f"{source}: the season start {settings.season_start_month}-{settings.season_start_day} is no date; "
            "write the month as 1 to 12 and a day it has every year"
        ) from None
    return settings
