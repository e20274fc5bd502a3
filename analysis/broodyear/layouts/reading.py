"""layouts.toml as values, each entry held to the declared tables; whatever is wrong with it is said all at once,
before any record is read."""

from __future__ import annotations

import datetime as dt
import difflib
import os
import re
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, get_args

from broodyear.errors import UsageError
from broodyear.layouts.model import (
    CONVERTED,
    DateOrder,
    Layout,
    Layouts,
    Rows,
    SourceKind,
    Value,
    conversion,
)
from broodyear.outputs import require_file
from broodyear.schemas import TABLE_NAMES, Column, Table, table
from broodyear.settings import SameKind, SameLabel

LAYOUTS_FILE = "layouts.toml"
LAYOUTS_VARIABLE = "BROODYEAR_LAYOUTS"


def chosen_layouts(given: Path | None, store: Path) -> Layouts:
    """The layouts that hold: of the file ``given``, else of layouts.toml beside the store, else of the one in the
    working folder, else none. Raises UsageError as ``read_layouts`` does."""
    found = _chosen_file(given, store)
    return Layouts() if found is None else read_layouts(found)


def joined_labels(given: Path | None, store: Path) -> tuple[SameLabel, ...]:
    """The labels that mean one thing, of the file that ``chosen_layouts`` reads. Its layouts may still be drafts:
    they are not looked at. Raises UsageError when it is missing, is no TOML, or has a mistake in such an entry."""
    found = _chosen_file(given, store)
    if found is None:
        return ()
    same = {key: value for key, value in _values(found).items() if key == "same"}
    return layouts_from(same, str(found)).same


def _chosen_file(given: Path | None, store: Path) -> Path | None:
    usual = (store.parent / LAYOUTS_FILE, Path(LAYOUTS_FILE))
    return given or next((path for path in usual if path.is_file()), None)


def read_layouts(path: Path) -> Layouts:
    """The layouts of a file. Raises UsageError when it is missing, is no TOML, or says what cannot be followed;
    then the message has a line for each mistake."""
    return layouts_from(_values(path), str(path))


def require_layouts_file(path: Path) -> None:
    """Raise UsageError unless layouts may be added to the file ``path``: it is free, or holds layouts, finished or
    not, and nothing else."""
    if not os.path.lexists(path):
        require_file(path, "layout")
        return
    if not path.is_file() or set(_values(path)) - {"layout", "same"}:
        raise UsageError(f"{path} is not a file of layouts; nothing was added. Name another with --out")


def _values(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise UsageError(f"the file {path} does not exist; name another with --layouts") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"{path} is not a TOML file ({error})") from None
    except OSError as error:
        raise UsageError(f"{path} cannot be read ({error.strerror})") from None


def layouts_from(values: Mapping[str, Any], path: str) -> Layouts:
    """Layouts from plain values; ``path`` names them in messages. Raises UsageError naming every mistake."""
    mistakes = Mistakes()
    mistakes.unknown_keys("", values, ("layout", "same"))
    layouts = [
        read_layout(entry, number, mistakes)
        for number, entry in enumerate(_entries(values, "layout", mistakes), 1)
    ]
    same = [
        _read_same(entry, number, mistakes) for number, entry in enumerate(_entries(values, "same", mistakes), 1)
    ]
    for name, count in Counter(layout.name for layout in layouts if layout.name).items():
        if count > 1:
            mistakes.add(f'layout "{name}"', f"{count} layouts have this name; each needs one of its own")
    _prove_labels(same, mistakes)
    if mistakes.found:
        count = len(mistakes.found)
        listed = "\n".join(f"  {mistake}" for mistake in mistakes.found)
        raise UsageError(f"{path} has {count} {'mistake' if count == 1 else 'mistakes'}:\n{listed}")
    return Layouts(tuple(layouts), tuple(same), path)


