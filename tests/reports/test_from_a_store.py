"""The reports from a real store: a small invented programme, loaded through the front door."""

from __future__ import annotations

import runpy
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import frictionless
import pandas as pd
import pytest
from tests.reports import invented
from tests.reports.pages import cell, seen, written_rows

from broodyear.development import DevelopmentModel
from broodyear.errors import EXIT_NOTHING_TO_ANALYSE, NothingToAnalyse
from broodyear.intake import load_paths
from broodyear.reports import season, second_process
from broodyear.reports.development import report_development
from broodyear.reports.folder import ReportResult
from broodyear.reports.regions import report_regions
from broodyear.reports.season import report_season
from broodyear.reports.season.account import of_season, totals
from broodyear.store import Store, open_store
from broodyear.synthetic import simulate, write_uploads

#: A word that only upload contents hold; no page may show it.
MARKER = "zanzibar-remark"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Two seasons, 26 tanks, three regions, a reading every twelve hours; one row carries free text."""
    folder = tmp_path_factory.mktemp("programme")
    programme = simulate(11, seasons=2, tanks=26, regions=3, logger_interval_minutes=720)
    write_uploads(programme, folder / "uploads")
    with open_store(folder / "programme.duckdb", for_loading=True) as opened:
        load_paths(opened, [str(folder / "uploads")])
        tank = opened.table("tanks")["tank_id"].iloc[0]
        season = programme.last_season
        odd = folder / "exits_odd.csv"
        odd.write_text(
            f"tank_id,exited_on,fate,count,reason\n{tank},{season + 1}-05-30,euthanised,1,{MARKER}\n",
            encoding="utf-8",
        )
        load_paths(opened, [str(odd)])
        rejected = folder / "losses_odd.csv"
        rejected.write_text(f"tank_id,checked_on,stage,dead\n{tank},{MARKER},egg,1\n", encoding="utf-8")
        load_paths(opened, [str(rejected)])
    with open_store(folder / "programme.duckdb") as opened:
        yield opened


@pytest.fixture(scope="module")
def last_season(store: Store) -> int:
    """The season under review."""
    return int(store.result("tank_seasons")["season"].max())


@pytest.fixture(scope="module")
def review(store: Store, last_season: int, tmp_path_factory: pytest.TempPathFactory) -> ReportResult:
    """Its annual review, with site sheets."""
    return report_season(store, last_season, tmp_path_factory.mktemp("review"), sites=True)


@pytest.fixture(scope="module")
def regions(store: Store, tmp_path_factory: pytest.TempPathFactory) -> ReportResult:
    """Its regions compared; the steps are told."""
    told: list[tuple[int, int, str]] = []
    made = report_regions(store, tmp_path_factory.mktemp("regions"), tell=lambda *step: told.append(step))
    assert [done / steps for done, steps, _ in told] == [0, 1 / 3, 2 / 3]
    return made


def test_a_row_kept_out_stands_in_the_letter_of_its_site(store: Store, review: ReportResult) -> None:
    tank = store.table("tanks")["tank_id"].iloc[0]
    kept_out = pd.read_csv(review.page.parent / "tables" / "kept_out.csv")
    odd = kept_out[kept_out["file"] == "losses_odd.csv"]
    assert odd.to_dict("list") == {
        "tank_id": [tank], "table_name": ["losses"], "file": ["losses_odd.csv"], "line": [2],
        "columns": ["checked_on"],
    }  # fmt: skip
    letters = pd.read_csv(review.page.parent / "sites" / "letters.csv")["text"]
    assert letters.str.contains("line 2 of losses_odd.csv (checked_on)", regex=False).sum() == 1


def test_every_tank_and_outcome_of_the_season_has_one_row(
    store: Store, last_season: int, review: ReportResult
) -> None:
    outcomes = store.result("tank_outcomes")
    expected = outcomes[outcomes["season"] == last_season]
    rows = written_rows(review.page.parent, "setups.csv")
    assert len(rows) == len(expected) == len({(row["tank_id"], row["outcome"]) for row in rows})
    assert {row["season"] for row in rows} == {str(last_season)}
    verdicts = {"below_expected", "watch", "as_expected", "above_expected", "too_few_records"}
    assert {row["verdict"] for row in rows} <= verdicts


def test_numbers_of_the_page_are_the_tables(review: ReportResult) -> None:
    for number in seen(review.page).numbers:
        assert cell(review.page.parent, number["data-from"], number["data-column"]) == number["value"]


def test_the_tests_own_tables_have_the_columns_of_real_ones(review: ReportResult) -> None:
    for table in invented.season_results().tables:
        rows = (review.page.parent / "tables" / f"{table.name}.csv").read_text(encoding="utf-8").splitlines()
        assert set(table.frame.columns) <= set(rows[0].split(",")), table.name


def test_the_account_adds_up(review: ReportResult) -> None:
    figures = {row["name"]: float(row["value"]) for row in written_rows(review.page.parent, "key_figures.csv")}
    rows = written_rows(review.page.parent, "accounting.csv")
    assert figures["tanks_supplied"] == sum(int(row["tanks_supplied"]) for row in rows)
    assert figures["tanks_supplied"] >= figures["tanks_delivered"] >= figures["tanks_usable"]
    assert figures["bound_low_pct"] <= min(figures["reported_pct"], figures["bound_high_pct"]) <= 100
    may_live = sum(int(row["left_alive"]) + int(row["alive_at_most_elsewhere"]) for row in rows)
    assert figures["bound_high_pct"] == pytest.approx(100 * may_live / figures["eggs_delivered"])
    assert may_live < figures["left_alive"] + figures["eggs_delivered"] - figures["eggs_in_usable"]
    silent = written_rows(review.page.parent, "not_reported.csv")
    assert len(silent) == figures["tanks_delivered"] - figures["tanks_usable"]


def test_no_free_text_of_an_upload_reaches_a_page_or_table(review: ReportResult) -> None:
    for path in review.page.parent.rglob("*"):
        if path.is_file():
            assert MARKER not in path.read_text(encoding="utf-8"), path


def test_every_site_of_the_season_has_its_sheet(review: ReportResult) -> None:
    sites = {row["site_id"] for row in written_rows(review.page.parent, "setups.csv")}
    titles = {seen(sheet).text.split("Site ")[1].split(",")[0] for sheet in review.sheets}
    assert titles == sites


def test_a_season_without_records_names_the_seasons_there_are(store: Store, tmp_path: Path) -> None:
    with pytest.raises(
        NothingToAnalyse, match=r"no set-up in season 1999 .1999/00.; the store has \d{4} "
    ) as refused:
        report_season(store, 1999, tmp_path)
    assert refused.value.exit_code == EXIT_NOTHING_TO_ANALYSE
    assert list(tmp_path.iterdir()) == []


def test_an_empty_store_says_what_to_load(tmp_path: Path) -> None:
    with open_store(tmp_path / "empty.duckdb", for_loading=True) as opened:
        with pytest.raises(NothingToAnalyse, match="no set-up of any season yet; load the setups table first"):
            report_season(opened, 2024, tmp_path / "out")
        with pytest.raises(NothingToAnalyse, match="regions cannot be compared"):
            report_regions(opened, tmp_path / "out")


def test_regions_are_those_of_the_records_in_alphabetical_order(store: Store, regions: ReportResult) -> None:
    folder = regions.page.parent
    rows = [row for row in written_rows(folder, "regions.csv") if row["outcome"] == "delivered_to_release"]
    names = [row["region"] for row in rows]
    assert names == sorted(set(store.table("sites")["region"])) and len(names) == 3
    assert {row["separable"] for row in rows} <= {"true", "false"}
    for number in seen(regions.page).numbers:
        assert cell(folder, number["data-from"], number["data-column"]) == number["value"]


#: Key figures of the season page that the sums by region add up to.
SUMMED = {
    "tanks_supplied": "tanks_supplied", "tanks_delivered": "delivered", "tanks_usable": "usable",
    "eggs_delivered": "eggs", "eggs_in_usable": "eggs_in_usable", "left_alive": "left_alive",
    "hatched": "hatched", "tanks_hatch_known": "usable_hatch", "released": "released",
    "tanks_release_counted": "release_counted",
}  # fmt: skip


def test_regions_add_up_to_what_the_page_of_each_season_says(
    store: Store, last_season: int, review: ReportResult, regions: ReportResult
) -> None:
    rows = pd.DataFrame(written_rows(regions.page.parent, "regions_by_season.csv"))
    numbers = rows.drop(columns="region").apply(pd.to_numeric)
    assert rows.groupby("season")["region"].nunique().tolist() == [3, 3]
    accounting, tanks = store.result("accounting"), store.result("tank_seasons")
    for year, own in numbers.groupby("season"):
        said = totals(of_season(accounting, int(year)), of_season(tanks, int(year)))
        assert {name: own[column].sum() for name, column in SUMMED.items()} == {
            name: said[name] for name in SUMMED
        }
        assert said["reported_pct"] == 100 * own["left_alive"].sum() / own["eggs_in_usable"].sum()
        assert (own["release_counted"] + own["release_unknown"] == own["delivered"]).all()
    key = {row["name"]: float(row["value"]) for row in written_rows(review.page.parent, "key_figures.csv")}
    last = numbers[numbers["season"] == last_season]
    assert {name: last[column].sum() for name, column in SUMMED.items()} == {name: key[name] for name in SUMMED}


LONG = "x" * 60
ONE_TANK = {
    "sites": f'site_id,region\n{LONG},"<b>north</b>"\n',
    "tanks": f"tank_id\n{LONG}\n",
    "setups": f"season,tank_id,site_id,room_type,gravel_practice\n2024,{LONG},{LONG},classroom,bare\n",
}
ITS_EGGS = {
    "batches": "batch_id,donor_stock,species,brood_year\nB,D,arctic_charr,2024\n",
    "deliveries": f"tank_id,batch_id,delivered_on,stage_at_delivery,eggs_live\n{LONG},B,2024-11-08,eyed,150\n",
}
ITS_FATE = {
    "losses": f"tank_id,checked_on,stage,dead\n{LONG},2024-12-01,egg,5\n",
    "exits": f"tank_id,exited_on,fate,count\n{LONG},2025-05-01,released,120\n",
    "stages": f"tank_id,stage,last_absent_on,first_seen_on\n{LONG},hatch_all,2024-12-20,2024-12-22\n",
}


@pytest.mark.parametrize(
    ("files", "said"),
    [
        (ONE_TANK, ["1 tanks set up", "0 with eggs delivered", "No tank got eggs this season yet."]),
        (ONE_TANK | ITS_EGGS, ["No dead eggs or fish were counted", "150 live eggs came to 1 tank;"]),
        (
            ONE_TANK | ITS_EGGS | ITS_FATE,
            [
                "No tank is judged",
                "120 fish were left alive, from 1 tank; 120 were counted at release.",
                "unaccounted for in 1 tank:",
                "<b>north</b>",
            ],
        ),
    ],
    ids=["nothing delivered", "just delivered", "one tank, a species without a model, codes of 60 characters"],
)
def test_a_season_with_next_to_nothing_still_reads(files: dict[str, str], said: list[str], tmp_path: Path) -> None:
    uploads = tmp_path / "uploads"
    uploads.mkdir()
    for name, text in files.items():
        (uploads / f"{name}.csv").write_text(text, encoding="utf-8")
    with open_store(tmp_path / "one.duckdb", for_loading=True) as opened:
        load_paths(opened, [str(uploads)])
        result = report_season(opened, 2024, tmp_path / "out", sites=True)
    page = seen(result.page)
    text = " ".join(page.text.replace("\u202f", " ").split())
    assert [words for words in said if words not in text] == []
    assert "nan" not in text.lower() and "None" not in text and ". ." not in text
    for number in page.numbers:
        assert cell(tmp_path / "out", number["data-from"], number["data-column"]) == number["value"]


def test_a_review_is_the_same_bytes_with_one_process_and_with_two(
    store: Store, last_season: int, review: ReportResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(season, "WORTH_A_PROCESS_SETUPS", 0)
    monkeypatch.setattr(second_process, "_processors", lambda: 2)
    done_there: list[str] = []

    def noted(beside: second_process.SecondProcess, work: partial[object]) -> second_process.Answer:
        done_there.append(work.func.__name__)
        return really(beside, work)

    really = second_process.SecondProcess._done_there
    monkeypatch.setattr(second_process.SecondProcess, "_done_there", noted)
    again = report_season(store, last_season, tmp_path, sites=True)
    assert "on_one_thread" in done_there and {name for name in done_there if name.endswith("_figure")}
    folder = review.page.parent
    written = {path.relative_to(folder) for path in folder.rglob("*") if path.is_file()}
    assert written == {path.relative_to(tmp_path) for path in again.page.parent.rglob("*") if path.is_file()}
    for name in written:
        assert (folder / name).read_bytes() == (tmp_path / name).read_bytes(), name


#: A model of one's own, with all that it may state: frozen with the records, and made again from them.
MODEL = DevelopmentModel(
    "our curve", "chinook", "hatch_half", "exponential", {"a": 5.4, "b": 0.14},
    covariance=[[1e-4, 1e-5], [1e-5, 1e-5]], spread_log_sd=0.05, valid_low_c=4.0, valid_high_c=14.0,
)  # fmt: skip


def _headers(folder: Path) -> dict[str, set[str]]:
    return {path.name: set(pd.read_csv(path, nrows=0).columns) for path in (folder / "tables").glob("*.csv")}


def test_the_invented_results_have_no_table_and_no_column_that_real_ones_lack(
    store: Store, review: ReportResult, regions: ReportResult, pages: dict[str, Path], tmp_path: Path
) -> None:
    told: list[tuple[int, int, str]] = []
    real = {
        "season": review,
        "regions": regions,
        "development": report_development(
            store, tmp_path / "development", models=[MODEL], tell=lambda *step: told.append(step)
        ),
    }
    assert [done / steps for done, steps, _ in told] == [0, 1 / 3, 2 / 3]
    _makes_its_tables_again(tmp_path / "development" / "reproduce")
    for report, written in real.items():
        columns = _headers(written.page.parent)
        for name, invented_columns in _headers(pages[report].parent).items():
            assert name in columns, f"{report}: no real report has {name}"
            assert invented_columns - columns[name] == set(), f"{report}: {name}"


def test_each_page_ends_with_what_its_words_mean(pages: dict[str, Path]) -> None:
    meant = {"season": "left alive", "regions": "within batches", "development": "thermal unit"}
    for name, word in meant.items():
        assert f"<strong>{word}</strong>: " in pages[name].read_text(encoding="utf-8"), name


def _makes_its_tables_again(folder: Path) -> None:
    """The script beside the frozen records ends with 0, and the records are a valid Data Package."""
    with pytest.raises(SystemExit) as ended:
        runpy.run_path(str(folder / "reproduce.py"))
    assert ended.value.code == 0
    again = {path.name for path in (folder / "again").iterdir()}
    assert again == {path.name for path in (folder.parent / "tables").iterdir()}
    (folder.parent / "tables").rename(folder / "elsewhere")
    with pytest.raises(
        SystemExit, match="is not there: copy the whole folder of the report, not reproduce/ alone"
    ):
        runpy.run_path(str(folder / "reproduce.py"))
    (folder / "elsewhere").rename(folder.parent / "tables")
    checked = frictionless.Package(str(folder / "datapackage.json")).validate()
    assert checked.valid, checked.flatten(["type", "message"])
