"""How suspicions are told: where they point, what is acknowledged, and that nothing else is touched."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import duckdb
import pytest
from tests.intake.suspicious_records import SETUP, Records, losses, readings, released, suspicions
from tests.queries.simulated_store import store_of

from broodyear.derived import run_queries, suspicion_queries
from broodyear.findings import Finding, counted
from broodyear.intake import check_paths, load_paths
from broodyear.intake.suspicions import RULES, find_suspicions
from broodyear.intake.suspicions.searching import SENTENCES, _make_needed, _possible, show_beside
from broodyear.intake.wording import worded
from broodyear.settings import Acknowledged, Settings
from broodyear.store import open_store
from broodyear.store.layout import create_layout
from broodyear.synthetic import Programme, simulate

pytestmark = pytest.mark.usefixtures("with_suspicions")

STARTS_WITH = ("tank_id", "table_name", "column_name", "value", "upload", "line")
OWN_QUERIES = {path.stem for path in (Path(__file__).parents[2] / "queries" / "suspicions").glob("*.sql")}
AIR = [*[8.0, 8.2] * 60, *[21.0] * 24, *[8.0, 8.2] * 60]


@pytest.fixture(scope="module")
def planted() -> Programme:
    """A season with planted mistakes of most kinds."""
    return simulate(5, seasons=1, tanks=40, logger_interval_minutes=360)


def _found(records: Records, names: list[str], settings: Settings | None = None) -> list[Finding]:
    """Findings when only the tables ``names`` are new."""
    with records.store() as (connection, uploads):
        found = find_suspicions(connection, tuple(uploads[name] for name in names), settings or Settings())
    return [finding for _, finding in found]


def test_every_rule_has_its_query_and_every_query_its_reader() -> None:
    queries = suspicion_queries()
    rules = {rule.name for rule in RULES}
    assert rules <= OWN_QUERIES
    read = {name for query in queries.values() for name in query.reads}
    assert OWN_QUERIES - rules <= read, "a query that no rule needs"


def test_rules_return_what_their_headers_say() -> None:
    queries = suspicion_queries()
    with Records(temperatures=readings([8.0])).store() as (connection, _):
        run_queries(connection, Settings())
        show_beside(connection, Settings())
        for name, query in queries.items():
            if name in OWN_QUERIES:
                connection.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS {query.text}")
                described = connection.execute(f"DESCRIBE {name}").fetchall()
                assert [row[0] for row in described] == [column.name for column in query.returns], name
    for rule in RULES:
        assert tuple(column.name for column in queries[rule.name].returns[:6]) == STARTS_WITH


def test_a_case_points_at_its_row_when_that_came_now() -> None:
    records = Records(losses=losses([5, 0, 12, 0]), exits=[released(200)])
    (finding,) = [one for one in _found(records, ["deliveries", "exits"]) if one.rule == "more_out_than_in"]
    assert (finding.table, finding.line, finding.column) == ("deliveries", 2, "eggs_live")


def test_a_case_completed_by_a_later_file_points_into_that_file() -> None:
    records = Records(losses=losses([5, 0, 12, 0]), exits=[{**released(3), "tank_id": "other"}, released(200)])
    (finding,) = [one for one in _found(records, ["exits"]) if one.rule == "more_out_than_in"]
    assert (finding.table, finding.line, finding.column, finding.value) == ("exits", 3, None, None)


def test_a_case_that_a_file_has_no_part_in_is_not_told_again() -> None:
    records = Records(losses=losses([5, 0, 12, 0]), exits=[released(200)], temperatures=readings([8.0, 46.0]))
    assert {finding.rule for finding in _found(records, ["temperatures"])} == {"looks_fahrenheit"}
    assert _found(records, ["sites"]) == []


def test_acknowledged_cases_are_counted_with_their_reason() -> None:
    records = Records(temperatures=readings([8.0, 46.0, 8.1, 47.0, 8.0]))
    settings = Settings(acknowledged=(Acknowledged("looks_fahrenheit", "T1", "read in °F, known"),))
    (finding,) = _found(records, ["temperatures"], settings)
    assert (finding.rule, finding.level, finding.line, finding.table) == (
        "acknowledged",
        "warning",
        None,
        "temperatures",
    )
    assert finding.value == "looks_fahrenheit"
    assert finding.message == "2 cases of looks_fahrenheit acknowledged for T1: read in °F, known"


@pytest.mark.parametrize(("tank_id", "open_cases"), [("*", 0), ("T1", 0), ("T2", 1)])
def test_an_entry_acknowledges_its_tank_or_all(tank_id: str, open_cases: int) -> None:
    settings = Settings(acknowledged=(Acknowledged("wide_differential", tank_id, "a known controller"),))
    records = Records(setups=[{**SETUP, "differential_c": 3.0}])
    assert len(suspicions(records, "wide_differential", settings)) == open_cases
    assert len(suspicions(records, "acknowledged", settings)) == 1 - open_cases


def test_acknowledged_readings_are_no_longer_flagged_for_exposure() -> None:
    records = Records(temperatures=readings(AIR, every_hours=1, instrument="logger"))
    known = Settings(acknowledged=(Acknowledged("logger_out_of_water", "T1", "a warm spell, seen"),))
    for settings, flagged in ((Settings(), 24), (known, 0)):
        with records.store() as (connection, _):
            run_queries(connection, settings)
            row = connection.execute("SELECT count(*) FROM reading_flags WHERE flag = 'out_of_water'").fetchone()
        assert row == (flagged,)


def test_the_callers_temporary_tables_stay_as_they_are() -> None:
    with Records().store() as (connection, uploads):
        connection.execute("CREATE TEMP TABLE settings AS SELECT 1 AS mine")
        find_suspicions(connection, tuple(uploads.values()), Settings())
        assert connection.execute("SELECT mine FROM settings").fetchall() == [(1,)]
        left = connection.execute("SELECT table_name FROM duckdb_tables() WHERE temporary").fetchall()
    assert left == [("settings",)]


def test_nothing_is_suspected_of_no_uploads() -> None:
    with Records().store() as (connection, _):
        assert find_suspicions(connection, (), Settings()) == []


@pytest.mark.parametrize("needed", sorted({name for rule in RULES for name in rule.needs.split()}))
def test_a_rule_has_no_case_without_a_row_of_what_it_needs(needed: str, planted: Programme) -> None:
    rules = [rule.name for rule in RULES if needed in rule.needs.split()]
    with store_of(planted) as connection:
        connection.execute(f"DELETE FROM received_{needed}")
        show_beside(connection, Settings())
        _make_needed(connection, rules, Settings())
        for name in rules:
            assert connection.execute(f"SELECT count(*) FROM {name}").fetchall() == [(0,)], name


def test_of_rules_that_have_no_case_no_query_is_planned() -> None:
    with Records().store() as (shared, _):
        asked = [rule.name for rule in _possible(shared, RULES)]
    with duckdb.connect() as connection:
        create_layout(connection)
        connection.execute("INSERT INTO received_setups (tank_id, upload) VALUES ('T1', 1)")
        possible = [rule.name for rule in _possible(connection, RULES)]
    assert {"wide_differential", "tank_moved", "day_month_swapped"} <= set(possible) < set(asked)
    assert not {"looks_fahrenheit", "short_conditioning", "stages_out_of_order"} & set(possible)


def test_ids_are_text_whatever_they_hold() -> None:
    odd = "T{value}'; DROP TABLE setups; --"
    (finding,) = suspicions(
        Records(setups=[{**SETUP, "tank_id": odd, "differential_c": 3.0}]), "wide_differential"
    )
    assert finding.message.startswith(f"the differential of {odd}, season 2024, is 3 °C")


FILES = {
    "sites.csv": "site_id,region\nS1,north\n",
    "tanks.csv": "tank_id\nT1\n",
    "setups.csv": (
        "season,tank_id,site_id,room_type,gravel_practice,differential_c\n2024,T1,S1,classroom,bare,2.5\n"
    ),
    "readings_north.csv": (
        "tank_id,read_at,water_temp\nT1,2024-11-10,8.1\nT1,2024-11-11,46.0\nT1,2024-11-12,8.3\n"
    ),
}


def test_check_and_load_tell_the_same_with_file_and_line(tmp_path: Path) -> None:
    folder = tmp_path / "uploads"
    folder.mkdir()
    for name, text in FILES.items():
        (folder / name).write_text(text, encoding="utf-8")
    checked = check_paths([folder])
    with open_store(tmp_path / "store.duckdb", for_loading=True) as store:
        loaded = load_paths(store, [folder])
    told = [(Path(one.path).name, one.line, one.rule) for one in checked.findings]
    assert told == [("readings_north.csv", 3, "looks_fahrenheit"), ("setups.csv", 2, "wide_differential")]
    assert checked.findings == loaded.findings
    assert checked.exit_code == 0
    assert json.loads(json.dumps([one.as_dict() for one in checked.findings]))[0]["level"] == "warning"


def test_words_of_a_case() -> None:
    assert counted(1, "reading") == "1 reading"
    assert counted(1200, "reading") == "1,200 readings"
    at = dt.datetime(2024, 11, 8, 14, 30)
    case = {
        "tank_id": "T  {{ 1 }}",
        "readings": 1,
        "starts_at": at,
        "ends_at": None,
        "mean_c": None,
        "jump_c": 2.25,
    }
    case |= dict.fromkeys(("water_level_c", "jump_hours", "daily_range_c", "usual_range_c"), 3.06)
    said, advice = worded(SENTENCES, "logger_out_of_water", case)
    assert said.startswith(
        "logger of T  {{ 1 }}: 1 reading from 2024-11-08 14:30 to not recorded average not recorded °C"
    )
    assert "a jump of 2.2 °C within 3 h, faster" in said
    assert advice.startswith("If the logger lay in the air") and advice.endswith("and they count again.")


def test_findings_of_a_file_come_in_line_order(tmp_path: Path) -> None:
    """Suspicions are found after errors, and are told between them, where their rows stand."""
    (tmp_path / "tanks.csv").write_text("tank_id\nT-1\n", encoding="utf-8")
    rows = ["2024-11-08T10:00,warm", "2024-11-09T10:00,27.5", "2024-11-10T10:00,cold", "2024-11-11T10:00,28.5"]
    text = "\n".join(["tank_id,read_at,water_temp", *(f"T-1,{row}" for row in rows), ""])
    (tmp_path / "temperatures.csv").write_text(text, encoding="utf-8")
    with open_store(tmp_path / "s.duckdb", for_loading=True) as store:
        loaded = load_paths(store, [tmp_path])
    expected = [
        (2, "not_a_number"),
        (3, "water_temp_above_25"),
        (4, "not_a_number"),
        (5, "water_temp_above_25"),
    ]
    assert [(finding.line, finding.rule) for finding in loaded.findings] == expected
