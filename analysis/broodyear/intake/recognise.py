"""Which table a file holds, told by its header, with its name as the second opinion; and how the cells of a file
of another shape become those of the table's rows: a layout, held to that file.

A slot is one row that each row of the file may give. A layout gives a table one slot for each [[layout.rows]], or
one for each column that its ``unpivot`` matches.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from broodyear.errors import UnreadableFile
from broodyear.intake.cell_sql import ParseOptions, cell, clean
from broodyear.intake.shapes import BLANKS
from broodyear.schemas import Column, Table, all_tables
from broodyear.store.layout import hour_flag, quoted


@dataclass(frozen=True)
class Piece:
    """Where one cell of a slot comes from. positions: in the file's row, of one cell or of two that are
    joined, none when it is the same in every row; fixed: the text that it is then, or that is set behind a cell
    that holds something; before: what is set before one; heading: what findings call it; words:
    (as written, as meant); without: words left out behind a number; stands_alone: cells like this expression stand
    alone, as a day that has its year; conversion: what is taken off a number, and what it is then divided by."""

    positions: tuple[int, ...]
    fixed: str = ""
    heading: str | None = None
    words: tuple[tuple[str, str], ...] = ()
    without: tuple[str, ...] = ()
    before: str = ""
    stands_alone: str = ""
    conversion: tuple[float, float] | None = None

    @property
    def is_as_received(self) -> bool:
        """Whether each cell that it takes is taken as it is, or joined to another at most."""
        made = self.words or self.without or self.before or self.conversion or (self.positions and self.fixed)
        return not made


@dataclass(frozen=True)
class Slot:
    """One row that a row of the file may give. pieces: one for each column, None where the slot says nothing of
    it; needs: positions of cells that must hold something; blanks: (position, word in small letters) of words that
    are nothing in such a cell."""

    pieces: tuple[Piece | None, ...]
    needs: tuple[int, ...]
    blanks: tuple[tuple[int, str], ...] = ()


def piece_sql(piece: Piece | None, options: ParseOptions) -> str:
    """SQL for the cell of a piece over the file's cells ``c0``, ``c1`` …, as it is received by the checks."""
    if piece is None:
        return "NULL::VARCHAR"
    if not piece.positions:
        return f"nullif({quoted(piece.fixed)}, '')"
    cell = f"c{piece.positions[0]}"
    if len(piece.positions) > 1 or piece.fixed or piece.before:
        cleaned = ", ".join(clean(f"c{position}", options) for position in piece.positions)
        cell = f"nullif(concat_ws(' ', {cleaned}), '')"
    if piece.fixed:
        # Behind a blank stands nothing.
        behind = f"({cell} || {quoted(f' {piece.fixed}')})"
        has_already = f"regexp_matches({cell}, {quoted(piece.stands_alone)})"
        cell = f"CASE WHEN {has_already} THEN {cell} ELSE {behind} END" if piece.stands_alone else behind
    if piece.before:
        cell = f"({quoted(f'{piece.before} ')} || {cell})"
    if piece.without:
        nouns = "|".join(map(re.escape, piece.without))
        cell = f"regexp_replace({cell}, {quoted(f'([0-9]) *(?:{nouns}) *$')}, '\\1', 'i')"
    if piece.conversion:
        cell = _converted(cell, piece.conversion, options)
    if not piece.words:
        return cell
    cases = " ".join(f"WHEN {quoted(written)} THEN {quoted(meant)}" for written, meant in piece.words)
    return f"CASE coalesce(lower(trim({cell})), '') {cases} ELSE {cell} END"


def _converted(cell: str, conversion: tuple[float, float], options: ParseOptions) -> str:
    """SQL of a number in the unit of its column, to two decimals; what is no number stays as it is."""
    off, divisor = conversion
    number = f"replace(trim({cell}), ',', '.')" if options.decimal_comma else f"trim({cell})"
    value = f"round((TRY_CAST({number} AS DOUBLE) - {off!r}) / {divisor!r}, 2)::VARCHAR"
    written = f"replace({value}, '.', ',')" if options.decimal_comma else value
    is_number = f"regexp_full_match({number}, '[+-]?[0-9]+([.][0-9]+)?')"
    return f"CASE WHEN {is_number} THEN {written} ELSE {cell} END"


