"""What the pages of the store show, counted once for each state of the store and kept as small files."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from broodyear.desk.picture import KINDS
from broodyear.desk.workplace import write_json
from broodyear.schemas import TABLE_NAMES, Table, all_tables
from broodyear.store.layout import key_sql

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.store import Store

#: What is told of each tank and season.
_TANK_FIELDS = ["tank_id", "site_id", "region", "days_in_use", *(kind.name for kind in KINDS), "last_record_on"]
_UPLOAD_FIELDS = [
    "upload", "path", "table", "loaded_at", "rows_read", "rows_accepted", "rows_rejected", "withdrawn",
    "withdrawn_at",
]  # fmt: skip


def count_store(store: Store, state: list[int], folder: Path) -> None:
    """Write the picture of ``store`` into ``folder``: picture.json, and season_<year>.json per season.

    state: of the store file, so that a later page can tell whether the picture is still true.
    """
    tanks = _tank_seasons(store)
    seasons = []
    for season, rows in tanks.groupby("season", sort=True):
        year = int(str(season))
        write_json(folder / f"season_{year}.json", _records(rows[_TANK_FIELDS]))
        seasons.append(_season(year, rows))
    content = {
        "state": state,
        "counted_at": dt.datetime.now().isoformat(timespec="minutes"),
        "rows": {
            name: store.connection.execute(f"SELECT count(*) FROM {name}").fetchall()[0][0] for name in TABLE_NAMES
        },
        "seasons": seasons[::-1],
        "uploads": _uploads(store),
        "tanks_without_setup": len(set(store.table("tanks")["tank_id"]) - set(store.table("setups")["tank_id"])),
        "open_rows": _open_rows(store, folder),
        "suspicions": _suspicions(store, folder),
        "left_undone": [note for note in (store.broken_off(), store.untold()) if note],
    }
    write_json(folder / "picture.json", content)


def _open_rows(store: Store, folder: Path) -> int:
    """Write the rejected rows still to be mended, and their copies; how many there are."""
    from broodyear.intake.rejected import open_rows, write_copies

    rows = open_rows(store)
    write_json(folder / "open_rows.json", [asdict(row) for row in rows])
    write_copies(store, rows, folder / "to_mend")
    return len(rows)


def _suspicions(store: Store, folder: Path) -> int:
    """Write the suspicions that are open; how many there are."""
    from broodyear.intake.suspicions import open_suspicions

    uploads = store.uploads()
    paths = dict(zip(uploads["upload"].tolist(), uploads["path"].tolist(), strict=True))
    odd = open_suspicions(store.connection, store.settings)
    found = [{**asdict(one), "path": paths[one.upload]} for one in odd]
    write_json(folder / "suspicions.json", found)
    return len(found)


def _tank_seasons(store: Store) -> pd.DataFrame:
    """One row per tank and season with a set-up: where it stood, and how many records of each kind there are."""
    import pandas as pd

    from broodyear.derived import read_derived, run_queries

    run_queries(store.connection, store.settings, ["record_coverage"])
    coverage = read_derived(store.connection, "record_coverage")
    setups = store.table("setups")[["season", "tank_id", "site_id", "closed_on"]]
    frame = coverage.merge(setups, on=["season", "tank_id"], how="left")
    frame = frame.merge(store.table("sites")[["site_id", "region"]], on="site_id", how="left")
    deliveries = read_derived(store.connection, "staged_deliveries")
    first = deliveries.groupby(["season", "tank_id"], as_index=False)["delivered_on"].min()
    frame = frame.merge(first, on=["season", "tank_id"], how="left")
    ends = pd.to_datetime(frame["closed_on"]).fillna(pd.to_datetime(frame["last_record_on"]))
    frame["days_in_use"] = (ends - pd.to_datetime(frame["delivered_on"])).dt.days + 1
    frame["last_record_on"] = pd.to_datetime(frame["last_record_on"]).dt.strftime("%Y-%m-%d")
    frame = frame.sort_values(["season", "region", "site_id", "tank_id"], na_position="last")
    return frame.fillna({"site_id": "", "region": ""})


def _season(year: int, rows: pd.DataFrame) -> dict[str, Any]:
    """How many tanks of a season have each kind of record."""
    return {
        "season": year,
        "tanks": len(rows),
        "sites": int(rows["site_id"].nunique()),
        "regions": int(rows["region"].nunique()),
        "with": {kind.name: int((rows[kind.name] > 0).sum()) for kind in KINDS},
    }


def _uploads(store: Store) -> list[dict[str, Any]]:
    effects = upload_effects(store)
    listed = _records(store.uploads()[_UPLOAD_FIELDS])
    nothing = {"gone": 0, "back": 0, "tanks": 0}
    return [{**upload, **effects.get(upload["upload"], nothing)} for upload in reversed(listed)]


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(frame.to_json(orient="records", date_format="iso"))
    return found


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
