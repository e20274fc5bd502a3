"""An export holds everything, is a valid Data Package, and loads back to the same records."""

from __future__ import annotations

import csv
import json
import shutil
import warnings
from pathlib import Path

import duckdb
import pandas as pd
import pytest
from tests.built_once import sample_store

from broodyear.errors import UsageError
from broodyear.intake import check_paths, load_paths
from broodyear.schemas import TABLE_NAMES, table
from broodyear.store import Store, export_store, open_store

TEXTS = ["=1+1", "+1", "-1", "@SUM(A1)", "plain", "'quoted", 'say "so"', "a,b", "<b>", "007"]


def contents(store: Store) -> dict[str, pd.DataFrame]:
    """Every table as it reads, in the order of its key, without where the rows came from."""
    return {
        name: store.table(name)
        .drop(columns=["upload", "line"])
        .sort_values(list(table(name).primary_key), ignore_index=True)
        for name in TABLE_NAMES
    }


@pytest.fixture(scope="module")
def programme(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the invented sample programme, some odd codes, a correction and a withdrawn upload."""
    folder = tmp_path_factory.mktemp("programme")
    quoted = "".join('"' + text.replace('"', '""') + '"\n' for text in TEXTS)
    (folder / "tanks_odd.csv").write_text(f"tank_id\n{quoted}", encoding="utf-8")
    (folder / "losses_one.csv").write_text(
        "tank_id,checked_on,stage,dead\nplain,2024-11-11,egg,2\nplain,2024-11-12,egg,3\n", encoding="utf-8"
    )
    (folder / "losses_two.csv").write_text(
        "tank_id,checked_on,stage,dead\nplain,2024-11-12,egg,x\nplain,2024-11-11,egg,5\n", encoding="utf-8"
    )
    (folder / "tanks_withdrawn.csv").write_text("tank_id\nT-gone\n", encoding="utf-8")
    (folder / "temperatures_odd.csv").write_text(
        "tank_id,read_at,water_temp,unit\nplain,2024-11-11,8.1,\nplain,2024-11-11T00:00,0.1,C\n"
        "plain,2024-11-11T00:00:01.5,47.300000000000004,F\n",
        encoding="utf-8",
    )
    shutil.copy(sample_store(tmp_path_factory), folder)
    with open_store(folder / "store.duckdb", for_loading=True) as store:
        load_paths(store, [folder])
        gone = store.uploads().set_index("path")["upload"][str(folder / "tanks_withdrawn.csv")]
        store.withdraw(int(gone))
    return folder / "store.duckdb"


@pytest.fixture(scope="module")
def exported(programme: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The programme, exported as CSV."""
    folder = tmp_path_factory.mktemp("exported")
    with open_store(programme) as store:
        export_store(store, folder, "csv")
    return folder


def test_an_export_loads_back_to_the_same_records(programme: Path, exported: Path, tmp_path: Path) -> None:
    with open_store(programme) as store:
        expected = contents(store)
    with open_store(tmp_path / "again.duckdb", for_loading=True) as store:
        result = load_paths(store, [exported])
        got = contents(store)
    assert result.exit_code == 0
    assert len(result.files) == len(TABLE_NAMES)
    for name in TABLE_NAMES:
        pd.testing.assert_frame_equal(got[name], expected[name], check_exact=True)


def test_an_export_of_another_store_comes_beside_ones_own(exported: Path, tmp_path: Path) -> None:
    """Regions kept apart are read together; what would change one's own rows is told before."""
    own = tmp_path / "own"
    own.mkdir()
    batch = (exported / "batches.csv").read_text(encoding="utf-8").splitlines()[1].partition(",")[0]
    for name, text in {
        "sites": "site_id,region\nX-1,Elsewhere\n",
        "tanks": "tank_id\nX-01\nplain\n",
        "setups": "season,tank_id,site_id,room_type,gravel_practice\n2024,X-01,X-1,office,bare\n",
        "batches": f"batch_id,donor_stock,species,brood_year\n{batch},STOCK,chinook,2024\n",
        "deliveries": "tank_id,batch_id,delivered_on,stage_at_delivery,eggs_live\n"
        f"X-01,{batch},2024-11-08,eyed,100\n",
        "losses": "tank_id,checked_on,stage,dead\nplain,2024-11-11,egg,9\n",
    }.items():
        (own / f"{name}.csv").write_text(text, encoding="utf-8")
    with open_store(tmp_path / "own.duckdb", for_loading=True) as store:
        load_paths(store, [own])
        before = check_paths([exported], store=store).changes
        result = load_paths(store, [exported])
        assert result.changes == before
        assert [(one.key, one.old, one.new) for one in before if one.table == "losses"] == [
            ("plain, 2024-11-11, egg", "9", "5")
        ]
        paths = store.uploads()["path"].tolist()
        seasons = store.result("tank_seasons")
    assert str(exported / "losses.csv") in paths and str(own / "losses.csv") in paths
    note = next(one for one in result.files if one.path.endswith("losses.csv")).notes[-1]
    assert note.startswith("an export; it holds the rows of ") and "losses_one.csv, losses_two.csv" in note
    together = seasons[seasons["batch_id"] == batch]
    assert len(set(together["region"])) > 1 and "Elsewhere" in set(together["region"])


def test_exporting_twice_gives_the_same_bytes(programme: Path, exported: Path, tmp_path: Path) -> None:
    with open_store(programme) as store:
        export_store(store, tmp_path, "csv")
    for place in sorted(tmp_path.rglob("*.*")):
        assert place.read_bytes() == (exported / place.relative_to(tmp_path)).read_bytes(), place.name


def test_formula_text_is_guarded(exported: Path) -> None:
    with (exported / "tanks.csv").open(encoding="utf-8", newline="") as file:
        written = [row["tank_id"] for row in csv.DictReader(file)]
    expected = ["'" + text if text[0] in "=+-@" else text for text in TEXTS]
    assert set(expected) <= set(written)
    for place in exported.rglob("*.csv"):
        with place.open(encoding="utf-8", newline="") as file:
            texts = [cell for row in csv.reader(file) for cell in row if cell.startswith(("=", "@", "\t"))]
        assert not texts, place.name


def test_history_survives(exported: Path) -> None:
    history = exported / "history"
    uploads = pd.read_csv(history / "uploads.csv")
    assert uploads["withdrawn"].sum() == 1
    replaced = pd.read_csv(history / "losses_replaced.csv")
    mine = replaced[replaced["tank_id"] == "plain"]
    assert mine[["dead", "line"]].to_numpy().tolist() == [[2, 2]]
    assert mine["superseded_by"].notna().all()
    assert "T-gone" in set(pd.read_csv(history / "tanks_replaced.csv")["tank_id"])
    rejected = pd.read_csv(history / "rejected_rows.csv")
    assert '["plain", "2024-11-12", "egg", "x"]' in set(rejected["raw"])


def test_the_export_is_a_valid_data_package(exported: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import frictionless

        monkeypatch.chdir(exported)
        report = frictionless.validate("datapackage.json", type="package")
    problems = report.flatten(["title", "message"])
    # Rows of the odd codes refer to tanks that are there; nothing else is odd about the sample.
    assert not problems


def test_every_file_is_described(exported: Path) -> None:
    described = json.loads((exported / "datapackage.json").read_text(encoding="utf-8"))
    paths = {resource["path"] for resource in described["resources"]}
    written = {str(place.relative_to(exported)) for place in exported.rglob("*.csv")}
    assert paths == written
    assert {f"{name}.csv" for name in TABLE_NAMES} <= written


def test_parquet_holds_the_same_rows(programme: Path, tmp_path: Path) -> None:
    with open_store(programme) as store:
        export_store(store, tmp_path, "parquet")
        for name in TABLE_NAMES:
            query = f"SELECT count(*) FROM '{tmp_path / name}.parquet'"
            row = duckdb.execute(query).fetchone()
            assert row is not None
            assert row[0] == len(store.table(name)), name


def test_unknown_formats_and_unwritable_folders(programme: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with open_store(programme) as store:
        with pytest.raises(UsageError, match="choose csv or parquet"):
            export_store(store, tmp_path, "xlsx")
        with pytest.raises(UsageError, match="cannot be written"):
            export_store(store, tmp_path / "file" / "out", "csv")
