"""How the cells of one file of another shape become the cells of a table's rows: a layout, held to that file.

A slot is one row that each row of the file may give. A layout gives a table one slot for each [[layout.rows]], or
one for each column that its ``unpivot`` matches.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from broodyear.intake.cell_sql import ParseOptions, clean
from broodyear.store.layout import quoted


@dataclass(frozen=True)
class Piece:
    """Where one cell of a slot comes from. places: positions in the file's row, of one cell or of two that are
    joined, none when it is the same in every row; fixed: the text that it is then; heading: what findings call
    it; words: (as written, as meant)."""

    places: tuple[int, ...]
    fixed: str = ""
    heading: str | None = None
    words: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Slot:
    """One row that a row of the file may give. pieces: one for each column, None where the slot says nothing of
    it; needs: positions of cells that must hold something."""

    pieces: tuple[Piece | None, ...]
    needs: tuple[int, ...]


def piece_sql(piece: Piece | None, options: ParseOptions) -> str:
    """SQL for the cell of a piece over the file's cells ``c0``, ``c1`` …, as it is received by the checks."""
    if piece is None:
        return "NULL::VARCHAR"
    if not piece.places:
        return f"nullif({quoted(piece.fixed)}, '')"
    if len(piece.places) == 1:
        cell = f"c{piece.places[0]}"
    else:
        cleaned = ", ".join(clean(f"c{place}", options) for place in piece.places)
        cell = f"nullif(concat_ws(' ', {cleaned}), '')"
    if not piece.words:
        return cell
    cases = " ".join(f"WHEN {quoted(written)} THEN {quoted(meant)}" for written, meant in piece.words)
    return f"CASE lower(trim({cell})) {cases} ELSE {cell} END"


def taken_sql(slot: Slot, width: int, options: ParseOptions) -> str:
    """SQL that tells whether a row of the file gives a row here: the cells it needs hold something; where it needs
    none, any cell does. A row that is spoiled as a whole gives one in any case, so that it is told."""
    cleaned = [clean(f"c{place}", options) for place in slot.needs or range(width)]
    holds = " AND ".join(f"{cell} IS NOT NULL" for cell in cleaned)
    if not slot.needs:
        holds = f"coalesce({', '.join(cleaned)}, NULL) IS NOT NULL"
    return f"({holds} OR unclosed OR surplus IS NOT NULL)"


def own_options(slots: tuple[Slot, ...], options: ParseOptions) -> ParseOptions:
    """How the cells that slots make are read: what is known of the file's bytes holds for those taken as they are,
    and not for those a layout makes."""
    made = [piece for slot in slots for piece in slot.pieces if piece is not None]
    if all(len(piece.places) == 1 and not piece.words for piece in made):
        return options
    fixed = "".join(piece.fixed + "".join(meant for _, meant in piece.words) for piece in made)
    joined = any(len(piece.places) > 1 for piece in made)
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
        f"SELECT line * {len(slots)} + {place} AS line, unclosed, {cells_sql(slot, options)}, surplus "
        f"FROM {source} WHERE {taken_sql(slot, width, options)}"
        for place, slot in enumerate(slots)
    )


def cells_sql(slot: Slot, options: ParseOptions) -> str:
    """SQL of all cells of a slot, as ``c0``, ``c1`` …"""
    return ", ".join(f"{piece_sql(piece, options)} AS c{number}" for number, piece in enumerate(slot.pieces))