def taken_sql(slot: Slot, width: int, options: ParseOptions) -> str:
    """SQL that tells whether a row of the file gives a row here: the cells it needs hold something; where it needs
    none, any cell does. A row that is spoiled as a whole gives one in any case, so that it is told."""
    cleaned = [clean(f"c{position}", options) for position in slot.needs or range(width)]
    conditions = [f"{cell} IS NOT NULL" for cell in cleaned]
    conditions += [f"lower({clean(f'c{position}', options)}) <> {quoted(word)}" for position, word in slot.blanks]
    holds = " AND ".join(conditions)
    if not slot.needs:
        holds = f"coalesce({', '.join(cleaned)}, NULL) IS NOT NULL"
    return f"({holds} OR unclosed OR surplus IS NOT NULL)"


def own_options(slots: tuple[Slot, ...], options: ParseOptions) -> ParseOptions:
    """How the cells that slots make are read: what is known of the file's bytes holds for those taken as they are,
    and not for those a layout makes."""
    made = [piece for slot in slots for piece in slot.pieces if piece is not None]
    if all(len(piece.positions) == 1 and piece.is_as_received for piece in made):
        return options
    fixed = "".join(piece.fixed + "".join(meant for _, meant in piece.words) for piece in made)
    joined = any(len(piece.positions) > 1 or (piece.positions and piece.fixed) for piece in made)
    return replace(
        options,
        blanks_inside=options.blanks_inside or joined or " " in fixed,
        is_ascii=options.is_ascii and fixed.isascii(),
    )


def slots_sql(slots: tuple[Slot, ...], width: int, options: ParseOptions, source: str) -> str:
    """SQL of the rows that all slots make of the relation ``source`` (``line``, ``unclosed``, the file's cells,
    ``surplus``): the table's cells in place of the file's, and in ``line`` the number of each row, which is
    line * (number of slots) + place of the slot."""
    return " UNION ALL ".join(
        f"SELECT line * {len(slots)} + {position} AS line, unclosed, {cells_sql(slot, options)}, surplus "
        f"FROM {source} WHERE {taken_sql(slot, width, options)}"
        for position, slot in enumerate(slots)
    )


def cells_sql(slot: Slot, options: ParseOptions) -> str:
    """SQL of all cells of a slot, as ``c0``, ``c1`` …"""
    return ", ".join(f"{piece_sql(piece, options)} AS c{number}" for number, piece in enumerate(slot.pieces))


#: How a file of another shape is read, as the end of a sentence.
IN_A_LAYOUT = "in a layout what each heading means; `broodyear layout FILE --out layouts.toml` drafts one."


class FitsNothing(UnreadableFile):
    """A header that is none of a table's."""


class HeadersTwice(UnreadableFile):
    """A header with a name that stands above several columns."""


@dataclass(frozen=True)
class Recognised:
    """What a file gives to one table. positions: declared column -> that of its cell in a row; header: a name for
    each cell of a row, trailing empty ones left off; source_width: cells that the file's own rows have;
    slots: how the file's cells become those of the table's rows, none when they are the same; filled_down:
    positions in the file's row of cells that hold, where they are blank, what stands above them."""

    table: Table
    positions: dict[str, int]
    header: tuple[str, ...]
    notes: tuple[str, ...]
    source_width: int
    slots: tuple[Slot, ...] = ()
    filled_down: tuple[int, ...] = ()

    @property
    def width(self) -> int:
        """Cells a row has."""
        return len(self.header)

    @property
    def header_cells(self) -> dict[str, str]:
        """Declared column -> what its cell holds where the header comes again, in lower case and without blanks
        around it; only columns whose cells are taken as they are."""
        if not self.slots:
            return {
                column: self.header[position].strip(BLANKS).lower() for column, position in self.positions.items()
            }
        pieces = {
            column: {slot.pieces[position] for slot in self.slots} for column, position in self.positions.items()
        }
        return {
            column: piece.heading.strip(BLANKS).lower()
            for column, (piece, *others) in pieces.items()
            if not others and piece and len(piece.positions) == 1 and piece.is_as_received and piece.heading
        }

    def headings(self, number: int) -> dict[str, str]:
        """Column of the table -> heading of the file, for the row of this number; blank when they are the same."""
        if not self.slots:
            return {}
        named = zip(self.header, self.slots[number % len(self.slots)].pieces, strict=True)
        return {name: piece.heading for name, piece in named if piece is not None and piece.heading}


