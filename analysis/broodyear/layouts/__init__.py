"""Layouts: how files of another shape become rows of the tables, and which labels mean one thing.

``read_layouts`` reads and proves layouts.toml, ``chosen_layouts`` the one that holds for a store, ``fitting``
which layouts fit a file, ``layout_text`` and ``same_text`` write entries back. Nothing here reads a record.
"""

from __future__ import annotations

from broodyear.layouts.fitting import HeadingNames, fitting, header_position, heading_names
from broodyear.layouts.model import Layout, Layouts, Rows, SameLabel, Value
from broodyear.layouts.reading import (
    LAYOUTS_FILE,
    chosen_layouts,
    layouts_from,
    read_layouts,
    require_layouts_file,
)
from broodyear.layouts.writing import layout_text, same_text

__all__ = [
    "LAYOUTS_FILE",
    "HeadingNames",
    "Layout",
    "Layouts",
    "Rows",
    "SameLabel",
    "Value",
    "chosen_layouts",
    "fitting",
    "header_position",
    "heading_names",
    "layout_text",
    "layouts_from",
    "read_layouts",
    "require_layouts_file",
    "same_text",
]
