"""What a search of a folder passes over: results of broodyear's own, as long as they are as it wrote them."""

from __future__ import annotations

from pathlib import Path

import pytest

from broodyear.cli import main
from broodyear.intake import check_paths
from broodyear.outputs import new_folder, write_file

SITES = "site_id,region\nBIRCH,Vale\n"


def test_results_that_lie_among_records_are_passed_over_and_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with new_folder(Path("records"), "report season", ("season.html", "tables")) as aside:
        (aside / "tables").mkdir()
        for name in ("sites", "batches"):
            (aside / "tables" / f"{name}.csv").write_text(SITES, encoding="utf-8")
    write_file(Path("records/dates.csv"), "tank_id,checked_on,stage\n", "forecast")
    write_file(Path("records/sites.csv"), SITES, "export")
    Path("records/tables/batches.csv").write_text(SITES.replace("BIRCH", "ALDER"), encoding="utf-8")
    result = check_paths(["records"])
    # An export is there to be loaded, and what somebody changed is his own.
    assert [report.path for report in result.files] == ["records/sites.csv", "records/tables/batches.csv"]
    assert {one.path: one.reason for one in result.skipped if not one.path.endswith(".broodyear")} == {
        "records/dates.csv": "a result that `broodyear forecast` wrote, and no record",
        "records/tables/sites.csv": "a result that `broodyear report season` wrote, and no record",
    }


def test_a_filled_template_is_a_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["template", "sites", "--out", "records"]) == 0
    assert [report.path for report in check_paths(["records"]).files] == ["records/sites.csv"]
