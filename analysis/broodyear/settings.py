"""What a programme may set: season start, limits, species, what it has looked into, labels that mean one thing."""

from __future__ import annotations

import datetime as dt
import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, Literal

from broodyear.errors import UsageError

#: The name of a settings file that is found beside the store.
SETTINGS_FILE = "programme.toml"
#: What a species is declared with beside its code, and the largest units that can be meant.
SPECIES_UNITS = ("hatch_c_days", "button_up_c_days", "release_c_days")
MOST_UNITS_C_DAYS = 3000.0
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,59}")

SameKind = Literal["tank", "site", "region", "batch"]
#: The first and the last day of some seasons, between which a year in two figures must lie.
SeasonSpan = tuple[dt.date, dt.date]


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
class Species:
    """A species that the programme declares, with its nominal thermal units from fertilisation (°C·d above 0 °C).

    code: as in the batches table; hatch_c_days, button_up_c_days, release_c_days: to half hatched, button-up and
    release; names: other spellings that files have for it.
    """

    code: str
    hatch_c_days: float
    button_up_c_days: float
    release_c_days: float
    names: tuple[str, ...] = ()


@dataclass(frozen=True)
class SameLabel:
    """Labels that mean one thing: ``also`` are read as ``label``. Rows keep the label they came with."""

    kind: SameKind
    label: str
    also: tuple[str, ...]


@dataclass(frozen=True)
class Settings:
    """Settings of one programme, with units in the names.

    season_start_month, season_start_day: first day of a season (default 1 August).
    warm_limit_c: published limit for spawning and incubation, 13 °C as 7-day mean of daily maxima
    (OAR 340-041-0028, from memory). cold_limit_c: below this, early eggs suffer (Peterson et al. 1977).
    interpolate_up_to_days: longest gap in daily readings filled by a straight line (common practice, no source).
    exposure_max_missing_pct, validation_max_missing_pct: above these shares of days not read,
    no exposure is given, or an exposure is none for validation (common practice, no source).
    validation_max_gap_se_days: a stage is left out of model validation where days not read may move it by more
    (one standard error; about what tanks of a programme differ by, judgement).
    silent_days: a tank without any record for longer is on the week's list (common practice, no source).
    total_ammonia_limit_mg_l: as N; 30-day criterion for freshwater life at pH 7 and 20 °C (US EPA 2013, EPA
    822-R-13-001, as quoted elsewhere): the warmer and the less acid the water, the less of it does harm.
    nitrite_limit_mg_l: as N (common practice, no source). chlorine_limit_mg_l: total chlorine (common practice, no
    source). ph_low_limit, ph_high_limit: Piper et al. 1982, Fish Hatchery Management, p. 11; IDAPA 58.01.02.250.
    same: labels that mean one thing; they stand in layouts.toml, not in the settings file.
    """

    season_start_month: int = 8
    season_start_day: int = 1
    warm_limit_c: float = 13.0
    cold_limit_c: float = 4.0
    interpolate_up_to_days: int = 3
    exposure_max_missing_pct: float = 40.0
    validation_max_missing_pct: float = 20.0
    validation_max_gap_se_days: float = 2.0
    silent_days: int = 14
    total_ammonia_limit_mg_l: float = 1.9
    nitrite_limit_mg_l: float = 0.5
    chlorine_limit_mg_l: float = 0.02
    ph_low_limit: float = 6.5
    ph_high_limit: float = 9.0
    acknowledged: tuple[Acknowledged, ...] = ()
    species: tuple[Species, ...] = ()
    same: tuple[SameLabel, ...] = ()

    def meant_by(self, kind: SameKind) -> dict[str, str]:
        """Each label of a kind that is read as another -> that other."""
        return {other: entry.label for entry in self.same if entry.kind == kind for other in entry.also}

    def groups_of(self, kind: SameKind) -> list[tuple[str, ...]]:
        """The labels of a kind that mean one thing, all together."""
        groups: dict[str, list[str]] = {}
        for other, label in self.meant_by(kind).items():
            groups.setdefault(label, [label]).append(other)
        return [tuple(group) for group in groups.values()]


