"""Labels that mean one thing: results read them as one, rows keep their words, without the entry all is undone."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from broodyear.derived import running
from broodyear.intake import check_paths, load_paths
from broodyear.intake.rejected import open_rows
from broodyear.intake.suspicions import open_suspicions
from broodyear.settings import SameLabel, Settings
from broodyear.store import export_store, open_store
from broodyear.store.clashing import clashing_rows

TABLES = {
    "sites": "site_id,region\nS-1,Gullwick\nS-2,gullwick\nS-3,North\n",
    "tanks": "tank_id,volume_l,chiller_year\nT-07,190,\nt7,,2020\nT-08,190,\n",
    "setups": "season,tank_id,site_id,room_type,gravel_practice\n2024,T-07,S-1,office,bare\n"
    "2025,t7,S-1,office,bare\n2025,T-08,S-2,office,bare\n",
    "batches": "batch_id,donor_stock,species,brood_year\nB-1,STOCK,chinook,2025\nb1,STOCK,chinook,2025\n",
    "deliveries": "tank_id,batch_id,delivered_on,stage_at_delivery,eggs_live\nt7,b1,2025-11-03,eyed,200\n"
    "T-08,B-1,2025-11-03,eyed,100\n",
    "losses": "tank_id,checked_on,stage,dead\nt7,2025-12-01,egg,3\nT-07,2025-12-01,egg,5\n"
    "t7,2025-12-02,egg,1\nT-08,2025-12-01,egg,2\n",
    "stages": "tank_id,stage,first_seen_on\nT-07,hatch_first,2025-11-20\nt7,hatch_first,2025-11-25\n",
}
ALL = Settings(
    same=(
        SameLabel("tank", "T-07", ("t7", "Tank 7")),
        SameLabel("region", "Gullwick", ("gullwick",)),
        SameLabel("batch", "B-1", ("b1",)),
    )
)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("joined")
    for name, text in TABLES.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    with open_store(folder / "broodyear.duckdb", for_loading=True) as loading:
        assert load_paths(loading, sorted(folder.glob("*.csv"))).exit_code == 0
    return folder / "broodyear.duckdb"


def rows(frame: pd.DataFrame, *columns: str) -> list[tuple[object, ...]]:
    return sorted(frame[list(columns)].itertuples(index=False, name=None))


def test_tables_and_results_read_the_joined_label(store: Path) -> None:
    with open_store(store, settings=ALL) as read:
        assert rows(read.table("setups"), "season", "tank_id") == [(2024, "T-07"), (2025, "T-07"), (2025, "T-08")]
        assert set(read.table("sites")["region"]) == {"Gullwick", "North"}
        seasons = read.result("tank_seasons")
        assert rows(seasons, "season", "tank_id", "region", "batch_id", "eggs")[1:] == [
            (2025, "T-07", "Gullwick", "B-1", 200), (2025, "T-08", "Gullwick", "B-1", 100),
        ]  # fmt: skip


def test_of_two_rows_of_one_key_the_later_stands(store: Path) -> None:
    with open_store(store, settings=ALL) as read:
        # What a tank is, is taken together from its rows.
        tanks = read.table("tanks").fillna({"chiller_year": 0})
        assert rows(tanks, "tank_id", "volume_l", "chiller_year") == [("T-07", 190.0, 2020), ("T-08", 190.0, 0)]
        dead = rows(read.table("losses").astype({"checked_on": str}), "tank_id", "checked_on", "dead")
        assert dead == [("T-07", "2025-12-01", 5), ("T-07", "2025-12-02", 1), ("T-08", "2025-12-01", 2)]
        # A stage is seen once in a season: its key holds the season of its date, not the date.
        assert rows(read.table("stages").astype({"first_seen_on": str}), "tank_id", "first_seen_on") == [
            ("T-07", "2025-11-25")
        ]


def test_taking_the_entry_out_undoes_it(store: Path, tmp_path: Path) -> None:
    """The same store reads apart without the entry, and an export keeps the rows as they came."""
    before = store.read_bytes()
    with open_store(store, settings=ALL) as read:
        read.derive()
        export_store(read, tmp_path / "export")
    assert store.read_bytes() == before
    came = (tmp_path / "export" / "history" / "losses_as_they_came.csv").read_text(encoding="utf-8")
    # Of two rows that now have one key the earlier is here as well.
    assert [line.split(",")[:4] for line in came.splitlines()[1:]] == [
        ["t7", "2025-12-01", "egg", "3"], ["t7", "2025-12-02", "egg", "1"],
    ]  # fmt: skip
    assert "t7" not in (tmp_path / "export" / "derived" / "tank_seasons.csv").read_text(encoding="utf-8")
    with open_store(store) as read:
        assert set(read.table("tanks")["tank_id"]) == {"T-07", "t7", "T-08"}
        assert (2025, "t7") in rows(read.result("tank_seasons"), "season", "tank_id")


def test_an_export_under_joined_labels_loads_where_nobody_joins_them(store: Path, tmp_path: Path) -> None:
    with open_store(store, settings=ALL) as read:
        export_store(read, tmp_path / "export")
        before = {name: read.result(name) for name in ("tank_seasons", "tank_counts", "accounting")}
    with open_store(tmp_path / "again.duckdb", for_loading=True) as again:
        report = load_paths(again, [tmp_path / "export"])
        assert (report.exit_code, [file.rows_rejected for file in report.files if file.rows_rejected]) == (0, [])
        for name, frame in before.items():
            pd.testing.assert_frame_equal(again.result(name), frame)


def test_a_label_is_known_when_one_that_means_the_same_is(store: Path, tmp_path: Path) -> None:
    file = tmp_path / "losses_more.csv"
    file.write_text("tank_id,checked_on,stage,dead\nTank 7,2025-12-05,egg,1\n", encoding="utf-8")
    (finding,) = check_paths([file], store=store).findings
    assert finding.rule == "unknown_tank"
    result = check_paths([file], store=store, settings=ALL)
    # It has a set-up in its season, too: that of the label it is read as.
    assert (result.exit_code, result.files[0].notes) == (0, ())


def test_a_row_to_mend_is_closed_by_one_that_came_under_another_label(store: Path, tmp_path: Path) -> None:
    own = tmp_path / "own.duckdb"
    own.write_bytes(store.read_bytes())
    with open_store(own, for_loading=True) as loading:
        for number, row in enumerate(("t7,2025-12-09,egg,x", "T-07,2025-12-09,egg,2")):
            file = tmp_path / f"losses_{number}.csv"
            file.write_text(f"tank_id,checked_on,stage,dead\n{row}\n", encoding="utf-8")
            load_paths(loading, [file])
    for settings, still_open in ((ALL, 0), (Settings(), 1)):
        with open_store(own, settings=settings) as read:
            assert len(open_rows(read)) == still_open


def test_joined_labels_are_no_longer_suspected(store: Path) -> None:
    rules = {"same_tank_two_labels", "label_spelled_twice"}

    def open_now(settings: Settings) -> list[tuple[str, SameLabel | None]]:
        with open_store(store, settings=settings) as read:
            found = open_suspicions(read.connection, settings)
        return sorted((one.tank_id, one.same) for one in found if one.rule in rules)

    assert open_now(Settings()) == [
        ("b1", SameLabel("batch", "B-1", ("b1",))),
        ("gullwick", SameLabel("region", "Gullwick", ("gullwick",))),
        ("t7", SameLabel("tank", "T-07", ("t7",))),
    ]
    assert open_now(ALL) == []


def test_what_a_large_store_keeps_follows_the_entry(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(running, "KEEP_FROM_ROWS", 1)
    own = tmp_path / "own.duckdb"
    own.write_bytes(store.read_bytes())
    with open_store(own, for_loading=True, settings=ALL) as loading:
        assert loading.keep_derived()
    for settings, there in ((ALL, False), (Settings(), True)):
        with open_store(own, settings=settings) as read:
            assert ((2025, "t7") in rows(read.result("tank_seasons"), "season", "tank_id")) is there


def test_two_rows_of_a_file_that_joined_labels_make_one_are_told_and_none_is_lost(
    store: Path, tmp_path: Path
) -> None:
    """Alike, both stay, for the labels may part again; a third of the same label repeats one. Of labels that no
    entry joins nothing is said."""
    own = tmp_path / "own.duckdb"
    own.write_bytes(store.read_bytes())
    file = tmp_path / "losses.csv"
    rows_of = ("t7,2025-12-09,egg,3", "T-07,2025-12-09,egg,5", "T-07,2025-12-10,egg,1", "t7,2025-12-10,egg,1",
               "t7,2025-12-10,egg,1", "T-08,2025-12-09,egg,2")  # fmt: skip
    file.write_text("\n".join(["tank_id,checked_on,stage,dead", *rows_of, ""]), encoding="utf-8")
    assert [one.rule for one in check_paths([file], store=store).findings] == ["identical_repeat"]
    with open_store(own, for_loading=True, settings=ALL) as loading:
        result = load_paths(loading, [file])
        conflict, repeat = (one for one in result.findings if one.rule != "files_disagree")
        assert (conflict.rule, conflict.line, repeat.rule, repeat.line) == (
            "duplicate_key",
            3,
            "identical_repeat",
            6,
        )
        assert conflict.message == (
            "T-07 and t7 mean one tank (layouts.toml), so it is the same tank_id, checked_on and stage as line 2, "
            "with other values; the first row was kept"
        )
        assert conflict.advice == (
            "Decide which row is right and leave the other out, or mend what tells them apart. If they are two, "
            "take the entry out of layouts.toml and load the row's copy."
        )
        assert (result.files[0].rows_accepted, result.files[0].rows_rejected) == (4, 2)
        assert [row.line for row in open_rows(loading)] == [3]
        dead = loading.table("losses").astype({"checked_on": str})
        assert rows(dead[dead["checked_on"] > "2025-12-03"], "tank_id", "checked_on", "dead") == [
            ("T-07", "2025-12-09", 3), ("T-07", "2025-12-10", 1), ("T-08", "2025-12-09", 2),
        ]  # fmt: skip
    with open_store(own) as apart:
        assert len(apart.table("losses")) == 4 + 4


def test_what_a_tank_is_may_be_said_under_either_label(store: Path, tmp_path: Path) -> None:
    file = tmp_path / "tanks.csv"
    file.write_text("tank_id,volume_l\nT-07,190\nt7,\n", encoding="utf-8")
    assert check_paths([file], store=store, settings=ALL).findings == ()


def test_rows_that_say_otherwise_than_the_one_that_stands_are_named(store: Path) -> None:
    with open_store(store, settings=ALL) as read:
        found = clashing_rows(read.connection, ALL)
        file = found.assign(path=found["path"].map(lambda path: Path(path).name))
        told = ["table_name", "row_key", "differs", "path", "line", "standing_line"]
        # Lines 2 and 3 of losses are one tank on one day, and of stages one tank's first hatch; tanks T-07 and t7
        # each say what the other leaves blank.
        assert rows(file, *told) == [
            ("losses", "T-07, 2025-12-01, egg", "dead 3, read as 5", "losses.csv", 2, 3),
            (
                "stages",
                "T-07, hatch_first, 2025",
                "first_seen_on 2025-11-20, read as 2025-11-25",
                "stages.csv",
                2,
                3,
            ),
        ]
    with open_store(store) as apart:
        assert clashing_rows(apart.connection, Settings()).empty


def test_of_what_a_tank_is_only_what_two_rows_say_otherwise_is_named(tmp_path: Path) -> None:
    (tmp_path / "tanks.csv").write_text(
        "tank_id,volume_l,chiller_year\nT-07,,2019\nt7,190,2020\n", encoding="utf-8"
    )
    with open_store(tmp_path / "broodyear.duckdb", for_loading=True) as loading:
        assert load_paths(loading, [tmp_path / "tanks.csv"]).exit_code == 0
    with open_store(tmp_path / "broodyear.duckdb", settings=ALL) as read:
        found = clashing_rows(read.connection, ALL)
    assert rows(found, "row_key", "differs", "line", "standing_line") == [
        ("T-07", "chiller_year 2019, read as 2020", 2, 3)
    ]
