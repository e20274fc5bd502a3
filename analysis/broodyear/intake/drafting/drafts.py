"""A first layout for a file that fits no table: headings matched to columns, and what is missing marked."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from broodyear.errors import UnreadableFile
from broodyear.findings import Skipped
from broodyear.intake.bodies import Body, Dialect, Row, find_dialect, named_where_filled, read_body
from broodyear.intake.decoding import SEPARATORS
from broodyear.intake.drafting.assigned import Assigned, Beside
from broodyear.intake.drafting.assigning import Assigning
from broodyear.intake.drafting.headings import (
    Looks,
    are_ticks,
    in_two_orders,
    is_date,
    is_number,
    looks_of,
    meanings,
    noun_in,
    proved_order,
    word_meant,
)
from broodyear.intake.drafting.preview import PreviewTable, preview
from broodyear.intake.drafting.tables_beside import Block, assigned_together, blocks_of
from broodyear.intake.drafting.totals import without_totals
from broodyear.intake.opened import Opened, open_body
from broodyear.intake.recognise import FitsNothing, HeadersTwice, without_empty_end
from broodyear.intake.sources import Source, find_sources
from broodyear.layouts import HeadingNames, Layout, Layouts, Rows, Value, heading_names
from broodyear.layouts.model import column_letters, plain
from broodyear.schemas import table
from broodyear.settings import SeasonSpan

if TYPE_CHECKING:
    from broodyear.intake.session import Progress

#: Why a hidden sheet beside others gets no draft: what people hide is mostly old, or helps others to add up.
HIDDEN = "the sheet is hidden and fits no table; if its rows are records, unhide it and draft again"
#: So many different cells of a column are shown beside its heading.
EXAMPLES = 3
#: A file is known by so many headings where it has them.
FEWEST_KNOWN = 3


@dataclass(frozen=True)
class HeadingGuess:
    """One heading of a file. position: of its column, from 0; examples: some of its cells; uses: (table, column,
    on what ground) for each column that takes its cells, none when it is left over."""

    position: int
    heading: str
    examples: tuple[str, ...]
    uses: tuple[tuple[str, str, str], ...]

    @property
    def is_unnamed(self) -> bool:
        """Whether it stands for a heading that is blank."""
        return self.heading == f"column {column_letters(self.position)}"


@dataclass(frozen=True)
class Draft:
    """A layout guessed for one file. guesses: (table, column) -> on what ground; unknown: columns that the table
    needs and that nothing in the file tells, set to the constant "?"; words: (table, column) -> cells that are
    none of the words it may hold; proof: a date that proves the order of dates; two_orders: one that can be
    read in two, where nothing proves either; ticks: headings left over with nothing but marks below, when
    there are several; preview: the first rows."""

    path: str
    layout: Layout
    header_line: int
    headings: tuple[HeadingGuess, ...]
    guesses: dict[tuple[str, str], str]
    unknown: tuple[tuple[str, str], ...]
    words: dict[tuple[str, str], tuple[str, ...]]
    proof: str | None
    preview: tuple[PreviewTable, ...] = ()
    two_orders: str | None = None
    ticks: tuple[str, ...] = ()


@dataclass
class Drafts:
    """What a call gave: a draft for each kind of file that needs one; files that need none, with the reason;
    and what was not read."""

    drafts: list[Draft] = field(default_factory=list)
    settled: list[tuple[str, str]] = field(default_factory=list)
    skipped: list[Skipped] = field(default_factory=list)


def draft_all(
    paths: Iterable[str | Path],
    scratch: Path,
    *,
    layouts: Layouts | None = None,
    stdin: BinaryIO | None = None,
    seasons: SeasonSpan | None = None,
    progress: Progress | None = None,
) -> Drafts:
    """Draft a layout for each file that fits neither a table nor one of ``layouts``; files that a draft of this
    call fits already are settled by it. scratch: a folder for what is unpacked; progress: told of each file."""
    sources = find_sources(paths, stdin, scratch)
    result = Drafts(skipped=[*sources.skipped, *(Skipped(lost.shown, lost.message) for lost in sources.missing)])
    known = list((layouts or Layouts()).layouts)
    seen = {source.container for source in sources.found if source.sheet and not source.sheet.is_hidden}
    bodies = []
    for number, source in enumerate(sources.found):
        with _skipping(source, result):
            bodies.append((source, read_body(source, scratch, number, may_link=True)))
    has_tanks = any(_is_of_tanks(source, body) for source, body in bodies)
    read_by_drafts: list[tuple[Source, Body]] = []
    for done, (source, body) in enumerate(bodies):
        if progress is not None:
            progress(done, len(bodies), source.shown)
        with _skipping(source, result):
            opened = _opened(source, body, known)
            if opened is not None:
                layout = opened.dialect.layout
                how = f"the table {opened.tables}" if layout is None else f'the layout "{layout.name}"'
                result.settled.append((source.shown, how))
                read_by_drafts += [(source, body)] if layout is not None else []
                continue
            if source.sheet and source.sheet.is_hidden and source.container in seen:
                result.skipped.append(Skipped(source.shown, HIDDEN))
                continue
            taken = [one.name for one in known]
            draft = draft_layout(source, body, taken, seasons, bodies, has_tanks=has_tanks)
            draft = replace(draft, layout=_told_apart(draft.layout, source, read_by_drafts))
            result.drafts.append(draft)
            known.append(draft.layout)
            read_by_drafts.append((source, body))
    return result


@contextmanager
def _skipping(source: Source, result: Drafts) -> Iterator[None]:
    """What cannot be read is noted, and no reason to stop."""
    try:
        yield
    except UnreadableFile as error:
        result.skipped.append(Skipped(source.shown, error.args[0]))


def _opened(source: Source, body: Body, layouts: Sequence[Layout]) -> Opened | None:
    """A file as it is read already; None when it needs a layout."""
    try:
        return open_body(source, body, layouts)
    except FitsNothing:
        return None
    except HeadersTwice:
        if len(blocks_of(heading_names(without_empty_end(_dialect(body).header)))) > 1:
            return None
        raise


def _told_apart(layout: Layout, source: Source, others: Sequence[tuple[Source, Body]]) -> Layout:
    """A layout that says of which files and sheets it is, where its headings stand in files of others as well."""

    def takes_others(layout: Layout) -> bool:
        return any(_fits(layout, *other) for other in others)

    if takes_others(layout) and layout.files is None:
        layout = replace(layout, files=_names_like(source))
    if takes_others(layout) and source.sheet:
        layout = replace(layout, sheet=source.sheet.name)
    return layout


def _fits(layout: Layout, source: Source, body: Body) -> bool:
    with suppress(UnreadableFile):
        return find_dialect(body, source, [layout]).layout is not None
    return False


def _beside(
    source: Source, names: HeadingNames, bodies: Sequence[tuple[Source, Body]], *, has_tanks: bool
) -> Beside:
    """What the other files of a call tell of one with these headings."""
    wanted = set(map(plain, names.shown))
    alike: list[list[str]] = []
    for other, body in bodies:
        if source.sheet and other.sheet and other.container == source.container and other.shown != source.shown:
            rows = [list(map(plain, row.cells)) for row in body.first_rows(",")]
            alike += rows if any(2 * len(wanted & set(row)) >= len(wanted) for row in rows) else []
    return Beside(bool(alike), frozenset(cell for row in alike for cell in row), has_tanks)


def _is_of_tanks(source: Source, body: Body) -> bool:
    with suppress(UnreadableFile):
        return any(part.table.name == "tanks" for part in open_body(source, body, ()).parts)
    return False


def draft_layout(
    source: Source, body: Body, taken: Sequence[str] = (), seasons: SeasonSpan | None = None,
    bodies: Sequence[tuple[Source, Body]] = (), *, has_tanks: bool = False,
) -> Draft:  # fmt: skip
    """Guess how one file becomes rows of the tables.

    taken: names of layouts that there are already. seasons: those in which years of two figures must lie.
    bodies: all files of the call; has_tanks: one of them is of the table of tanks.
    Raises UnreadableFile when the file has no row with two headings.
    """
    dialect = _dialect(body)
    names = heading_names(without_empty_end(dialect.header))
    below = [row.cells for row in body.first_rows(dialect.separator) if row.line > dialect.header_line]
    columns = [
        [row[position] if position < len(row) else "" for row in below] for position in range(len(names.shown))
    ]
    looks = [looks_of(cells) for cells in columns]
    above = [row for row in body.first_rows(dialect.separator) if row.line < dialect.header_line]
    beside = _beside(source, names, bodies, has_tanks=has_tanks)

    def assign(block: Block) -> Assigned:
        """What one of several tables side by side gives."""
        cells, own = [columns[at] for at in block.positions], [looks[at] for at in block.positions]
        return Assigning(source, block.names, cells, own, block.above(above), beside).assigned()

    assigned = assigned_together(names, blocks_of(names), assign)
    with_words = [_with_words(rows, names, looks, beside.cells) for rows in assigned.rows]
    assigned.rows = without_totals(with_words, names, body, dialect)
    if seasons is None and any(look.lacks_years for look in looks):
        # Days without a year are read in some season for a preview; a load asks for those of set-ups.
        seasons = dt.date(2000, 8, 1), dt.date(2100, 7, 31)
    dates = [*(cell for position in assigned.dates for cell in columns[position]), *assigned.day_headings]
    proof = proved_order(dates)
    decimals = (text for look in looks for text in look.distinct if re.fullmatch(r"[+-]?[0-9]+,[0-9]+", text))
    header = _header(assigned, names)
    layout = Layout(
        name=_free_name(source, taken),
        header=header,
        files=assigned.files or _files_like(source, header),
        date_order=proof[0] if proof else None,
        decimal="," if any(decimals) else None,
        fill_down=_filled_down(assigned.rows, names, below),
        rows=assigned.rows,
    )
    headings = tuple(
        HeadingGuess(position, name, looks[position].distinct[:EXAMPLES], tuple(assigned.uses.get(position, ())))
        for position, name in enumerate(names.shown)
    )
    return Draft(
        source.shown, layout, dialect.header_line, headings, assigned.grounds,
        assigned.unknown, _words(assigned, names, looks), proof[1] if proof else None,
        preview(layout, source, body, dialect, seasons), in_two_orders(dates),
        _ticks(headings, looks),
    )  # fmt: skip


def _filled_down(rows: Sequence[Rows], names: HeadingNames, below: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Headings of labels that stand once above the lines they are meant for: where other cells hold something they
    are blank in half of the lines or more, and not in the first."""
    labels = [
        value.text
        for one in rows
        for column, value in one.columns
        if value.source == "column" and value.joined is None and table(one.table).column(column).kind == "code"
        if table(one.table).column(column).required
    ]
    found = []
    for heading in dict.fromkeys(labels):
        position = names.position(heading)
        cells = [
            row[position : position + 1] for row in below if position is not None and any(map(str.strip, row))
        ]
        is_blank = [not "".join(cell).strip() for cell in cells]
        if is_blank and not is_blank[0] and sum(is_blank) >= max(2, len(is_blank) / 2):
            found.append(heading)
    return tuple(found)


