"""layouts.toml as values; whatever is wrong with it is said all at once, before any record is read."""

from __future__ import annotations

import os
import tomllib
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_args

from broodyear.errors import UsageError
from broodyear.layouts.model import Layout, Layouts
from broodyear.layouts.proving import Mistakes, read_layout
from broodyear.outputs import require_file
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
    return given or next((place for place in usual if place.is_file()), None)


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
    _prove_names(layouts, mistakes)
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


def _prove_names(layouts: list[Layout], mistakes: Mistakes) -> None:
    for name, count in Counter(layout.name for layout in layouts if layout.name).items():
        if count > 1:
            mistakes.add(f'layout "{name}"', f"{count} layouts have this name; each needs one of its own")


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
