"""One timed way of reading a file of readings, run as a process of its own so that its memory is its own.

python intake_speed_runs.py WAY FILE FOLDER prints seconds and the peak of resident memory in MiB.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from pathlib import Path

TANKS = 500


def typed_read_csv(file: Path, folder: Path) -> int:
    """The floor: DuckDB's own typed reader into a table of a new database file."""
    import duckdb

    columns = {"tank_id": "VARCHAR", "read_at": "TIMESTAMP", "water_temp": "DOUBLE"}
    with file.open(encoding="utf-8") as text:
        names = text.readline().strip().split(",")
    typed = {name: columns.get(name, "VARCHAR") for name in names}
    with duckdb.connect(str(folder / "floor.duckdb")) as connection:
        # ignore_errors only so that the file with bad lines has a floor as well.
        reader = f"read_csv('{file}', columns = {typed}, header = true, ignore_errors = true)"
        row = connection.execute(f"CREATE TABLE t AS SELECT * FROM {reader}").fetchone()
    assert row is not None
    return int(row[0])


def load(file: Path, folder: Path) -> int:
    """Load and check with broodyear, into a store that knows the tanks."""
    from broodyear.intake import load_paths
    from broodyear.store import open_store

    with open_store(folder / "store.duckdb", for_loading=True) as store:
        return sum(report.rows_accepted for report in load_paths(store, [file]).files)


def know_tanks(folder: Path) -> None:
    """Make a store that knows the tanks of the file."""
    from broodyear.intake import load_paths
    from broodyear.store import open_store

    (folder / "tanks.csv").write_text(
        "tank_id\n" + "".join(f"TANK-{number:04d}\n" for number in range(TANKS)), encoding="utf-8"
    )
    with open_store(folder / "store.duckdb", for_loading=True) as store:
        load_paths(store, [folder / "tanks.csv"])


def pandas_and_pandera(file: Path, folder: Path) -> int:
    """Read the file with pandas and validate the frame with pandera.

    Cells are read as text and then made numbers and times, as the loader does it: a guessed type would turn the
    code 007 into 7.
    """
    import pandas as pd

    from broodyear.schemas import pandera_schema, table

    frame = pd.read_csv(file, dtype="str")
    frame["read_at"] = pd.to_datetime(frame["read_at"], format="ISO8601", errors="coerce")
    frame["water_temp"] = pd.to_numeric(frame["water_temp"], errors="coerce")
    return len(pandera_schema(table("temperatures")).validate(frame, lazy=True))


WAYS = {"floor": typed_read_csv, "load": load, "pandas": pandas_and_pandera}


def main(way: str, file: str, folder: str) -> None:
    """Time one way. Imports are made before the clock starts: they are paid once, whatever the size."""
    import duckdb  # noqa: F401
    import pandas  # noqa: F401

    import broodyear.intake.session  # noqa: F401

    if way == "load":
        know_tanks(Path(folder))
    elif way == "pandas":
        import pandera.pandas  # noqa: F401
    began = time.perf_counter()
    rows = WAYS[way](Path(file), Path(folder))
    seconds = time.perf_counter() - began
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"rows": rows, "seconds": seconds, "peak_mib": peak_mib}))


if __name__ == "__main__":
    main(*sys.argv[1:])
