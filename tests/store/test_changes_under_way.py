"""Loads and withdrawals that break off: the next run tells what was kept out, and what is not in the store."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from tests.built_once import built_once

from broodyear.errors import Refused
from broodyear.findings import CheckResult
from broodyear.intake import load_paths, session
from broodyear.store import Store, open_existing_for_change, open_store

#: What runs in a process of its own: the command line, with something done when the given file is checked.
_WITH = """
import os, signal, sys
from broodyear import cli, stopping
from broodyear.intake import filing, session
stopping.listen()
original = session.file_upload
def file_upload(known, file, *rest):
    if file.source.name == {name!r}:
        {then}
    return original(known, file, *rest)
session.file_upload = file_upload
sys.exit(cli.main(sys.argv[1:]))
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Uploads with two rejected rows in two files."""
    return write_uploads(tmp_path)


def write_uploads(folder: Path) -> Path:
    files = {
        "tanks.csv": "tank_id\nT-1\nT-2\n",
        "losses_a.csv": "tank_id,checked_on,stage,dead\nT-1,2024-11-11,egg,2\nT-1,2024-11-12,egg,x\n",
        "losses_b.csv": "tank_id,checked_on,stage,dead\nT-9,2024-11-12,egg,5\nT-2,2024-11-12,egg,1\n",
    }
    (folder / "uploads").mkdir()
    for name, text in files.items():
        (folder / "uploads" / name).write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def killed(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of one's own in which a load was killed at its last file, its write-ahead log left behind."""

    def build(folder: Path) -> None:
        ended = run(write_uploads(folder), "losses_b.csv", "os._exit(9)", "load", str(folder / "uploads"))
        assert (ended.returncode, ended.stdout) == (9, "")

    return Path(shutil.copytree(built_once(tmp_path_factory, "killed_load", build), tmp_path / "killed"))


def run(folder: Path, name: str, then: str, *words: str) -> subprocess.CompletedProcess[str]:
    code = _WITH.format(name=name, then=then)
    store = ("--store", str(folder / "s.duckdb"))
    return subprocess.run(
        [sys.executable, "-c", code, *words, *store], capture_output=True, text=True, check=False, timeout=120
    )


def told_lines(result: CheckResult) -> list[tuple[str, int | None]]:
    return [(Path(finding.path).name, finding.line) for finding in result.findings if finding.level == "error"]


ALL_TOLD = [("losses_a.csv", 3), ("losses_b.csv", 2)]


def test_what_a_stopped_load_kept_out_is_told_by_the_next_whatever_it_loads(folder: Path) -> None:
    def stops(result: CheckResult) -> None:
        raise BrokenPipeError

    other = folder / "sites.csv"
    other.write_text("site_id,region\nS-1,R1\n", encoding="utf-8")
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        with pytest.raises(BrokenPipeError):
            load_paths(store, [folder / "uploads"], tell=stops)
        said = store.untold()
        assert said is not None and "what became of 3 files" in said and "2 of their rows were kept out" in said
        result = load_paths(store, [other], rejects=folder / "to_mend")
        assert told_lines(result) == ALL_TOLD
        assert result.exit_code == 10
        assert [report.rows_read for report in result.files] == [2, 2, 2, 1]
        assert "by a run that ended before it told of it" in result.files[1].notes[-1]
        copies = sorted(place.name for place in (folder / "to_mend").glob("*.csv"))
        assert copies == ["losses_a.csv", "losses_b.csv"]
        assert store.untold() is None
        assert told_lines(load_paths(store, [other])) == []


def test_loading_the_same_files_again_tells_each_once(folder: Path) -> None:
    ended = run(folder, "losses_b.csv", "os._exit(9)", "load", str(folder / "uploads"))
    assert (ended.returncode, ended.stdout) == (9, "")
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        result = load_paths(store, [folder / "uploads"])
        assert told_lines(result) == ALL_TOLD
        assert len(result.files) == 3
        assert store.broken_off() is None


def test_ctrl_c_ends_with_130_and_what_was_kept(folder: Path) -> None:
    then = "os.kill(os.getpid(), signal.SIGINT)"
    ended = run(folder, "losses_b.csv", then, "load", str(folder / "uploads"))
    assert ended.returncode == 130
    assert ended.stderr == (
        "broodyear: stopped. Of 3 files 2 are in the store, each of them whole (uploads 1 to 2); of the others "
        "nothing is. Run the same command again: it loads what is missing, and tells what became of all rows\n"
    )


def test_ctrl_c_while_the_database_works_is_no_mistake_of_the_program(folder: Path) -> None:
    then = (
        "import threading; threading.Timer(0.3, os.kill, (os.getpid(), signal.SIGINT)).start(); "
        "known.connection.execute('SELECT sum(a.range * b.range) FROM range(3000000) a, range(300000) b')"
        ".fetchall()"
    )
    ended = run(folder, "tanks.csv", then, "load", str(folder / "uploads"))
    assert ended.returncode == 130
    assert "stopped before any file of this load was in the store" in ended.stderr


def test_the_next_command_says_what_a_killed_load_left_undone(killed: Path) -> None:
    ended = run(killed, "", "pass", "uploads")
    assert ended.returncode == 0
    assert "of its 3 files, 1 is not in the store" in ended.stderr
    assert "losses_b.csv" in ended.stderr
    assert "1 of their rows were kept out" in ended.stderr


@pytest.mark.parametrize("cut", ["gone", "half"])
def test_a_lost_wal_is_told_with_the_files_that_went_with_it(cut: str, killed: Path) -> None:
    wal = killed / "s.duckdb.wal"
    content = wal.read_bytes()
    wal.unlink()
    if cut == "half":
        wal.write_bytes(content[: len(content) // 2])
    with open_store(killed / "s.duckdb") as store:
        said = store.broken_off()
        there = len(store.uploads())
    assert said is not None and there < 2
    assert f"{3 - there} are not in the store" in said and "losses_a.csv" in said


def test_rejected_rows_are_told_when_their_copies_cannot_be_written(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_given: object) -> None:
        raise Refused("the disk is full")

    monkeypatch.setattr(session, "write_rejects", fails)
    shown: list[CheckResult] = []
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        with pytest.raises(Refused, match="the disk is full. Nothing is lost: the store keeps the rejected rows"):
            load_paths(store, [folder / "uploads"], rejects=folder / "to_mend", tell=shown.append)
        assert told_lines(shown[0]) == ALL_TOLD
        assert store.untold() is None


def test_a_withdrawal_that_broke_off_is_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        load_paths(store, [folder / "uploads"])

    def stops(*_given: object) -> None:
        raise KeyboardInterrupt

    def withdraw(store: Store) -> None:
        with pytest.raises(KeyboardInterrupt):
            store.withdraw(2)

    with open_existing_for_change(folder / "s.duckdb") as store:
        with monkeypatch.context() as patched:
            patched.setattr("broodyear.store.withdrawing._give_back", stops)
            withdraw(store)
        assert store.kept_of_withdrawal(2) == "stopped. Nothing was withdrawn; the store is as it was"
        said = store.broken_off()
        assert said is not None and "upload 2 still stands" in said
        store.withdraw(2)
        assert store.broken_off() is None
        assert store.kept_of_withdrawal(2) == "stopped. Upload 2 is withdrawn"
