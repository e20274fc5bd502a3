"""The season to come: the dates of a delivery, and a comparison by random assignment."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from tests.desk.conftest import AtHome, a_copy, let_in, settle

from broodyear.desk.access import KEY_FIELD
from broodyear.desk.state import Desk
from broodyear.intake import check_paths
from broodyear.store import open_store
from broodyear.trials import plan_trial

MakeDesk = Callable[..., Desk]
DELIVERY = {
    "species": "chinook",
    "delivered_on": "2026-01-10",
    "units": "310",
    "from": "2026-03-01",
    "to": "2026-03-20",
}
TRIAL = {"factor": "gravel_practice", "level": ["bare", "gravel"], "season": "2025", "seed": "3"}


def ask(client: AtHome, desk: Desk, path: str, asked: dict[str, Any]) -> Any:
    return client.post(path, data={KEY_FIELD: desk.access.key, **asked})


def table(client: AtHome, path: str) -> list[dict[str, str]]:
    answer = client.get(path, buffered=True)
    assert answer.status_code == 200 and answer.headers["Content-Disposition"].startswith("attachment")
    return list(csv.DictReader(io.StringIO(answer.data.decode())))


def test_a_delivery_and_a_comparison_are_planned_in_the_page(
    make_desk: MakeDesk, sample_store: Path, tmp_path: Path
) -> None:
    store = a_copy(sample_store, tmp_path / "desk")
    desk = make_desk(store)
    client = let_in(desk)
    assert "Gravel" not in client.get("/plan").data.decode()
    page = client.get("/plan?factor=gravel_practice").data.decode()
    assert 'value="layered_stones"' in page
    assert ask(client, desk, "/plan/delivery", DELIVERY).status_code == 303
    assert ask(client, desk, "/plan/trial", TRIAL).status_code == 303
    settle(desk)
    page = client.get("/plan").data.decode()
    assert "delivered 2026-01-10 at 310.0 °C·d" in page and "Release only when" in page
    dates = table(client, "/plan/plan.csv")
    assert {row["set_point_c"] for row in dates} == {"6.0", "7.0", "8.0", "9.0", "10.0", "11.0", "12.0"}
    assert all(row["expected_on"][:10] in page for row in dates if row["headline"] == "True")
    with open_store(store) as opened:
        planned = plan_trial(
            opened.result("tank_seasons"), opened.result("tank_outcomes"), "gravel_practice", ("bare", "gravel"),
            season=2025, seed=3,
        )  # fmt: skip
        drawn = table(client, "/plan/trial.csv")
        assert {row["tank_id"]: row["level"] for row in drawn} == dict(
            planned.assignment.rows[["tank_id", "level"]].itertuples(index=False)
        )
        (tmp_path / "trial.csv").write_bytes(client.get("/plan/trial.csv", buffered=True).data)
        assert check_paths([tmp_path / "trial.csv"], store=opened).files[0].table == "trials"
    assert all(sentence[1:] in page for sentence in planned.sentences())


@pytest.mark.parametrize(
    ("path", "asked", "said"),
    [
        ("/plan/delivery", {**DELIVERY, "to": ""}, "needs both a first and a last day"),
        ("/plan/delivery", {**DELIVERY, "units": ""}, "needs its date and the thermal units"),
        ("/plan/delivery", {**DELIVERY, "units": "nan"}, "is no number"),
        ("/plan/delivery", {**DELIVERY, "delivered_on": "10/01/26"}, "is no date"),
        ("/plan/trial", {**TRIAL, "level": ["bare"]}, "needs two or more different ways"),
        ("/plan/trial", {**TRIAL, "factor": "site_id"}, "There is no such practice"),
    ],
)
def test_what_is_missing_is_said_before_work_begins(
    kept: AtHome, path: str, asked: dict[str, Any], said: str
) -> None:
    desk: Desk = kept.application.extensions["desk"]
    answer = ask(kept, desk, path, asked)
    assert answer.status_code == 400 and said in answer.data.decode()
    assert desk.runner.pending() == [] and kept.get("/plan/plan.csv").status_code == 404


def test_what_cannot_be_drawn_says_why(make_desk: MakeDesk, small_store: Path) -> None:
    desk = make_desk(small_store)
    client = let_in(desk)
    ask(client, desk, "/plan/trial", TRIAL)
    settle(desk)
    page = client.get("/plan").data.decode()
    assert "That did not work." in page
    assert "No block of tanks can be given all of bare, gravel" in page
