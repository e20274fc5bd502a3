"""The data dictionary and the upload templates, written from the declarations in words a teacher can follow; and
the descriptor that makes an exported folder a valid Data Package (open standard)."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from broodyear.claims import ClaimKind, Reason
from broodyear.schemas.declarations import LONGEST_CODE, TABLE_NAMES, Column, Table, all_tables, descriptor

_KIND_WORDS = {
    "code": f"a code: 1 to {LONGEST_CODE} letters, figures or signs",
    "text": "text",
    "integer": "a whole number",
    "count": "a whole number",
    "number": "a number",
    "year": "a year in four figures",
    "boolean": "yes or no",
    "date": "a date, year first: 2024-11-08",
    "moment": "a date and hour, 2024-11-08T14:30, or the date alone when the hour is not known",
}


def dictionary_markdown(tables: tuple[Table, ...] | None = None) -> str:
    """The data dictionary of ``tables`` as a Markdown page; of all twelve (default) with the words of reports."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True
    )
    environment.filters |= {
        "what_to_write": what_to_write,
        "sentence": lambda said: f"{said[0].upper()}{said[1:]}.",
    }
    page = environment.from_string(Path(__file__).with_name("dictionary.txt").read_text(encoding="utf-8"))
    chosen = all_tables() if tables is None else tables
    told = len(chosen) == len(all_tables())
    return page.render(tables=chosen, claims=[*ClaimKind] if told else [], reasons=[*Reason])


def what_to_write(column: Column) -> str:
    """Allowed values of a column in plain words."""
    if column.allowed:
        said = column.in_words or {}
        words = ", ".join(f"`{one}` ({said[one]})" if said.get(one) else f"`{one}`" for one in column.allowed)
        return f"{words}, or a code that `[[species]]` of the settings declares" if column.is_open else words
    if column.kind == "count":
        return f"a whole number from 0 to {_number(column.maximum)}"
    words = _KIND_WORDS[column.kind]
    if column.range_by is not None:
        parts = [f"{_span(low, high)} for {value}" for value, (low, high) in column.range_by.ranges.items()]
        return f"{words}, {' or '.join(parts)}"
    if column.kind == "number" and column.minimum is not None:
        return f"{words}, {_span(column.minimum, column.maximum)}"
    return words


def _span(low: float | None, high: float | None) -> str:
    return f"{_number(low)} or more" if high is None else f"{_number(low)} to {_number(high)}"


def _number(value: float | None) -> str:
    if value is None:
        return "any"
    return f"{value:,.0f}".replace("-", "−") if value == int(value) else str(value)


def template_csv(table: Table) -> str:
    """An upload template: the header and one example row, ended by CRLF as spreadsheets write them."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    columns = [column for column in table.columns if not column.is_addition]
    writer.writerow([column.name for column in columns])
    writer.writerow([column.example for column in columns])
    return text.getvalue()


_MEDIA_TYPES = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}


def data_package(
    file_format: str, extra_resources: tuple[Mapping[str, Any], ...] = (), species: Sequence[str] = ()
) -> dict[str, Any]:
    """Descriptor of an export: the twelve tables as ``<table>.<file_format>``, then ``extra_resources``.

    species: codes that stand in the store; they are allowed beside the listed ones.
    """
    return {
        "profile": "data-package",
        "name": "broodyear-export",
        "title": "Survival and development records",
        "resources": [
            *(_resource(name, file_format, species) for name in TABLE_NAMES),
            *(dict(resource) for resource in extra_resources),
        ],
    }


def _resource(name: str, file_format: str, species: Sequence[str]) -> dict[str, Any]:
    schema = descriptor(name)
    for field in schema["fields"]:
        if field.get("moreBySettings"):
            field["constraints"]["enum"] = list(dict.fromkeys([*field["constraints"]["enum"], *species]))
    resource: dict[str, Any] = {
        "name": name,
        "path": f"{name}.{file_format}",
        "format": file_format,
        "mediatype": _MEDIA_TYPES[file_format],
        "schema": schema,
    }
    if file_format == "csv":
        resource |= {"profile": "tabular-data-resource", "encoding": "utf-8"}
    return resource
