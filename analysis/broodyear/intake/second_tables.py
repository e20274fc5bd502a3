"""A second table below the first, in one file or on one sheet, told by its heading row behind a blank line.

Blank lines between ordinary rows are common, so that a row is taken for a heading only where its words say so, or
where the cells above or below it are of another kind."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import islice

from broodyear.findings import Finding, first_of
from broodyear.intake.bodies import Body, Dialect
from broodyear.intake.labels import is_label, titled
from broodyear.intake.messages import shown
from broodyear.intake.recognise import plain_name
from broodyear.intake.shapes import BLANKS
from broodyear.intake.wording import worded
from broodyear.schemas import all_tables

#: So many rows on each side of a blank line tell what the columns hold.
_COMPARED = 20
#: So many cells of a heading row are named.
_NAMED = 5
#: A heading is no sentence.
_LONGEST_HEADING = 60
#: A number, a day or an hour in figures.
_VALUE = re.compile(r"[+-]?[0-9][0-9.,:/ T-]*%?")
#: Last words of headings that no table declares.
_LAST_WORDS = frozenset({"name", "no", "nr", "number", "id", "code", "key", "date", "day"})
#: What stands in the place of a number that nobody has: a row with it is an ordinary row.
_NO_NUMBER = frozenset(
    {"none", "unknown", "missing", "n/a", "na", "nd", "not counted", "not known", "-", "?", "."}
)


@dataclass(frozen=True)
class SecondTable:
    """line, headings: where it begins and what stands there; last: the last line that may belong to it; title:
    what stands over it where it has the headings of the first table."""

    line: int
    headings: tuple[str, ...]
    last: int
    title: str | None = None

    def finding(self, path: str, table: str) -> Finding:
        """What is told of it. table: whose rows its lines would be read as."""
        named = first_of([shown(heading) for heading in self.headings], _NAMED)
        given = {"line": self.line, "last": self.last, "named": named, "table": table}
        if self.title is None:
            texts = worded("cells.txt", "second_table", given)
        else:
            texts = worded("cells.txt", "titled_table", {**given, "title": shown(self.title)})
        return Finding(path, self.line, table, None, None, "error", "second_table", *texts)


#: A line and what stands on it: its text, which is cut into cells only where they are asked for, or its cells.
_Line = tuple[int, str | list[str]]


@dataclass
class _Block:
    """Lines without a blank one between them. above: the last lines before; first: its first lines; last: the
    number of its last."""

    above: tuple[_Line, ...]
    first: list[_Line] = field(default_factory=list)
    last: int = 0


def second_tables(body: Body, dialect: Dialect) -> list[SecondTable]:
    """The tables that seem to begin below the first. Goes over all rows: only for files with blank lines."""
    found: list[SecondTable] = []
    for block in _blocks(body, dialect):
        line = _heading(block, dialect)
        if line is not None:
            named = tuple(cell.strip(BLANKS) for cell in _cells(line, dialect) if cell.strip(BLANKS))
            found.append(SecondTable(line[0], named, block.last))
        elif found:
            found[-1] = replace(found[-1], last=block.last)
    return found


def under_titles(body: Body, dialect: Dialect, headers: Collection[int], *, any_title: bool) -> list[SecondTable]:
    """The tables below the first that stand under a title of their own: what holds for all rows of the first, as
    the tank, does not hold for theirs. A title is the label of another tank alone on a line, or, for any_title,
    whatever stands so above the headings where they come again, on the lines ``headers``."""
    found: list[SecondTable] = []
    titles: set[str] = set()
    alone: tuple[int, str] | None = None
    for row in body.rows(dialect.separator):
        cells = [cell.strip(BLANKS) for cell in row.cells if cell.strip(BLANKS)]
        if row.line <= dialect.header_line:
            titles |= {cell.lower() for cell in cells}
            continue
        begins = alone if any_title and row.line in headers else None
        if len(cells) == 1 and cells[0].lower() not in titles:
            alone = row.line, cells[0]
            begins = alone if is_label(cells[0]) or titled(cells[0]) else begins
        elif cells:
            alone = None
        if begins is not None and (not found or found[-1].line < begins[0]):
            if found:
                found[-1] = replace(found[-1], last=begins[0] - 1)
            found.append(SecondTable(begins[0], (), row.line, begins[1]))
        elif found and cells:
            found[-1] = replace(found[-1], last=row.line)
    return found


def _blocks(body: Body, dialect: Dialect) -> Iterator[_Block]:
    above: deque[_Line] = deque(maxlen=_COMPARED)
    block = _Block(())
    blanks = BLANKS + dialect.separator
    for line in _lines(body, dialect):
        held = line[1]
        if held.strip(blanks) if isinstance(held, str) else any(cell.strip(BLANKS) for cell in held):
            if len(block.first) < _COMPARED:
                block.first.append(line)
            block.last = line[0]
            above.append(line)
        elif block.first:
            yield block
            block = _Block(tuple(above))
    if block.first:
        yield block


def _lines(body: Body, dialect: Dialect) -> Iterator[_Line]:
    """The lines below the header. Of a text without quotes each is a row, and need not be cut into cells."""
    if body.text is None or body.text.census.has_quote:
        rows = body.rows(dialect.separator)
        yield from ((row.line, row.cells) for row in rows if row.line > dialect.header_line)
        return
    with body.text.path.open(encoding="utf-8-sig", newline="") as text:
        yield from islice(enumerate(text, 1), dialect.header_line, None)


def _cells(line: _Line, dialect: Dialect) -> list[str]:
    held = line[1]
    return held.rstrip("\r\n").split(dialect.separator) if isinstance(held, str) else held


def _plain(cells: Sequence[str]) -> list[str]:
    return [cell.strip(BLANKS).lower() for cell in cells]


def _heading(block: _Block, dialect: Dialect) -> _Line | None:
    """The line of a block that heads a table of its own; a title may stand above it. None where no line does."""
    has_title = len(block.first) > 1 and sum(map(bool, _plain(_cells(block.first[0], dialect)))) == 1
    line, *rest = block.first[has_title:]
    words = {position: cell for position, cell in enumerate(_plain(_cells(line, dialect))) if cell}
    if not block.above or not _may_be_headings(list(words.values())):
        return None
    header = _plain(dialect.header)
    # The header again has a finding of its own, and the rows below it are the table's.
    if all(position < len(header) and header[position] == word for position, word in words.items()):
        return None
    above, below = ([_plain(_cells(other, dialect)) for other in lines] for lines in (block.above, rest))
    if any(word in _column(above, position) for position, word in words.items()):
        return None
    return line if _heads(words, header, above, below) else None


def _may_be_headings(words: list[str]) -> bool:
    """Whether these may be headings at all: several words, no two alike, and no figure in any."""
    return (
        len(words) > 1
        and len(set(words)) == len(words)
        and not any(character.isdigit() for word in words for character in word)
        and not any(word in _NO_NUMBER or len(word) > _LONGEST_HEADING for word in words)
    )


def _heads(words: dict[int, str], header: list[str], above: list[list[str]], below: list[list[str]]) -> bool:
    """Whether words that may be headings are some: known as such, or unlike the cells above or below them."""
    known = sum(word in header or _is_known(word) for word in words.values())
    others = [(_column(above, position), _column(below, position)) for position in words]
    below_values = sum(len(up) > 1 and _no_values(up) and len(down) > 0 and _values(down) for up, down in others)
    above_values = sum(len(up) > 1 and _values(up) for up, _ in others)
    if known and (below_values or above_values):
        return True
    # Two at least, and half of them.
    return 2 * max(known, above_values) >= max(len(words), 4) or (below_values > 0 and len(below) > 1)


def _column(rows: list[list[str]], position: int) -> list[str]:
    """What stands at a position in some rows, blank cells left off."""
    return [cells[position] for cells in rows if position < len(cells) and cells[position]]


def _values(cells: list[str]) -> bool:
    return all(_VALUE.fullmatch(cell.upper()) for cell in cells)


def _no_values(cells: list[str]) -> bool:
    return not any(_VALUE.fullmatch(cell.upper()) for cell in cells)


def _is_known(word: str) -> bool:
    name = plain_name(word).strip(".:_")
    return name in _declared() or name.rsplit("_", 1)[-1] in _LAST_WORDS


@cache
def _declared() -> frozenset[str]:
    """The names of all declared columns and their synonyms."""
    columns = [column for table in all_tables() for column in table.columns]
    return frozenset(plain_name(word) for column in columns for word in (column.name, *column.synonyms))
