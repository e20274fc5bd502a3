"""Layouts: how files of another shape become rows of the tables, and which labels mean one thing.

``read_layouts`` reads and proves layouts.toml, ``chosen_layouts`` the one that holds for a store, ``fitting``
which layouts fit a file, ``joined_labels`` which labels mean one thing, ``layout_text`` and ``same_text`` write
entries back. Nothing here reads a record.
"""

from __future__ import annotations

from broodyear.layouts.model import (
    HeadingNames,
    Layout,
    Layouts,
    Rows,
    Value,
    fitting,
    header_position,
    heading_names,
)
from broodyear.layouts.reading import (
    LAYOUTS_FILE,
    LAYOUTS_VARIABLE,
    chosen_layouts,
    joined_labels,
    layouts_from,
    read_layouts,
    require_layouts_file,
)
from broodyear.layouts.writing import layout_text, same_text, without_same

__all__ = [
    "LAYOUTS_FILE",
    "LAYOUTS_VARIABLE",
    "HeadingNames",
    "Layout",
    "Layouts",
    "Rows",
    "Value",
    "chosen_layouts",
    "fitting",
    "header_position",
    "heading_names",
    "joined_labels",
    "layout_text",
    "layouts_from",
    "read_layouts",
    "require_layouts_file",
    "same_text",
    "without_same",
]
