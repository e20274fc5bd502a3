"""One small file per mistake: what is found, in which words, and what is said to do about it.

The expected findings stand beside each file as NAME.expected.json; the sites, tanks and batches the files refer to
are in the folder programme.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from broodyear.findings import Finding
from broodyear.intake import check_paths, load_paths
from broodyear.store import Store, open_store

FOLDER = Path(__file__).parents[1] / "bad_uploads"
FILES = sorted(place for place in FOLDER.iterdir() if place.is_file() and place.suffix != ".json")
#: Warnings the reader itself gives; suspicions across rows have tests of their own.
LEFT_OUT = {"path", "table", "source_column", "other_path"}
READER_WARNINGS = {"identical_repeat", "clock_change", "cut_off"}


def test_there_is_a_file_for_every_common_mistake() -> None:
    assert len(FILES) >= 60
    assert {place.name + ".expected.json" for place in FILES} == {place.name for place in FOLDER.glob("*.json")}


def own(finding: Finding, path: str) -> bool:
    return finding.path == path and (finding.level == "error" or finding.rule in READER_WARNINGS)


@pytest.fixture(scope="module")
def programme(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A store with the records that the files refer to."""
    with open_store(tmp_path_factory.mktemp("programme") / "s.duckdb", for_loading=True) as store:
        assert load_paths(store, [FOLDER / "programme"]).exit_code == 0
        yield store


@pytest.mark.parametrize("place", FILES, ids=lambda place: place.name)
def test_what_is_found(place: Path, programme: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(FOLDER)
    result = check_paths([place.name], store=programme)
    report = next(report for report in result.files if report.path == place.name)
    found = {
        "exit_code": result.exit_code,
        "table": report.table,
        "rows_read": report.rows_read,
        "rows_accepted": report.rows_accepted,
        "notes": list(report.notes),
        "findings": [
            {key: value for key, value in finding.as_dict().items() if key not in LEFT_OUT}
            for finding in result.findings
            if own(finding, place.name)
        ],
    }
    assert found == json.loads((FOLDER / f"{place.name}.expected.json").read_text(encoding="utf-8"))
    assert all(finding.source_column is None for finding in result.findings)
    assert report.rows_read == report.rows_accepted + report.rows_rejected