def _ticks(headings: Sequence[HeadingGuess], looks: Sequence[Looks]) -> tuple[str, ...]:
    found = [one.heading for one in headings if not one.uses and are_ticks(one.heading, looks[one.position])]
    return tuple(found) if len(found) > 1 else ()


def _dialect(body: Body) -> Dialect:
    """The separator and header of a file that fits nothing: the row that holds most known headings."""
    separators = SEPARATORS if body.sheet is None else ","
    rows_of = {separator: body.first_rows(separator) for separator in separators}
    separator, row = max(
        ((separator, row) for separator, rows in rows_of.items() for row in rows),
        key=lambda candidate: _as_header(candidate[1]),
        default=(",", Row(1, [])),
    )
    if _as_header(row)[1] < 2:
        raise UnreadableFile("no row of it has two headings", "Send a table with headings above its columns.")
    cells = tuple(row.cells)
    header = cells if body.sheet is None else named_where_filled(cells, body.sheet, row.line)
    return Dialect(separator, header, row.line, plain_start=False)


def _as_header(row: Row) -> tuple[int, int]:
    """How many cells of a row are known headings, and how many hold words, or days side by side with one known."""
    texts = [cell.strip() for cell in row.cells if re.search(r"[^\W\d_]", cell)]
    known = sum(bool(meanings(text)) for text in texts)
    days = sum(is_date(cell) for cell in row.cells if cell.strip() not in texts)
    return known, len(texts) + (days if known and days > 1 else 0)