@lru_cache(maxsize=10_000)
def plain_name(cell: str) -> str:
    """A header cell as a column name: other case, spaces around it, and spaces inside are forgiven."""
    return re.sub(r"[\s\-]+", "_", cell.strip(BLANKS + "'\"").lower())


def table_of_name(name: str) -> Table | None:
    """The table that a file name begins with, or None: losses.csv, losses_north.csv, losses-2024.csv."""
    stem = name.lower()
    for candidate in all_tables():
        if re.match(rf"{candidate.name}(?![a-z])", stem):
            return candidate
    return None


def header_score(cells: Sequence[str]) -> int:
    """How many cells of a row are names of declared columns, in the table that knows most of them."""
    names = {plain_name(cell) for cell in cells}
    return max(len(names.intersection(candidate.column_names)) for candidate in all_tables())


def find_header(rows: Sequence[Sequence[str]]) -> int:
    """Position of the header among the first rows: the first of those that know most column names.

    Raises UnreadableFile when no row knows any.
    """
    scores = [header_score(row) for row in rows]
    best = max(scores, default=0)
    if best == 0:
        filled = next((row for row in rows if any(cell.strip(BLANKS) for cell in row)), None)
        if filled is None:
            raise FitsNothing("the file is empty", "Send the table with its header row.")
        shown = ", ".join(cell.strip() for cell in filled)[:120]
        raise FitsNothing(
            f"no header was found: the first row reads {shown!r} and none of it is a known column",
            f"Put the column names in the first row, or say {IN_A_LAYOUT}",
        )
    return scores.index(best)


def recognise(header: Sequence[str], file_name: str) -> Recognised:
    """The table that the header fits, and where its columns are. Raises UnreadableFile (message, advice)."""
    cells = without_empty_end(header)
    notes = []
    if len(cells) < len(header):
        notes.append("empty columns at the end were left out")
    names = [plain_name(cell) for cell in cells]
    _refuse_repeats(names)
    named = table_of_name(file_name)
    chosen = _fitting_table(names, named)
    if named is not None and named is not chosen:
        notes.append(f"the name says {named.name}, the header says {chosen.name}; read as {chosen.name}")
    positions = {column: names.index(column) for column in chosen.column_names if column in names}
    if any(cells[position] != column for column, position in positions.items()):
        notes.append("column names in another case or with spaces were put right")
    extra = [cells[i].strip(BLANKS) for i, name in enumerate(names) if name and name not in positions]
    if extra:
        notes.append(f"columns not in the table were left out: {', '.join(extra)[:200]}")
    return Recognised(chosen, positions, tuple(cells), tuple(notes), len(cells))


def without_empty_end(header: Sequence[str]) -> list[str]:
    """The cells of a header without the blank ones at its end."""
    cells = list(header)
    while cells and not cells[-1].strip(BLANKS):
        cells.pop()
    return cells


def _refuse_repeats(names: Sequence[str]) -> None:
    twice = sorted({name for name in names if name and names.count(name) > 1})
    if twice:
        raise HeadersTwice(
            f"the header has {' and '.join(twice)} more than once",
            f"Keep one column of each name and send it again; of several tables side by side, say {IN_A_LAYOUT}",
        )


