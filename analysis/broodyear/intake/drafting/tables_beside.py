"""Tables side by side on one sheet, such as two tanks with a date, a temperature and the dead each: told by
headings that come again, and drafted one by one."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from broodyear.intake.bodies import Row
from broodyear.intake.drafting.assigned import Assigned
from broodyear.layouts import HeadingNames, Rows, Value

#: A table has at least so many headings that come again.
_FEWEST = 2


@dataclass(frozen=True)
class Block:
    """One of the tables: positions: of its columns; first, last: those between which its own stand; names: its
    headings without the count that tells them from those of the table before."""

    positions: tuple[int, ...]
    first: int
    last: int
    names: HeadingNames

    def above(self, rows: Sequence[Row]) -> list[Row]:
        """The rows over the headings, with what stands over this table alone."""
        return [
            replace(row, cells=[cell if self.first <= at < self.last else "" for at, cell in enumerate(row.cells)])
            for row in rows
        ]


def blocks_of(names: HeadingNames) -> list[Block]:
    """The tables side by side below these headings; a heading before all of them is of each. Where fewer
    headings come again than a table has, there is one."""
    plain = [re.sub(r" \([0-9]+\)$", "", name) for name in names.shown]
    times = [plain[: position + 1].count(name) for position, name in enumerate(plain)]
    repeated = [position for position, name in enumerate(plain) if plain.count(name) > 1]
    by_time = [[at for at in repeated if times[at] == number] for number in range(1, max(times, default=0) + 1)]
    if len(by_time) < 2 or min(map(len, by_time)) < _FEWEST:
        return [Block(tuple(range(len(plain))), 0, len(plain), names)]
    starts = [min(positions) for positions in by_time]
    return [
        _block(plain, starts[0], first, last)
        for first, last in zip(starts, [*starts[1:], len(plain)], strict=True)
    ]


def _block(plain: Sequence[str], shared: int, first: int, last: int) -> Block:
    positions = (*range(shared), *range(first, last))
    return Block(positions, first, last, HeadingNames(tuple(plain[position] for position in positions)))


def assigned_together(
    names: HeadingNames, blocks: Sequence[Block], assign: Callable[[Block], Assigned]
) -> Assigned:
    """What each of the blocks gives, as one."""
    whole = Assigned()
    for block in blocks:
        found = assign(block)
        called = {name: names.shown[at] for name, at in zip(block.names.shown, block.positions, strict=True)}
        whole.rows = (*whole.rows, *(_called(rows, called) for rows in found.rows))
        whole.grounds |= found.grounds
        whole.unknown = tuple(dict.fromkeys((*whole.unknown, *found.unknown)))
        for at, uses in found.uses.items():
            whole.uses.setdefault(block.positions[at], []).extend(uses)
        whole.dates += [block.positions[at] for at in found.dates]
        whole.day_headings += found.day_headings
        whole.files = whole.files or found.files
    return whole


def _called(rows: Rows, called: dict[str, str]) -> Rows:
    """The rows with the headings as the whole sheet has them."""

    def value_of(value: Value) -> Value:
        text = called.get(value.text, value.text) if value.source == "column" else value.text
        return replace(value, text=text, joined=value.joined and called.get(value.joined, value.joined))

    columns = tuple((name, value_of(value)) for name, value in rows.columns)
    return replace(rows, columns=columns, only_when=tuple(called.get(name, name) for name in rows.only_when))
