"""The uploads: the same bytes every time, every row once, every shape, and text that reads back."""

from __future__ import annotations

import csv
import gzip
import hashlib
import io
import json
import os
import time
from pathlib import Path

import numpy as np
import pytest

from broodyear.synthetic import Programme, Tables, simulate, write_truth, write_uploads
from broodyear.synthetic.files import QUIRKS, plan_files

SMALL = {"seasons": 2, "tanks": 16, "regions": 4, "logger_interval_minutes": 240}
LONGEST_SECONDS = 12.0
"""Promise to the demo; measured 2 s alone on one core, so it leaves room for a busy machine."""


def digests(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def timed_uploads(programme: Programme, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float]:
    folder = tmp_path_factory.mktemp("uploads")
    start = time.process_time()
    write_uploads(programme, folder)
    return folder, time.process_time() - start


@pytest.fixture(scope="module")
def uploads(timed_uploads: tuple[Path, float]) -> Path:
    return timed_uploads[0]


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Programme, Path]:
    """A small programme and where it and its truth were written."""
    programme, folder = simulate(4, **SMALL), tmp_path_factory.mktemp("one")
    write_uploads(programme, folder)
    write_truth(programme, folder / "truth.json")
    return programme, folder


def test_the_same_seed_gives_the_same_bytes_wherever_it_is_written(
    small: tuple[Programme, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    monkeypatch.setattr(time, "time", lambda: 1.0e9)
    again = simulate(4, **SMALL)
    write_uploads(again, Path(os.path.relpath(tmp_path / "two")))
    write_truth(again, tmp_path / "two" / "truth.json")
    assert digests(small[1]) == digests(tmp_path / "two")


def test_another_seed_gives_other_records(small: tuple[Programme, Path], tmp_path: Path) -> None:
    write_uploads(simulate(5, **SMALL), tmp_path)
    assert not set(digests(small[1]).values()) & set(digests(tmp_path).values())


def test_every_row_is_in_one_file(programme: Programme) -> None:
    """Copies and the corrected list apart."""
    files = [f for f in plan_files(programme) if not f.copy_of and "_v2" not in f.path]
    for name in Tables.__dataclass_fields__:
        rows = np.sort(np.concatenate([file.rows for file in files if file.table == name]))
        assert (rows == np.arange(len(programme.sent.frame(name)))).all()


def test_every_shape_occurs(programme: Programme) -> None:
    shapes = {file.quirk for file in plan_files(programme)}
    assert shapes >= {*QUIRKS, "plain", "windows_1252", "preamble"}


def test_several_files_per_table_and_season(programme: Programme) -> None:
    files = [f for f in plan_files(programme) if f.path.startswith("2022/")]
    assert sum(f.table == "losses" for f in files) >= 4
    assert sum(f.table == "temperatures" for f in files) >= 8
    assert any(Path(f.path).name.startswith("logger_") for f in files)
    assert any("_loggers" in f.path for f in files)


def test_about_two_files_in_a_hundred_are_sent_twice(programme: Programme, uploads: Path) -> None:
    copies = [f for f in plan_files(programme) if f.copy_of]
    assert len(copies) == pytest.approx(0.02 * len(plan_files(programme)), abs=1)
    for file in copies:
        assert (uploads / file.path).read_bytes() == (uploads / file.copy_of).read_bytes()


def read_back(path: Path, quirk: str) -> list[list[str]]:
    """Cells of a file, read the plain way that its shape asks for."""
    data = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    text = data.decode("cp1252" if quirk == "windows_1252" else "utf-8-sig")
    delimiter = {"semicolons": ";", "tabs": "\t"}.get(quirk, ",")
    return list(csv.reader(io.StringIO(text), delimiter=delimiter))[5 if quirk == "preamble" else 0 :]


def test_files_read_back_as_they_were_sent(programme: Programme, uploads: Path) -> None:
    for quirk in ("plain", "semicolons", "tabs", "windows_1252", "preamble", "compressed", "quoted"):
        file = next(f for f in plan_files(programme) if f.quirk == quirk and not f.cells)
        cells = read_back(uploads / file.path, quirk)
        assert len(cells) == len(file.rows) + 1
        assert {len(row) for row in cells} == {len(cells[0])}
        key = "tank_id" if "tank_id" in cells[0] else cells[0][0]
        place = cells[0].index(key)
        sent = programme.sent.frame(file.table)[key].astype(str).iloc[file.rows]
        assert [row[place] for row in cells[1:]] == list(sent)


def test_windows_1252_files_hold_letters_that_need_it(programme: Programme, uploads: Path) -> None:
    files = [f for f in plan_files(programme) if f.quirk == "windows_1252"]
    assert any("Å".encode("cp1252") in (uploads / f.path).read_bytes() for f in files)


def test_the_corrected_list_mends_the_first(programme: Programme, uploads: Path) -> None:
    files = plan_files(programme)
    mended = next(f for f in files if "_v2" in f.path)
    first = next(f for f in files if f.table == "setups" and f.cells)
    assert [column for _, column, _ in first.cells] == ["set_point_c", "room_type"]
    assert (mended.rows == first.rows).all()
    assert mended.cells == ()
    assert mended.path > first.path, "a folder is read in order of path: the mended list must come later"


def test_the_truth_is_not_among_the_uploads(uploads: Path) -> None:
    assert {path.suffix for path in uploads.rglob("*") if path.is_file()} <= {".csv", ".tsv", ".gz"}


def test_truth_is_json_and_names_every_file(programme: Programme, tmp_path: Path) -> None:
    write_truth(programme, tmp_path / "truth.json")
    truth = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    assert {f["path"] for f in truth["files"]} == {f.path for f in plan_files(programme)}
    assert sum(len(f["spoiled_cells"]) for f in truth["files"] if not f["copy_of"]) == 9 + 2
    assert truth["seed"] == 7


def test_simulating_and_writing_is_quick(
    timed_programme: tuple[Programme, float], timed_uploads: tuple[Path, float]
) -> None:
    assert timed_programme[1] + timed_uploads[1] < LONGEST_SECONDS
