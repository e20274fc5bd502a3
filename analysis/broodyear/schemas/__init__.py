"""The uploaded tables: declarations, and what is made from them (frames, dictionary, templates, data package)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from broodyear.schemas.declarations import (
    LONGEST_CODE,
    TABLE_NAMES,
    Column,
    RangeBy,
    Reference,
    RowRule,
    Table,
    all_tables,
    descriptor,
    table,
    with_words,
)
from broodyear.schemas.dictionary import data_package, dictionary_markdown, template_csv

if TYPE_CHECKING:
    from broodyear.schemas.frames import frame_schema, pandera_schema, result_schema

__all__ = [
    "LONGEST_CODE",
    "TABLE_NAMES",
    "Column",
    "RangeBy",
    "Reference",
    "RowRule",
    "Table",
    "all_tables",
    "data_package",
    "descriptor",
    "dictionary_markdown",
    "frame_schema",
    "pandera_schema",
    "result_schema",
    "table",
    "template_csv",
    "with_words",
]


def __getattr__(name: str) -> Any:
    # pandera costs a second to import and is needed only where frames are validated.
    if name in {"frame_schema", "pandera_schema", "result_schema"}:
        from broodyear.schemas import frames

        return getattr(frames, name)
    raise AttributeError(f"module 'broodyear.schemas' has no attribute {name!r}")
