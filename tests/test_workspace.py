"""Working folders go with their run, or with the next one; without room or permission a sentence is said."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from tests.full_disk import no_room_beyond

from broodyear import workspace
from broodyear.cli import main
from broodyear.errors import Refused
from broodyear.workspace import hold_folder, keep_caches_apart, working_folder

FULL = "is full; free some space there, or name another folder in the environment variable TMPDIR"


@pytest.fixture(autouse=True)
def own_temporary_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A temporary folder of the test's own."""
    place = tmp_path / "passing"
    place.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(place))
    return place


def test_a_folder_goes_with_its_run(own_temporary_folder: Path) -> None:
    with pytest.raises(KeyError), working_folder() as folder:
        (folder / "half").touch()
        raise KeyError
    assert list(own_temporary_folder.iterdir()) == []


@pytest.mark.parametrize("error", [BlockingIOError, FileNotFoundError])
def test_a_folder_that_another_run_takes_for_a_leftover_is_made_again(
    error: type[OSError], own_temporary_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken: list[Path] = []

    def taken_once(folder: Path) -> int | None:
        if taken:
            return hold_folder(folder)
        taken.append(folder)
        folder.rmdir()
        raise error

    monkeypatch.setattr(workspace, "hold_folder", taken_once)
    with working_folder() as folder:
        assert folder.is_dir() and [folder] != taken
    assert list(own_temporary_folder.iterdir()) == []


_HOLDER = """
import sys, tempfile, time
tempfile.tempdir = sys.argv[1]
from broodyear.workspace import working_folder
with working_folder() as folder:
    (folder / "half").touch()
    print(folder, flush=True)
    time.sleep(600)
"""


def test_what_a_killed_run_left_goes_with_the_next_and_a_living_ones_stays(own_temporary_folder: Path) -> None:
    (own_temporary_folder / "somebody_elses").touch()
    with subprocess.Popen(
        [sys.executable, "-c", _HOLDER, str(own_temporary_folder)], stdout=subprocess.PIPE, text=True
    ) as run:
        assert run.stdout is not None
        left = Path(run.stdout.readline().strip())
        with working_folder():
            assert (left / "half").exists()
        run.send_signal(signal.SIGKILL)
        run.wait()
    assert left.exists()
    with working_folder() as mine:
        assert {path.name for path in own_temporary_folder.iterdir()} == {"somebody_elses", mine.name}


def test_no_room_for_temporary_files_is_said(own_temporary_folder: Path) -> None:
    with no_room_beyond(4096), pytest.raises(Refused, match=FULL), working_folder() as folder:
        (folder / "copy").write_bytes(b"x" * 5000)


def test_no_place_for_temporary_files_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "nowhere"))
    with pytest.raises(Refused, match=r"nowhere, cannot be written \(No such file"), working_folder():
        pytest.fail("there is no such folder")


@pytest.mark.parametrize("name", ["tanks.csv", "tanks.csv.gz"])
def test_a_check_without_room_blames_neither_the_file_nor_the_store(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import gzip

    text = b"tank_id,volume_l\n" + b"".join(b"T%d,100\n" % number for number in range(3000))
    (tmp_path / name).write_bytes(gzip.compress(text) if name.endswith("gz") else text)
    with no_room_beyond(8192):
        code = main(["check", str(tmp_path / name), "--store", str(tmp_path / "none.duckdb")])
    assert code == 12 and FULL in capsys.readouterr().err


def test_output_that_nobody_can_take_ends_with_a_sentence() -> None:
    with Path("/dev/full").open("w") as full:
        words = [sys.executable, "-m", "broodyear", "sql"]
        done = subprocess.run(words, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    said = "broodyear: there is no room left on the disk for what the command prints; free some and run it again\n"
    assert (done.returncode, done.stderr) == (12, said)


def test_the_drawing_librarys_cache_is_a_folder_of_ours(
    own_temporary_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("MPLCONFIGDIR", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "caches"))
    keep_caches_apart()
    assert os.environ["MPLCONFIGDIR"] == str(tmp_path / "caches" / "broodyear" / "figures")
    monkeypatch.setenv("MPLCONFIGDIR", "as the user likes")
    keep_caches_apart()
    assert os.environ["MPLCONFIGDIR"] == "as the user likes"
    monkeypatch.delenv("MPLCONFIGDIR")
    monkeypatch.setenv("XDG_CACHE_HOME", "/dev/null/nowhere")
    keep_caches_apart()
    assert Path(os.environ["MPLCONFIGDIR"]).is_relative_to(own_temporary_folder)