def _free_name(source: Source, taken: Sequence[str]) -> str:
    stem = re.sub(r"\.[A-Za-z.]+$", "", source.name) or "standard input"
    name = f"{stem}, {source.sheet.name}" if source.sheet else stem
    count = 2
    while name in taken:
        name, count = f"{name.removesuffix(f' {count - 1}')} {count}", count + 1
    return name


def _files_like(source: Source, header: Sequence[str]) -> str | None:
    """Names of files like this one, where its headings do not tell it from others: a lone "Tank" is in every file,
    and whatever such a layout took from another one would be left out."""
    return None if len(header) > 1 else _names_like(source)


def _names_like(source: Source) -> str:
    """Its name with any figures where it has some."""
    return re.sub("[0-9]+", "*", source.name)


def _header(assigned: Assigned, names: HeadingNames) -> tuple[str, ...]:
    """The headings by which later files of the kind are known: those that the layout takes one by one, and where
    these are few, others beside them without a figure, for a lone "Tank" is in every file."""
    used = {
        heading
        for rows in assigned.rows
        for _, value in rows.columns
        for heading in ((value.text, value.joined) if value.source == "column" else ())
        if heading
    }
    used |= {heading for rows in assigned.rows for heading in rows.only_when}
    others = [name for name in names.shown if name not in used and not re.search(r"[0-9]", name)]
    used |= set(others[: max(FEWEST_KNOWN - len(used), 0)])
    return tuple(name for name in names.shown if name in used) or names.shown[:1]


