"""What the page on columns shows of a file: drafted layouts, first rows, and the words of each kind of sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from broodyear.desk.mapping.choices import draft_from
from broodyear.desk.mapping.drafts import LEAVE, Draft, Drafts, Sheet
from broodyear.intake.bodies import Body, read_body
from broodyear.intake.decoding import SEPARATORS
from broodyear.intake.drafting import Draft as Drafted
from broodyear.intake.drafting import draft_all
from broodyear.intake.sources import Source, find_sources
from broodyear.layouts import Layouts, fitting, heading_names
from broodyear.layouts.model import column_letters
from broodyear.settings import SeasonSpan

#: Rows of a sheet that are shown, and different values of a column that are kept.
SHOWN_ROWS, KEPT_VALUES = 8, 300


def sample_sheets(
    paths: Sequence[Path], scratch: Path, layouts: Layouts, seasons: SeasonSpan | None, drafts: Drafts
) -> int:
    """Put each kind of sheet that nothing fits among ``drafts``; how many there are."""
    drafted = draft_all(paths, scratch, layouts=layouts, seasons=seasons).drafts
    sources = find_sources(paths, None, scratch).found
    bodies = [(source, read_body(source, scratch, number, may_link=True)) for number, source in enumerate(sources)]
    for one in drafted:
        source, body = next((source, body) for source, body in bodies if source.shown == one.path)
        sheet = _sheet(one, source, body, _others(one, bodies), seasons is not None)
        drafts.add(sheet, _draft(sheet, one))
    return len(drafted)


def _others(drafted: Drafted, bodies: Sequence[tuple[Source, Body]]) -> tuple[str, ...]:
    """The other sheets that the drafted layout fits."""
    return tuple(
        source.shown
        for source, body in bodies
        if source.shown != drafted.path
        and fitting(
            [drafted.layout], source.name, source.sheet.name if source.sheet else None,
            [row.cells for row in body.first_rows(_separator(body, drafted))],
        )
    )  # fmt: skip


def _separator(body: Body, drafted: Drafted) -> str:
    """The separator that gives the drafted headings; a sheet's cells have none."""
    wanted = tuple(heading.heading for heading in drafted.headings)
    for separator in SEPARATORS if body.sheet is None else ():
        for row in body.first_rows(separator):
            if row.line == drafted.header_line and heading_names(row.cells).shown[: len(wanted)] == wanted:
                return separator
    return ","


def _sheet(drafted: Drafted, source: Source, body: Body, others: tuple[str, ...], has_seasons: bool) -> Sheet:
    separator = _separator(body, drafted)
    headings = tuple(heading.heading for heading in drafted.headings)
    first = body.first_rows(separator)
    looked_at = body.rows(separator) if body.sheet else first
    rows = [tuple(row.cells) for row in looked_at if row.line > drafted.header_line]
    rows = [row for row in rows if any(cell.strip() for cell in row)]
    above = {
        f"{column_letters(position)}{row.line}": cell.strip()
        for row in first
        if row.line < drafted.header_line
        for position, cell in enumerate(row.cells)
        if cell.strip()
    }
    columns = [
        [row[position].strip() if position < len(row) else "" for row in rows] for position in range(len(headings))
    ]
    values = tuple(tuple(filter(None, dict.fromkeys(column)))[:KEPT_VALUES] for column in columns)
    return Sheet(
        source.shown, source.name, source.sheet.name if source.sheet else None, others, drafted.header_line,
        headings, tuple(rows[:SHOWN_ROWS]), values, above, has_seasons,
    )  # fmt: skip


def _draft(sheet: Sheet, drafted: Drafted) -> Draft:
    """The choices that the drafted layout stands for; columns that hold nothing are left out."""
    draft = draft_from(sheet, drafted.layout)
    empty = {heading: LEAVE for heading, values in zip(sheet.headings, sheet.values, strict=True) if not values}
    return replace(draft, meanings={**empty, **draft.meanings})
