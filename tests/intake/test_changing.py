"""What a file changes: columns it lacks leave, blank cells clear, and every change is told."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from tests.built_once import built_once
from tests.intake.conftest import Write, write_uploads

from broodyear.findings import Change, disagreements
from broodyear.intake import check_paths, load_paths
from broodyear.intake.changing import STANDS
from broodyear.intake.rendering import render_json, render_text
from broodyear.settings import SameLabel, Settings
from broodyear.store import Store, open_store


def rows(store: Store, table: str, *columns: str) -> list[tuple[object, ...]]:
    listed = ", ".join(columns)
    return store.connection.execute(f"SELECT {listed} FROM {table} ORDER BY ALL").fetchall()


SITES = "site_id,region,water_source,weekend_access\n"


def test_a_one_cell_correction_leaves_the_rest_of_the_row(store: Store, write: Write) -> None:
    load_paths(store, [write("sites_full.csv", SITES + "S-01,R1,well,yes\nS-02,R2,well,no\n")])
    correction = write("sites_region.csv", "site_id,region\nS-01,R3\n")
    expected = [("S-01", "R3", "well", True), ("S-02", "R2", "well", False)]
    checked = check_paths([correction], store=store)
    result = load_paths(store, [correction])
    assert rows(store, "sites", "site_id", "region", "water_source", "weekend_access") == expected
    change = Change("sites", "S-01", "region", "R1", "R3", str(correction), 2)
    assert result.changes == checked.changes == (change,)
    assert json.loads(render_json(result))["changes"] == [change.as_dict()]
    assert (
        "Changed among rows already there: 1 cell (sites.region 1)\n"
        f"  S-01: region R1 becomes R3 ({correction}, line 2)\n"
    ) in render_text(result)


def test_a_blank_cell_under_a_heading_clears(store: Store, write: Write) -> None:
    load_paths(store, [write("sites_full.csv", SITES + "S-01,R1,well,yes\n")])
    result = load_paths(store, [write("sites_blank.csv", "site_id,region,water_source\nS-01,R1,\n")])
    assert rows(store, "sites", "site_id", "water_source", "weekend_access")[0] == ("S-01", None, True)
    [change] = result.changes
    assert (change.column, change.old, change.new) == ("water_source", "well", None)


def test_defaults_count_as_unsaid_where_a_row_exists(store: Store, write: Write) -> None:
    full = "tank_id,read_at,water_temp,unit,instrument\nT-001,2024-11-08,48.2,F,logger\n"
    full += "T-002,2024-11-08T10:00,8,C,thermometer\n"
    load_paths(store, [write("temperatures.csv", full)])
    short = "tank_id,read_at,water_temp\nT-001,2024-11-08,47.3\nT-002,2024-11-08T10:00,9\nT-003,2024-11-08,7\n"
    result = load_paths(store, [write("temperatures_short.csv", short)])
    assert rows(store, "temperatures", "tank_id", "water_temp", "unit", "instrument") == [
        ("T-001", 47.3, "F", "logger"),
        ("T-002", 9.0, "C", "thermometer"),
        ("T-003", 7.0, "C", "thermometer"),
    ]
    assert [(change.key, change.column, change.old, change.new) for change in result.changes] == [
        ("T-001, 2024-11-08 00:00:00, logger", "water_temp", "48.2", "47.3"),
        ("T-002, 2024-11-08 10:00:00, thermometer", "water_temp", "8.0", "9.0"),
    ]


def test_a_log_that_shares_minutes_with_a_thermometer_stays_beside_it(store: Store, write: Write) -> None:
    seen = "tank_id,read_at,water_temp,instrument\nT-001,2024-11-08T12:00,8,thermometer\n"
    seen += "T-002,2024-11-08T12:00,8,thermometer\n"
    load_paths(store, [write("temperatures.csv", seen)])
    log = "tank_id,read_at,water_temp\nT-001,2024-11-08T11:30,7.8\nT-001,2024-11-08T12:00,7.9\n"
    result = load_paths(store, [write("temperatures_log.csv", log + "T-002,2024-11-08T12:00,8.4\n")])
    assert rows(store, "temperatures", "tank_id", "hour(read_at)", "water_temp", "instrument") == [
        ("T-001", 11, 7.8, "logger"),
        ("T-001", 12, 7.9, "logger"),
        ("T-001", 12, 8.0, "thermometer"),
        ("T-002", 12, 8.4, "thermometer"),
    ]
    assert [change.key for change in result.changes] == ["T-002, 2024-11-08 12:00:00, thermometer"]


LOSSES = "tank_id,checked_on,stage,dead\n"


def test_whether_dead_were_counted_follows_the_number(store: Store, write: Write) -> None:
    header = "tank_id,checked_on,stage,dead,entry\n"
    earlier = "T-001,2024-11-11,egg,,unknown\nT-002,2024-11-11,egg,3,\n"
    load_paths(store, [write("losses.csv", header + earlier)])
    load_paths(store, [write("losses_b.csv", LOSSES + "T-001,2024-11-11,egg,4\nT-002,2024-11-11,egg,\n")])
    assert rows(store, "losses", "tank_id", "dead", "entry") == [
        ("T-001", 4, "counted"),
        ("T-002", None, "unknown"),
    ]


@pytest.mark.parametrize(
    ("gone", "expected"),
    [
        ((5,), ("R3", "well", True)),
        ((4, 5), ("R3", None, True)),
        ((5, 4), ("R3", None, True)),
        ((6,), ("R3", "surface", None)),
        ((7, 5), ("R2", "well", True)),
        ((7,), ("R2", "surface", True)),
        ((6, 5, 4), ("R3", None, None)),
    ],
)
def test_withdrawing_reads_as_if_the_upload_had_never_come(
    gone: tuple[int, ...], expected: tuple[object, ...], tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    place = shutil.copy(built_once(tmp_path_factory, "four_corrections", four_corrections) / "s.duckdb", tmp_path)
    query = "SELECT region, water_source, weekend_access FROM sites WHERE site_id = 'S-03'"
    with open_store(place, for_loading=True) as store:
        for upload in gone:
            store.withdraw(upload)
        assert store.connection.execute(query).fetchall() == [expected]


def four_corrections(folder: Path) -> None:
    """A store in which uploads 4 to 7 say one thing after the other of a site."""
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        load_paths(store, [write_uploads(folder / "uploads")])
        for name, text in (
            ("sites_a.csv", "site_id,region,water_source\nS-03,R1,well\n"),
            ("sites_b.csv", "site_id,region,water_source\nS-03,R1,surface\n"),
            ("sites_c.csv", "site_id,region,weekend_access\nS-03,R2,yes\n"),
            ("sites_d.csv", "site_id,region\nS-03,R3\n"),
        ):
            (folder / name).write_text(text, encoding="utf-8")
            load_paths(store, [folder / name])


def test_two_files_of_a_load_that_disagree_are_named_and_the_later_stands(store: Store, write: Write) -> None:
    north = write("losses_north.csv", LOSSES + "T-001,2024-11-11,egg,2\nT-002,2024-11-11,egg,1\n")
    south = write("losses_south.csv", LOSSES + "T-001,2024-11-11,egg,5\nT-002,2024-11-11,egg,1\n")
    for result in (check_paths([south, north], store=store), load_paths(store, [south, north])):
        assert [(f.path, f.line, f.column, f.level, f.rule, f.message) for f in result.findings] == [
            (
                str(south), 2, "dead", "warning", "files_disagree",
                f"T-001, 2024-11-11, egg: dead is 5 here and 2 in {north}, line 2",
            )
        ]  # fmt: skip
        told = render_text(result).splitlines()
        headline = f"  {south}, losses: warning: 1 cell says something else than {north} (dead 1). {STANDS}"
        assert told[told.index(headline) + 1] == (
            f"    line 2: T-001, 2024-11-11, egg: dead is 5 here and 2 in {north}, line 2"
        )
        assert result.changes == ()
    assert rows(store, "losses", "tank_id", "dead") == [("T-001", 5), ("T-002", 1)]


def test_what_two_files_disagree_about_is_told_in_one_line_with_a_few_examples(store: Store, write: Write) -> None:
    days = [f"2024-11-{day:02d}" for day in range(11, 16)]
    north = write("losses_north.csv", LOSSES + "".join(f"T-001,{day},egg,2\n" for day in days))
    south = write("losses_south.csv", LOSSES + "".join(f"T-001,{day},egg,5\n" for day in days))
    result = load_paths(store, [north, south])
    [pair] = disagreements(result.findings)
    assert (pair.path, pair.other_path, pair.table, pair.cells) == (
        str(south),
        str(north),
        "losses",
        (("dead", 5),),
    )
    lines = [line for line in render_text(result).splitlines() if line.startswith("  ")]
    assert lines[0].endswith(f"warning: 5 cells say something else than {north} (dead 5). {STANDS}")
    assert [line[:11] for line in lines[1:4]] == ["    line 2:", "    line 3:", "    line 4:"]
    assert lines[4:] == ["    … and 2 more"]


ONE_TANK = Settings(same=(SameLabel("tank", "T-001", ("T1",)),))


def test_under_joined_labels_a_change_of_what_is_read_is_told(store: Store, write: Write) -> None:
    """A row under another label of the tank takes the place of the one that stood, as one under the same does."""
    load_paths(
        store, [write("losses.csv", LOSSES + "T-001,2024-11-11,egg,2\nT1,2024-11-12,egg,1\n")], settings=ONE_TANK
    )
    load_paths(
        store, [write("tanks_full.csv", "tank_id,volume_l,filter_kind\nT-001,200,sponge\n")], settings=ONE_TANK
    )
    again = write("losses_2.csv", LOSSES + "T1,2024-11-11,egg,5\nT1,2024-11-12,egg,1\nT1,2024-11-13,egg,3\n")
    blank = write("tanks_2.csv", "tank_id,volume_l,filter_kind\nT1,250,\n")
    changes = (
        Change("tanks", "T-001", "volume_l", "200.0", "250.0", str(blank), 2),
        Change("losses", "T-001, 2024-11-11, egg", "dead", "2", "5", str(again), 2),
    )
    assert set(check_paths([again, blank], store=store, settings=ONE_TANK).changes) == set(changes)
    assert set(load_paths(store, [again, blank], settings=ONE_TANK).changes) == set(changes)
    # Without the entry they are two tanks again, each as it was sent.
    assert rows(store, "losses", "tank_id", "dead") == [("T-001", 2), ("T1", 1), ("T1", 3), ("T1", 5)]


def test_files_that_disagree_about_one_tank_under_two_labels_are_named(store: Store, write: Write) -> None:
    north = write("losses_north.csv", LOSSES + "T-001,2024-11-11,egg,2\n")
    south = write("losses_south.csv", LOSSES + "T1,2024-11-11,egg,5\n")
    for result in (
        check_paths([south, north], store=store, settings=ONE_TANK),
        load_paths(store, [south, north], settings=ONE_TANK),
    ):
        [finding] = [finding for finding in result.findings if finding.rule == "files_disagree"]
        assert (finding.path, finding.line, finding.message) == (
            str(south), 2, f"T-001, 2024-11-11, egg: dead is 5 here and 2 in {north}, line 2",
        )  # fmt: skip
        assert result.changes == ()


def test_the_first_and_the_last_moment_of_a_file_are_compared_too(store: Store, write: Write) -> None:
    moments = ("2024-11-08T08:00:00.5", "2024-11-08T09:00", "2024-11-09T08:00:59.999999")
    for name, value in (("one", 8.1), ("two", 8.2)):
        rows = "".join(f"T-001,{moment},{value}\n" for moment in moments)
        path = write(f"temperatures_{name}.csv", f"tank_id,read_at,water_temp\n{rows}")
        result = load_paths(store, [path])
    assert [(change.old, change.new) for change in result.changes] == [("8.1", "8.2")] * 3
    alone = write("temperatures_three.csv", f"tank_id,read_at,water_temp\nT-001,{moments[2]},8.3\n")
    assert [change.old for change in check_paths([alone], store=store).changes] == ["8.2"]
