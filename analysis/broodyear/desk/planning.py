"""What the worker does for the season to come: dates of a delivery, and a comparison by random assignment."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from broodyear.desk.workplace import write_json
from broodyear.formulas import csv_text
from broodyear.reports.steps import Tell

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.store import Store


def write_plan(folder: Path, store: Store, asked: Mapping[str, Any], tell: Tell) -> None:
    """Write the dates of one delivery, by the models a forecast rests on, into ``folder``: plan.csv, and plan.json
    for the page; tell: hears how far it is."""
    from broodyear.development import PlannedDelivery, plan_by_records

    tell(0, 1, "fitting the models to the records")
    folder.mkdir(exist_ok=True)
    days = {"delivered_on": dt.date.fromisoformat(asked["delivered_on"])}
    window = tuple(map(dt.date.fromisoformat, asked["window"])) or None
    delivery = PlannedDelivery(**{**asked, **days, "window": window})
    dates, cautions = plan_by_records(delivery, store, store.settings)
    (folder / "plan.csv").write_text(csv_text(dates), encoding="utf-8")
    headline = dates[dates["headline"]]
    rows = [_plan_row(row) for row in headline.to_dict("records")]
    write_json(folder / "plan.json", {"asked": dict(asked), "rows": rows, "cautions": cautions})


def _plan_row(row: Mapping[Any, Any]) -> dict[str, Any]:
    import pandas as pd

    days = {
        name: None if pd.isna(row[name]) else str(row[name])[:10] for name in ("expected_on", "low_80", "high_80")
    }
    inside = None if pd.isna(row["in_window"]) else bool(row["in_window"])
    surely = None if pd.isna(row["in_window_80"]) else bool(row["in_window_80"])
    return {"set_point_c": row["set_point_c"], "stage": row["stage"], **days, "inside": inside, "surely": surely}


def write_trial(folder: Path, store: Store, asked: Mapping[str, Any], tell: Tell) -> None:
    """Write who gets what into ``folder``: trial.csv to send and to load again, and trial.json for the page; tell:
    hears how far it is."""
    from broodyear.trials import TRIAL_CAUTIONS, plan_trial

    tell(0, 2, "reading the records")
    folder.mkdir(exist_ok=True)
    tanks, outcomes = store.result("tank_seasons"), store.result("tank_outcomes")
    tell(1, 2, "drawing, and trying out what the comparison could find")
    planned = plan_trial(
        tanks, outcomes, asked["factor"], tuple(asked["levels"]), season=asked["season"], seed=asked["seed"]
    )
    rows: pd.DataFrame = planned.assignment.rows
    (folder / "trial.csv").write_text(csv_text(rows), encoding="utf-8")
    content = {
        "asked": {**asked, "season": int(rows["season"].iloc[0])},
        "tanks": len(rows),
        "sentences": list(planned.sentences()),
        "cautions": list(TRIAL_CAUTIONS),
    }
    write_json(folder / "trial.json", content)
