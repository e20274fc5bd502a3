"""What a draft has found so far, and what it is found by: the columns that tell a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from broodyear.layouts import Rows, Value
from broodyear.schemas import Table

#: Stands for what nothing in the file tells; it is no value of any column, so it is noticed.
UNKNOWN = "?"
#: The columns that tell what a table is about: a file with a heading for one of them feeds that table.
TELLING = {
    "sites": ("region", "site_kind", "water_source"),
    "tanks": ("volume_l", "chiller_year", "filter_kind"),
    "setups": ("room_type", "gravel_practice"),
    "batches": ("donor_stock", "species"),
    "deliveries": ("eggs_live",),
    "temperatures": ("water_temp",),
    "losses": ("dead",),
    "stages": ("first_seen_on",),
    "exits": ("fate", "count"),
    "incidents": ("kind",),
    "water_tests": ("analyte", "value"),
}


@dataclass
class Assigned:
    """rows: of the layout; grounds: (table, column) -> on what ground; unknown: columns that nothing tells;
    uses: position of a column in the file -> what takes its cells; dates: positions of columns that hold dates;
    day_headings: headings that are days; files: pattern of file names, when a value comes from the name."""

    rows: tuple[Rows, ...] = ()
    grounds: dict[tuple[str, str], str] = field(default_factory=dict)
    unknown: tuple[tuple[str, str], ...] = ()
    uses: dict[int, list[tuple[str, str, str]]] = field(default_factory=dict)
    dates: list[int] = field(default_factory=list)
    day_headings: list[str] = field(default_factory=list)
    files: str | None = None


@dataclass(frozen=True)
class Beside:
    """What comes in the same call. has_alike: the workbook has other sheets of such headings; cells: theirs, in
    small letters; has_tanks: some file is of the table of tanks."""

    has_alike: bool = False
    cells: frozenset[str] = frozenset()
    has_tanks: bool = False


#: Where a column comes from, on what ground, and the positions of the columns of the file that give it.
Given = tuple[Value, str, Sequence[int]]


@dataclass(frozen=True)
class Asked:
    """Rows that a file gives to a table. told: positions of the columns by which it is known; given: what is known
    of its columns; pattern: of headings each of which gives rows; unsaid: columns of which others beside them say
    something, and nothing is known of these rows."""

    target: Table
    told: Sequence[int] = ()
    given: Mapping[str, Given] = field(default_factory=dict)
    pattern: str | None = None
    unsaid: tuple[str, ...] = ()
