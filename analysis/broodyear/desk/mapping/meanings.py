"""What a column of a sheet can mean: a column of a table, or something that every table fed has."""

from __future__ import annotations

from dataclasses import dataclass

from broodyear.schemas import TABLE_NAMES, Column, Table, table

#: The column is left out on purpose.
LEAVE = "leave"
#: Before the name of a column: each heading that means this names a tank, and its cells give rows of their own.
EACH = "each:"
#: What holds for all rows that a line of the sheet gives, whichever table they go to.
SHARED = {
    "tank_id": "tank",
    "tank_at_site": "number of the tank at its site",
    "date": "date",
    "time": "time of day",
    "site_id": "site",
    "batch_id": "batch of eggs",
    "season": "season",
}
#: Readings that people keep with one column for each tank.
BY_TANK = ("temperatures.water_temp", "losses.dead")


@dataclass(frozen=True)
class Meaning:
    """One choice. key: as it is kept; words: as it is shown."""

    key: str
    words: str


def options() -> list[tuple[str, list[Meaning]]]:
    """All choices, by heading: for every row, one column per tank, then table by table."""
    shared = [Meaning(key, words) for key, words in SHARED.items()]
    each = [Meaning(f"{EACH}{key}", f"{_words(key)}, one column for each tank") for key in BY_TANK]
    tables = [
        (
            name,
            [Meaning(f"{name}.{column.name}", _words(f"{name}.{column.name}")) for column in table(name).columns],
        )
        for name in TABLE_NAMES
    ]
    return [("For every row", shared), ("A column for each tank", each), *tables]


def is_known(key: str) -> bool:
    """Whether ``key`` is one of the choices."""
    return key in {"", LEAVE} or any(key == one.key for _, choices in options() for one in choices)


def words_of(key: str) -> str:
    """A choice as a sentence names it."""
    return SHARED.get(key) or _words(key.removeprefix(EACH))


def column_of(key: str) -> tuple[Table, Column]:
    """Table and column of a choice that is one table's own."""
    name, _, column = key.removeprefix(EACH).partition(".")
    return table(name), table(name).column(column)


def date_column(target: Table) -> Column | None:
    """The column of ``target`` that says when: its first required date."""
    return next((one for one in target.columns if one.required and one.kind in {"date", "moment"}), None)


def _words(key: str) -> str:
    name, _, column = key.partition(".")
    return f"{column.replace('_', ' ')} ({name.replace('_', ' ')})"