def _entries(values: Mapping[str, Any], key: str, mistakes: Mistakes) -> list[Mapping[str, Any]]:
    entries = values.get(key, [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        mistakes.add("", f"{key} is written as [[{key}]], once for each")
        return []
    return entries


def _read_same(entry: Mapping[str, Any], number: int, mistakes: Mistakes) -> SameLabel:
    where = f"[[same]] {number}"
    mistakes.unknown_keys(where, entry, ("kind", "label", "also"))
    if "kind" not in entry:
        mistakes.add(where, "kind is missing")
    kind = mistakes.choice(where, entry, "kind", get_args(SameKind))
    label = mistakes.text(where, entry, "label", needed=True) or ""
    also = mistakes.texts(where, entry, "also", needed=True)
    return SameLabel(kind, label, also)


def _prove_labels(same: list[SameLabel], mistakes: Mistakes) -> None:
    """A label may mean one thing only, and not be read on as yet another."""
    meant: dict[tuple[str, str], str] = {}
    labels = {(entry.kind, entry.label) for entry in same}
    for entry in same:
        where = f'[[same]] {entry.kind} "{entry.label}"'
        for other in entry.also:
            before = meant.setdefault((entry.kind, other), entry.label)
            if other == entry.label:
                mistakes.add(where, f'"{other}" is the label itself; leave it out of also')
            elif before != entry.label:
                mistakes.add(where, f'"{other}" is read as "{before}" already; it can mean one {entry.kind} only')
            elif (entry.kind, other) in labels:
                mistakes.add(where, f'"{other}" is the label of another entry; put all names into one entry')


SOURCES = get_args(SourceKind)
_FLAGS = ("heading", "cell_value")
_CELL = re.compile(r"[A-Za-z]{1,3}[1-9][0-9]{0,6}")


class Mistakes:
    """The mistakes of one file, and the readers that notice them."""

    def __init__(self) -> None:
        self.found: list[str] = []

    def add(self, where: str, what: str) -> None:
        """Take one mistake in."""
        self.found.append(f"{where}: {what}" if where else what)

    def unknown_keys(self, where: str, entry: Mapping[str, Any], known: Sequence[str]) -> None:
        """Say which keys of an entry mean nothing."""
        for key in entry:
            if key not in known:
                self.add(where, f"{key!r} is not known here{or_near(key, known)}")

    def text(self, where: str, entry: Mapping[str, Any], key: str, *, needed: bool = False) -> str | None:
        """The text under ``key``; None, and a mistake where it is needed, when there is none."""
        got = entry.get(key)
        if isinstance(got, str) and got.strip():
            return got.strip()
        if got is not None:
            self.add(where, f"{key} is {got!r}; expected a text in quotes")
        elif needed:
            self.add(where, f"{key} is missing")
        return None

    def texts(self, where: str, entry: Mapping[str, Any], key: str, *, needed: bool = False) -> tuple[str, ...]:
        """The list of texts under ``key``."""
        got = entry.get(key, [])
        if not isinstance(got, list) or not all(isinstance(one, str) and one.strip() for one in got):
            self.add(where, f'{key} is {got!r}; expected a list of texts, for example ["Date", "Dead"]')
            return ()
        if needed and not got:
            self.add(where, f"{key} is missing")
        return tuple(one.strip() for one in got)

    def choice(self, where: str, entry: Mapping[str, Any], key: str, known: Sequence[str]) -> Any:
        """The word under ``key``, one of ``known``, or None."""
        got = entry.get(key)
        if got is not None and got not in known:
            self.add(where, f"{key} is {got!r}; expected one of {', '.join(map(repr, known))}")
            return None
        return got


def or_near(word: str, known: Sequence[str]) -> str:
    """What ``word`` is likely meant for, else all that is known, as the end of a sentence."""
    close = difflib.get_close_matches(word.lower(), known, n=1, cutoff=0.6)
    return f"; did you mean {close[0]!r}?" if close else f"; expected one of {', '.join(known)}"


def read_layout(entry: Mapping[str, Any], number: int, mistakes: Mistakes) -> Layout:
    """One entry; what is wrong with it goes into ``mistakes``."""
    name = entry.get("name")
    where = f'layout "{name}"' if isinstance(name, str) and name.strip() else f"[[layout]] {number}"
    mistakes.unknown_keys(
        where, entry, ("name", "files", "sheet", "header", "date_order", "decimal", "ignore", "fill_down", "rows")
    )
    given = entry.get("rows", [])
    if not isinstance(given, list) or not all(isinstance(rows, dict) for rows in given):
        mistakes.add(where, "rows are written as [[layout.rows]], once for each table")
        given = []
    return Layout(
        name=mistakes.text(where, entry, "name", needed=True) or "",
        header=mistakes.texts(where, entry, "header", needed=True),
        files=mistakes.text(where, entry, "files"),
        sheet=mistakes.text(where, entry, "sheet"),
        date_order=mistakes.choice(where, entry, "date_order", get_args(DateOrder)),
        decimal=mistakes.choice(where, entry, "decimal", (",", ".")),
        ignore=mistakes.texts(where, entry, "ignore"),
        fill_down=mistakes.texts(where, entry, "fill_down"),
        rows=tuple(_read_rows(rows, f"{where}, rows {number}", mistakes) for number, rows in enumerate(given, 1)),
    )


def _read_rows(entry: Mapping[str, Any], where: str, mistakes: Mistakes) -> Rows:
    mistakes.unknown_keys(where, entry, ("table", "only_when", "unpivot", "columns"))
    name = mistakes.text(where, entry, "table", needed=True)
    unpivot = mistakes.text(where, entry, "unpivot")
    only_when = mistakes.texts(where, entry, "only_when")
    columns = entry.get("columns", {})
    if not isinstance(columns, dict) or not columns:
        mistakes.add(where, "[layout.rows.columns] says where each column of the table comes from; it is missing")
        columns = {}
    if name is None or name not in TABLE_NAMES:
        if name is not None:
            mistakes.add(where, f"there is no table {name!r}{or_near(name, TABLE_NAMES)}")
        return Rows(name or "", (), only_when, unpivot)
    target = table(name)
    where = f"{where} ({name})"
    known = {column.name: column for column in target.columns}
    values = []
    for column, given in columns.items():
        if column not in known:
            mistakes.add(where, f"{name} has no column {column!r}{or_near(column, target.column_names)}")
        values.append((column, _read_value(known.get(column), given, f"{where}, {column}", mistakes)))
    rows = Rows(name, tuple(values), only_when, unpivot)
    _prove_rows(rows, target, where, mistakes)
    return rows


def _prove_rows(rows: Rows, target: Table, where: str, mistakes: Mistakes) -> None:
    named = {column for column, _ in rows.columns}
    for column in target.required_names:
        if named and column not in named:
            mistakes.add(where, f"the table needs {column}; say where it comes from")
    sources = {value.source for _, value in rows.columns}
    if rows.unpivot is None and sources & set(_FLAGS):
        mistakes.add(where, "heading and cell_value need unpivot, the pattern of the headings they stand under")
    if rows.unpivot is not None and "cell_value" not in sources:
        mistakes.add(where, "unpivot needs a column that takes { cell_value = true }")


def _read_value(column: Column | None, given: Any, where: str, mistakes: Mistakes) -> Value:
    if not isinstance(given, dict):
        mistakes.add(where, f'{given!r} says no source; write for example {{ column = "Date" }}')
        return Value("constant")
    mistakes.unknown_keys(where, given, (*SOURCES, "and", "words", "without", "unit"))
    sources = [source for source in SOURCES if source in given]
    if len(sources) != 1:
        found = " and ".join(sources) or "none"
        mistakes.add(where, f"expected one source of {', '.join(SOURCES)}; found {found}")
        return Value("constant")
    source = sources[0]
    joined, behind = _read_and(given, where, mistakes)
    if (joined or behind) is not None and source not in {"column", "heading"}:
        mistakes.add(where, "and joins something to a column or a heading; it needs one of them beside it")
    text = _source_text(column, source, given, where, mistakes)
    without = mistakes.texts(where, given, "without")
    if without and (source not in {"column", "cell_value"} or column is None or column.kind != "count"):
        mistakes.add(where, "without leaves words out behind a count; it needs a column of counts")
    unit = _read_unit(column, given, source, where, mistakes)
    return Value(source, text, joined, behind, _read_words(given, source, where, mistakes), without, unit)


def _read_unit(column: Column | None, given: dict[str, Any], source: str, where: str, mistakes: Mistakes) -> str:
    """The unit of the numbers, where it is another than the column's."""
    unit = given.get("unit", "")
    if unit == "":
        return ""
    if source not in {"column", "cell_value"} or column is None or conversion(column, str(unit)) is None:
        known = [f"{name} for {of}" for of, units in CONVERTED.items() for name in units]
        mistakes.add(where, f"unit is {unit!r}; a column or cell_value of these may have one: {', '.join(known)}")
        return ""
    return str(unit)


#: What is the same in every row of a file.
_FIXED = ("constant", "file_name", "sheet_name", "cell")


def _read_and(given: Mapping[str, Any], where: str, mistakes: Mistakes) -> tuple[str | None, Value | None]:
    """What ``and`` sets behind a column or a heading: another column, or what is the same in every row."""
    if not isinstance(given.get("and"), dict):
        return mistakes.text(where, given, "and"), None
    behind = _read_value(None, given["and"], f"{where}, and", mistakes)
    if behind.source not in _FIXED:
        mistakes.add(where, f"and takes a heading in quotes, or one source of {', '.join(_FIXED)}")
    return None, behind


def _source_text(
    column: Column | None, source: SourceKind, given: Mapping[str, Any], where: str, mistakes: Mistakes
) -> str:
    if source in _FLAGS:
        if given[source] is not True:
            mistakes.add(where, f"{source} is {given[source]!r}; write {source} = true")
        return ""
    if source == "constant":
        return _constant(column, given[source], where, mistakes)
    text = mistakes.text(where, given, source) or ""
    if text and source in {"file_name", "sheet_name"}:
        _prove_expression(source, text, where, mistakes)
    if text and source == "cell":
        if not _CELL.fullmatch(text):
            mistakes.add(where, f'cell is {text!r}; expected the address of one cell, for example "B1"')
        return text.upper()
    return text


def _constant(column: Column | None, given: Any, where: str, mistakes: Mistakes) -> str:
    if isinstance(given, bool):
        return "yes" if given else "no"
    if isinstance(given, dt.date | dt.datetime):
        return given.isoformat()
    if not isinstance(given, str | int | float) or not str(given).strip():
        mistakes.add(where, f"constant is {given!r}; expected a text or a number")
        return ""
    text = str(given).strip()
    if text == "?":
        mistakes.add(where, "still marked with ?; say where it comes from")
        return text
    is_listed = column is not None and column.allowed and not column.is_open
    if column is not None and is_listed and text.lower() not in [word.lower() for word in column.allowed]:
        mistakes.add(where, f"constant is {text!r}{or_near(text, column.allowed)}")
    return text


def _prove_expression(source: str, text: str, where: str, mistakes: Mistakes) -> None:
    try:
        expression = re.compile(text)
    except re.error as error:
        mistakes.add(where, f"{source} is no regular expression ({error}): {text!r}")
        return
    if "value" not in expression.groupindex:
        mistakes.add(where, f"{source} needs a group called value, for example '(?P<value>[A-Z]+-[0-9]+)'")


def _read_words(
    given: Mapping[str, Any], source: SourceKind, where: str, mistakes: Mistakes
) -> tuple[tuple[str, str], ...]:
    words = given.get("words", {})
    if not isinstance(words, dict) or not all(isinstance(meant, str | int | float) for meant in words.values()):
        mistakes.add(where, f'words is {words!r}; expected for example {{ "sac fry" = "alevin" }}')
        return ()
    if words and source == "constant":
        mistakes.add(where, "a constant needs no words; write the word itself")
    read = tuple((str(written).strip().lower(), str(meant).strip()) for written, meant in words.items())
    if len({written for written, _ in read}) < len(read):
        mistakes.add(where, "words has the same word twice, case and outer spaces aside")
    return read