def words_of_species(settings: Settings) -> tuple[tuple[str, ...], dict[str, str]]:
    """(codes, small-lettered spelling → code) of the species that the settings declare."""
    spelt = {word.lower(): one.code for one in settings.species for word in (one.code, *one.names)}
    return tuple(one.code for one in settings.species), spelt


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
    values = {"rule": entry.rule, "tank_id": entry.tank_id, "reason": entry.reason}
    lines = [f"{name} = {json.dumps(text, ensure_ascii=False)}" for name, text in values.items()]
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
    return settings_from(toml_values(path, "settings", "see the README for an example"), path.name)


def toml_values(path: Path, kind: str, hint: str) -> dict[str, Any]:
    """The values of a TOML file of settings or models (kind). Raises UsageError where it cannot be read."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise UsageError(f"the {kind} file {path.name} does not exist; name another with --{kind}") from None
    except OSError as error:
        raise UsageError(f"the {kind} file {path.name} cannot be read: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"{path.name} is not a TOML file ({error}); {hint}") from None


def settings_from(values: dict[str, Any], source: str) -> Settings:
    """Settings from plain values; ``source`` names them in messages. Raises UsageError."""
    known = [field for field in fields(Settings) if field.name != "same"]
    kinds: dict[str, type] = {field.name: type(field.default) for field in known}
    given: dict[str, Any] = {}
    for name, value in values.items():
        if name == "acknowledged":
            given[name] = tuple(_acknowledged(entry, source) for entry in value)
        elif name == "species":
            given[name] = _all_species(value, source)
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


def species_entry(code: str) -> str:
    """The entry of a settings file that declares a species, with its numbers still to be put in."""
    named = f"code = {json.dumps(code, ensure_ascii=False)}"
    lines = ["[[species]]", named, *(f"{name} = …" for name in SPECIES_UNITS)]
    return f"lines of its own in {SETTINGS_FILE}: {' | '.join(lines)}"


def _all_species(entries: Any, source: str) -> tuple[Species, ...]:
    found = tuple(_species(entry, source) for entry in (entries if isinstance(entries, list) else [entries]))
    spellings = [word.lower() for one in found for word in {one.code, *one.names}]
    twice = sorted({word for word in spellings if spellings.count(word) > 1})
    if twice:
        raise UsageError(f"{source}: two [[species]] entries are called {twice[0]!r}; keep one")
    return found


def _species(entry: Any, source: str) -> Species:
    needed = {"code", *SPECIES_UNITS}
    if not isinstance(entry, dict) or not needed <= set(entry) <= {*needed, "names"}:
        raise UsageError(
            f"{source}: a [[species]] entry reads {entry!r}; expected code, {', '.join(SPECIES_UNITS)} and, where "
            "files write it otherwise, names"
        )
    code, names = entry["code"], entry.get("names", [])
    if not isinstance(code, str) or not _CODE.fullmatch(code):
        raise UsageError(
            f"{source}: a species has the code {code!r}; expected 1 to 60 letters, figures and signs of _ . -"
        )
    if not isinstance(names, list) or not all(isinstance(name, str) and name.strip() for name in names):
        raise UsageError(f"{source}: the names of the species {code} are {names!r}; expected a list of texts")
    return Species(code, *_units(entry, source), tuple(name.strip() for name in names))


def _units(entry: Mapping[str, Any], source: str) -> tuple[float, float, float]:
    given = [entry[name] for name in SPECIES_UNITS]
    is_number = all(isinstance(value, int | float) and not isinstance(value, bool) for value in given)
    if not is_number or not 0.0 < given[0] < given[1] < given[2] <= MOST_UNITS_C_DAYS:
        raise UsageError(
            f"{source}: the thermal units of the species {entry['code']} are {', '.join(map(str, given))}; "
            f"expected °C·d from fertilisation, each stage later than the one before, up to {MOST_UNITS_C_DAYS:g} "
            "(°F·d divide by 1.8)"
        )
    return float(given[0]), float(given[1]), float(given[2])


def _checked(settings: Settings, source: str) -> Settings:
    try:
        dt.date(2023, settings.season_start_month, settings.season_start_day)  # 2023: no 29 February
    except ValueError:
        raise UsageError(
            f"{source}: the season start {settings.season_start_month}-{settings.season_start_day} is no date; "
            "write the month as 1 to 12 and a day it has every year"
        ) from None
    return settings
