"""The data dictionary and the upload templates, written from the declarations in words a teacher can follow; and
the descriptor that makes an exported folder a valid Data Package (open standard)."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
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

_INTRODUCTION = """# Data dictionary

Twelve tables hold the records. Each is a plain CSV file: first line the column names, then one row per record.
Send what you have: only the columns marked *needed* must be there, and a blank cell means "not recorded".
A blank is never read as zero.

- Dates are written year first: `2024-11-08`. `03/04/2024` can mean two days, so it is sent back.
- Numbers stand alone: `9.5`, not `9.5C`.
- Yes and no may be written `yes`/`no`, `true`/`false`, `y`/`n` or `1`/`0`.
- Codes are yours to choose; use the same code for the same tank, place or batch every season.
- A file is told by its name (`losses.csv`, `losses_north.csv`) or by its column names.
"""

_CLAIMS = """## Words of the reports: claims.csv

Each report folder holds `tables/claims.csv`, a row for every statement that its page makes, or looked for and does
not make. `estimate`, `low` and `high` are in `unit`; `p_family` is adjusted over the `comparisons` made side by
side and blank where no test was made; `sentence` is blank where the page says nothing.
"""


def dictionary_markdown(tables: tuple[Table, ...] | None = None) -> str:
    """The data dictionary of ``tables`` as a Markdown page; of all twelve (default) with the words of reports."""
    chosen = all_tables() if tables is None else tables
    words = [_claims_section()] if len(chosen) == len(all_tables()) else []
    return "\n".join([_INTRODUCTION, *(_table_section(table) for table in chosen), *words])


def _claims_section() -> str:
    kinds = ", ".join(f"`{kind}`" for kind in ClaimKind)
    lines = [_CLAIMS, f"`claim` is one of {kinds}.", "", "| reason | decision | means |", "|---|---|---|"]
    lines += [f"| `{reason}` | `{reason.decision}` | {reason.meaning} |" for reason in Reason]
    return "\n".join(lines) + "\n"


def _table_section(table: Table) -> str:
    lines = [f"## {table.name}", "", f"{table.description} {_sentence(table.grain)}", "", _key_sentence(table)]
    lines += [_reference_sentence(table)] if table.references else []
    lines += ["", "| column | meaning | what to write | unit | example |", "|---|---|---|---|---|"]
    lines += [_column_row(column) for column in table.columns]
    lines += ["", *(f"- {_sentence(f'Not accepted: {rule.message}')} {rule.advice}" for rule in table.row_rules)]
    return "\n".join(lines).rstrip() + "\n"


def _sentence(words: str) -> str:
    return words[0].upper() + words[1:] + "."


def _key_sentence(table: Table) -> str:
    key = ", ".join(f"`{name}`" for name in table.primary_key)
    season = f" and the season of `{table.key_season_of}`" if table.key_season_of else ""
    return f"A later row with the same {key}{season} replaces the earlier one; the earlier one stays readable."


def _reference_sentence(table: Table) -> str:
    parts = [f"`{ref.column}` must occur in [{ref.target_table}](#{ref.target_table})" for ref in table.references]
    return "; ".join(parts) + "."


def _column_row(column: Column) -> str:
    name = f"`{column.name}`" + (" (needed)" if column.required else "")
    name += " (not in the template: add it where you need it)" if column.is_addition else ""
    return f"| {name} | {column.meaning} | {what_to_write(column)} | {column.unit or ''} | `{column.example}` |"


def what_to_write(column: Column) -> str:
    """Allowed values of a column in plain words."""
    if column.allowed:
        words = ", ".join(_allowed_word(column, value) for value in column.allowed)
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


def _allowed_word(column: Column, value: str) -> str:
    words = (column.in_words or {}).get(value)
    return f"`{value}` ({words})" if words else f"`{value}`"


def _span(low: float | None, high: float | None) -> str:
    if high is None:
        return f"{_number(low)} or more"
    return f"{_number(low)} to {_number(high)}"


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
        resource["profile"] = "tabular-data-resource"
        resource["encoding"] = "utf-8"
    return resource
