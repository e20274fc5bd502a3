"""What taking an upload back would do: the rows that would go, and the older rows that would count again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from broodyear.schemas import Table, all_tables
from broodyear.store.layout import key_sql

if TYPE_CHECKING:
    from broodyear.store import Store


def upload_effects(store: Store) -> dict[int, dict[str, int]]:
    """Upload -> rows of it that count now and would be gone, older rows that would be back, tanks concerned.

    An older row comes back when the row that replaced it counts now: where that one was replaced in its turn, the
    later row stays.
    """
    effects: dict[int, dict[str, int]] = {}
    stored = store.connection.cursor()  # under the labels that the rows came with
    for table in all_tables():
        for upload, gone, tanks in stored.execute(_standing(table)).fetchall():
            effects[int(upload)] = {"gone": int(gone), "back": 0, "tanks": int(tanks)}
        for upload, back in stored.execute(_coming_back(table, store)).fetchall():
            effects[int(upload)]["back"] = int(back)
    return effects


def _standing(table: Table) -> str:
    tanks = "count(DISTINCT tank_id)" if "tank_id" in table.column_names else "0"
    return f"SELECT upload, count(*), {tanks} FROM {table.name} GROUP BY upload"


def _coming_back(table: Table, store: Store) -> str:
    old, new = key_sql(table, store.settings, "o."), key_sql(table, store.settings, "n.")
    same = " AND ".join(f"{left} = {right}" for left, right in zip(old, new, strict=True))
    return (
        f"SELECT n.upload, count(*) FROM received_{table.name} AS o JOIN {table.name} AS n "
        f"ON o.superseded_by = n.upload AND {same} "
        "WHERE o.upload NOT IN (SELECT upload FROM uploads WHERE withdrawn) GROUP BY n.upload"
    )