def _fitting_table(names: Sequence[str], named: Table | None) -> Table:
    """The one table that the header fits. A table that knows fewer of the columns than another does not count.

    Raises UnreadableFile when there is none, or when several remain and the name is of none of them.
    """
    known = {candidate.name: set(names) & set(candidate.column_names) for candidate in all_tables()}
    fitting = [candidate for candidate in all_tables() if set(candidate.required_names) <= set(names)]
    fitting = [one for one in fitting if not any(known[one.name] < known[other.name] for other in fitting)]
    if named is not None and named in fitting:
        return named
    if named is not None and not _missing(named, names):
        return _only(fitting)
    if named is not None and all(known[one.name] <= known[named.name] for one in fitting):
        raise _lacking(names, named)
    better = [other for other in all_tables() if any(known[one.name] < known[other.name] for one in fitting)]
    if better or not fitting:
        raise _lacking(names, _nearest(better or list(all_tables()), names))
    return _only(fitting)


def _only(fitting: Sequence[Table]) -> Table:
    if len(fitting) == 1:
        return fitting[0]
    listed = " and ".join(candidate.name for candidate in fitting)
    raise UnreadableFile(
        f"the header fits several tables: {listed}",
        "Send one table per file, or name the file after its table, for example losses_north.csv.",
    )


def _nearest(candidates: Sequence[Table], names: Sequence[str]) -> Table:
    """The table that knows most of the columns, and of these the one that lacks least."""
    known = [len(set(names) & set(candidate.column_names)) for candidate in candidates]
    best = [candidate for candidate, count in zip(candidates, known, strict=True) if count == max(known)]
    return min(best, key=lambda candidate: len(_missing(candidate, names)))


def _missing(candidate: Table, names: Sequence[str]) -> list[str]:
    return [name for name in candidate.required_names if name not in names]


def _lacking(names: Sequence[str], nearest: Table) -> FitsNothing:
    missing = _missing(nearest, names)
    unknown = [name for name in names if name and name not in nearest.column_names]
    called: dict[str, str] = {}
    for name in missing:
        synonyms = [plain_name(word) for word in nearest.column(name).synonyms]
        found = [one for one in unknown if one in synonyms] or difflib.get_close_matches(name, unknown, 1)
        called |= {name: found[0]} if found else {}
    hints = [f"Rename {found} to {name}." for name, found in called.items()]
    message = f"the header fits no table; the nearest is {nearest.name}, which also needs {', '.join(missing)}"
    wanted = [name for name in missing if name not in called]
    strange = [name for name in unknown if name not in called.values()]
    if wanted:
        # A lone heading that the table does not know may hold the lone column that is missing.
        is_lone = len(wanted) == len(strange) == 1
        may_be = f"Rename {strange[0]} if it holds {wanted[0]}, or add" if is_lone else "Add"
        columns = "column" if len(wanted) == 1 else "columns"
        hints.append(f"{may_be} the missing {columns}, or say {IN_A_LAYOUT}")
    return FitsNothing(message, " ".join(hints))


def settled_cells(found: Recognised, options: ParseOptions) -> list[str]:
    """SQL of each cell of a row as its copy has it, over ``values_select``: as received, save dates and decimals
    of which a layout says how they are read. They are written plainly, for the copy is read without it."""
    columns = {position: found.table.column(name) for name, position in found.positions.items()}
    return [_settled(columns.get(position), f"c{position}", found, options) for position in range(found.width)]


def _settled(column: Column | None, raw: str, found: Recognised, options: ParseOptions) -> str:
    if column is None or not (found.slots or options.date_order):
        return raw
    text, got = cell(column), f'"{column.name}"'
    if column.kind in {"date", "moment"}:
        timed = f"strftime({got}, '%Y-%m-%dT%H:%M:%S')"
        hour = f'"{hour_flag(column)}"' if column.kind == "moment" else "false"
        plain = f"CASE WHEN {hour} THEN {timed} ELSE strftime({got}, '%Y-%m-%d') END"
        return f"CASE WHEN {got} IS NULL OR regexp_matches({text}, '^[0-9]{{4}}-') THEN {raw} ELSE {plain} END"
    if column.is_number and found.slots and options.decimal_comma:
        return f"CASE WHEN {got} IS NULL THEN {raw} ELSE replace({text}, ',', '.') END"
    return raw
