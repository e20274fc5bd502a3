"""A simulated programme put straight into a store in memory, without the reading of files."""

from __future__ import annotations

import duckdb
import pandas as pd

from broodyear.schemas import table
from broodyear.store.layout import create_layout
from broodyear.synthetic import Programme, Tables, simulate


def simulated_store(seed: int, seasons: int, tanks: int) -> duckdb.DuckDBPyConnection:
    """A store of a programme as sent, with its planned mistakes; the caller closes it."""
    return store_of(simulate(seed, seasons=seasons, tanks=tanks))


def store_of(programme: Programme) -> duckdb.DuckDBPyConnection:
    """The same of a programme at hand."""
    connection = duckdb.connect(":memory:")
    create_layout(connection)
    connection.execute("INSERT INTO uploads (upload, withdrawn) VALUES (1, false)")
    for name in Tables.__dataclass_fields__:
        frame = programme.sent.frame(name)
        frame = _as_loaded(name, frame[[column for column in frame.columns if not column.startswith("_")]].copy())
        frame["upload"], frame["line"] = 1, range(2, len(frame) + 2)
        connection.register("sent", frame)
        connection.execute(f"INSERT INTO received_{name} BY NAME SELECT * FROM sent")
        connection.unregister("sent")
    return connection


def _as_loaded(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """What loading would keep: blanks of defaulted columns filled, the first row of each key."""
    if name == "temperatures":
        by_hour = pd.Series("logger", index=frame.index).where(frame["read_at_has_hour"], "thermometer")
        frame["instrument"] = frame["instrument"].astype(object).where(frame["instrument"].notna(), by_hour)
        frame["unit"] = frame["unit"].astype(object).where(frame["unit"].notna(), "C")
    return frame.drop_duplicates(list(table(name).primary_key))