#: Words for none under a count, in a draft; a stroke may as well mean that nobody counted.
_NONE = ("none", "nil", "zero")


def _with_words(rows: Rows, names: HeadingNames, looks: Sequence[Looks], others: Collection[str]) -> Rows:
    """Rows with words for none under a count read as 0, what was counted left out behind a number, and words that
    are written apart read as the words of their column. others: cells of sheets that the layout reads as well."""

    def value_of(name: str, value: Value) -> Value:
        column = table(rows.table).column(name)
        position = names.position(value.text) if value.source == "column" and not value.joined else None
        if position is None or not (column.kind == "count" or column.allowed):
            return value
        written = dict.fromkeys([*(text.lower() for text in looks[position].distinct), *others])
        if column.allowed:
            known = {*column.spellings, *(word.lower() for word in column.allowed)}
            meant = ((text, word_meant(column, text)) for text in written if text not in known)
            return replace(value, words=tuple((text, word) for text, word in meant if word is not None))
        zeros = tuple((word, "0") for word in _NONE if word in written)
        nouns = {noun for text in written if (noun := noun_in(text))}
        return replace(value, words=zeros, without=tuple(sorted(nouns)))

    return replace(rows, columns=tuple((name, value_of(name, value)) for name, value in rows.columns))


def _words(
    assigned: Assigned, names: HeadingNames, looks: Sequence[Looks]
) -> dict[tuple[str, str], tuple[str, ...]]:
    """Cells under columns of words that are none of these words, and such as are no numbers among numbers."""
    found: dict[tuple[str, str], tuple[str, ...]] = {}
    for rows in assigned.rows:
        for name, value in rows.columns:
            column = table(rows.table).column(name)
            position = names.position(value.text) if value.source == "column" and value.joined is None else None
            if position is None or not (column.allowed or (column.is_number and looks[position].are_numbers)):
                continue
            known = {*(word.lower() for word in column.allowed), *(word for word, _ in value.words)}
            strange = tuple(text for text in looks[position].distinct if text.lower() not in known)
            if not column.allowed:
                strange = tuple(text for text in strange if not is_number(text))
            if strange:
                found[rows.table, name] = (*found.get((rows.table, name), ()), *strange)
    return found
