"""Results replace nothing but what the same command wrote and nobody changed since, and appear whole or not."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.full_disk import no_room_beyond

from broodyear import outputs
from broodyear.errors import Refused, UsageError
from broodyear.outputs import append_to, begin_folder, end_folder, new_file, new_folder, write_file


def content(folder: Path) -> dict[str, bytes]:
    """Every file below a folder but the records of outputs."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != outputs.RECORD
    }


def write_review(folder: Path, text: str) -> None:
    """A folder as a report makes it."""
    with new_folder(folder, "report season", ("season.html", "tables")) as aside:
        (aside / "tables").mkdir()
        (aside / "season.html").write_text(f"page {text}", encoding="utf-8")
        (aside / "tables" / "effects.csv").write_text(f"table {text}", encoding="utf-8")


def test_a_file_is_replaced_while_it_is_as_the_same_command_wrote_it(tmp_path: Path) -> None:
    write_file(tmp_path / "dates.csv", "first", "forecast")
    write_file(tmp_path / "dates.csv", b"second", "forecast")
    assert content(tmp_path) == {"dates.csv": b"second"}


def test_a_foreign_a_changed_and_another_commands_file_stay(tmp_path: Path) -> None:
    for name in ("foreign.csv", "changed.csv", "other.csv"):
        (tmp_path / name).write_text("mine", encoding="utf-8")
    for name in ("changed.csv", "other.csv"):
        (tmp_path / name).unlink()
        write_file(tmp_path / name, "theirs", "export" if name == "other.csv" else "forecast")
    (tmp_path / "changed.csv").write_text("mended", encoding="utf-8")
    before = content(tmp_path)
    for name, why in (
        ("foreign.csv", "was not written by broodyear"),
        ("changed.csv", "was changed after broodyear wrote it"),
        ("other.csv", "was written by `broodyear export`"),
    ):
        with pytest.raises(UsageError) as refused:
            write_file(tmp_path / name, "new", "forecast")
        assert str(refused.value) == (
            f"{tmp_path / name} {why}; nothing was replaced. Name another file with --out, or move what you want "
            "to keep."
        )
    assert content(tmp_path) == before


def test_a_link_is_nobodys_output(tmp_path: Path) -> None:
    (tmp_path / "kept.csv").write_text("kept", encoding="utf-8")
    (tmp_path / "dates.csv").symlink_to(tmp_path / "kept.csv")
    with pytest.raises(UsageError, match=r"dates\.csv was not written by broodyear"):
        write_file(tmp_path / "dates.csv", "new", "forecast")
    assert (tmp_path / "kept.csv").read_text(encoding="utf-8") == "kept"


def test_a_folder_is_swapped_whole_and_what_is_not_ours_stays(tmp_path: Path) -> None:
    write_review(tmp_path / "review", "2023")
    (tmp_path / "review" / "notes.txt").write_text("my notes", encoding="utf-8")
    (tmp_path / "review" / "tables" / ".lock.effects.csv#").write_text("open", encoding="utf-8")
    (tmp_path / "review" / "letters").mkdir()
    (tmp_path / "review" / "letters" / "to_sites.txt").write_text("dear", encoding="utf-8")
    write_file(tmp_path / "review" / "dates.csv", "dates", "forecast")
    with new_folder(tmp_path / "review", "report season", ("season.html", "tables")) as aside:
        (aside / "season.html").write_text("page 2024", encoding="utf-8")
    assert content(tmp_path / "review") == {
        "season.html": b"page 2024", "notes.txt": b"my notes", "letters/to_sites.txt": b"dear",
        "tables/.lock.effects.csv#": b"open", "dates.csv": b"dates",
    }  # fmt: skip
    write_file(tmp_path / "review" / "dates.csv", "later dates", "forecast")  # its line of the record stayed
    assert sorted(path.name for path in tmp_path.iterdir()) == ["review"]


@pytest.mark.parametrize("name", ["season.html", "tables/effects.csv", "tables/pivot.csv"])
def test_a_folder_with_a_changed_or_foreign_file_in_the_way_is_refused_before_the_work(
    tmp_path: Path, name: str
) -> None:
    write_review(tmp_path / "review", "2023")
    (tmp_path / "review" / name).write_text("mine", encoding="utf-8")
    before = content(tmp_path)
    with (
        pytest.raises(UsageError, match=f"review/{name} was .* Nothing was replaced"),
        new_folder(tmp_path / "review", "report season", ("season.html", "tables")),
    ):
        pytest.fail("the work began")
    assert content(tmp_path) == before


def test_every_file_in_the_way_is_told_at_once(tmp_path: Path) -> None:
    (tmp_path / "review" / "tables").mkdir(parents=True)
    for number in range(5):
        (tmp_path / "review" / "tables" / f"t{number}.csv").touch()
    with pytest.raises(UsageError, match=r"t0\.csv was not .*t1\.csv was not .*t2\.csv was not .*; and 2 more\."):
        write_review(tmp_path / "review", "2024")


def test_a_file_that_came_while_the_work_was_done_is_not_lost(tmp_path: Path) -> None:
    write_review(tmp_path / "review", "2023")
    before = content(tmp_path)
    with (
        pytest.raises(UsageError, match=r"season\.html was changed after broodyear wrote it"),
        new_folder(tmp_path / "review", "report season") as aside,
    ):
        (aside / "season.html").write_text("page 2024", encoding="utf-8")
        (tmp_path / "review" / "season.html").write_text("page 2023, mended", encoding="utf-8")
    assert content(tmp_path) == before | {"review/season.html": b"page 2023, mended"}


def test_the_folder_one_stands_in_and_a_file_are_no_places_for_a_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UsageError, match="is the folder you are in; name one inside it with --out"):
        write_review(Path(), "2024")
    Path("file").touch()
    with pytest.raises(UsageError, match="file is a file; name a folder with --out"):
        write_review(Path("file"), "2024")
    with pytest.raises(UsageError, match=r"file/review cannot be written: .*file is not a folder"):
        write_review(Path("file/review"), "2024")
    with pytest.raises(UsageError, match=r"is a folder; name a file with --rejects"):
        write_file(tmp_path, "x", "load --rejects", "--rejects")


def test_a_link_to_a_folder_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "disk").mkdir()
    (tmp_path / "review").symlink_to(tmp_path / "disk")
    write_review(tmp_path / "review", "2024")
    assert (tmp_path / "review").is_symlink() and (tmp_path / "disk" / "season.html").exists()


def test_a_failure_leaves_everything_as_it_was(tmp_path: Path) -> None:
    write_review(tmp_path / "review", "2023")
    write_file(tmp_path / "dates.csv", "dates", "forecast")
    before = content(tmp_path)
    with pytest.raises(KeyboardInterrupt), new_folder(tmp_path / "review", "report season") as aside:
        (aside / "season.html").write_text("half", encoding="utf-8")
        raise KeyboardInterrupt
    with pytest.raises(ZeroDivisionError), new_file(tmp_path / "dates.csv", "forecast") as part:
        part.write_text(str(1 / 0), encoding="utf-8")
    assert content(tmp_path) == before


def test_two_runs_do_not_write_one_folder_at_once(tmp_path: Path) -> None:
    with (
        new_folder(tmp_path / "review", "report season"),
        pytest.raises(Refused, match="another run is writing .*review just now"),
    ):
        write_review(tmp_path / "review", "2024")


#: Writes a new review forever; the loop is killed from outside, or by itself between the two renames.
_WRITER = """
import os, signal, sys
from pathlib import Path
from broodyear.outputs import new_folder
renames = 0
def rename(self, target, old=Path.rename):
    global renames
    done = old(self, target)
    renames += 1
    if renames == int(sys.argv[2]):
        os.kill(os.getpid(), signal.SIGKILL)
    return done
Path.rename = rename
for number in range(2, 10_000):
    with new_folder(Path(sys.argv[1]), "report season", ("season.html", "tables")) as aside:
        (aside / "tables").mkdir()
        for name in ("season.html", "tables/a.csv", "tables/b.csv"):
            (aside / name).write_text(str(number))
        print(number, flush=True)
"""


@pytest.mark.parametrize("stopped_after_renames", [0, 1, 2, 3])
def test_a_kill_leaves_one_whole_folder_and_the_next_run_clears_up(
    tmp_path: Path, stopped_after_renames: int
) -> None:
    write_review(tmp_path / "review", "1")
    words = [sys.executable, "-c", _WRITER, str(tmp_path / "review"), str(stopped_after_renames)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as run:
        assert run.stdout is not None
        for _ in range(3):
            run.stdout.readline()
        if not stopped_after_renames:
            run.send_signal(signal.SIGKILL)
        run.wait()
        assert run.returncode == -signal.SIGKILL
    outputs.require_folder(tmp_path / "review", "report season", ("season.html", "tables"))
    found = content(tmp_path / "review")
    assert len({text.split()[-1] for text in found.values()}) == 1 and "season.html" in found
    write_review(tmp_path / "review", "last")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["review"]


def _folder(path: Path) -> None:
    with new_folder(path, "export") as aside:
        (aside / "sites.csv").write_bytes(b"x" * 5000)


@pytest.mark.parametrize(
    "write",
    [
        lambda path: write_file(path, b"x" * 5000, "forecast"),
        lambda path: append_to(path, "x" * 5000, "layout"),
        _folder,
    ],
)
def test_a_full_disk_leaves_no_half_written_file(tmp_path: Path, write: Callable[[Path], object]) -> None:
    with no_room_beyond(4096), pytest.raises(Refused) as refused:
        write(tmp_path / "out")
    assert str(refused.value) == (
        f"the disk became full while {tmp_path / 'out'} was being written; it is as it was before. Free some "
        "space, or name another place with --out"
    )
    assert list(tmp_path.iterdir()) == []


def test_what_is_added_keeps_what_people_wrote(tmp_path: Path) -> None:
    append_to(tmp_path / "layouts.toml", "one\n", "layout")
    (tmp_path / "layouts.toml").write_text("one, mended\n", encoding="utf-8")
    append_to(tmp_path / "layouts.toml", "two\n", "layout")
    assert content(tmp_path) == {"layouts.toml": b"one, mended\ntwo\n"}


def test_a_folder_filled_in_its_place_is_emptied_only_while_it_is_as_it_was_written(tmp_path: Path) -> None:
    demo = tmp_path / "demo"
    begin_folder(demo, "demo", ("uploads", "reports"))
    (demo / "uploads").mkdir()
    (demo / "uploads" / "losses.csv").write_text("rows", encoding="utf-8")
    write_review(demo / "reports" / "season", "2024")
    end_folder(demo, "demo")
    write_review(demo / "reports" / "season", "2023")  # known to its own folder's record
    begin_folder(demo, "demo", ("uploads", "reports"))
    assert content(demo) == {}
    end_folder(demo, "demo")
    (demo / "mine.txt").touch()
    with pytest.raises(UsageError, match=r"demo/mine\.txt was not written by broodyear\. Nothing was replaced"):
        begin_folder(demo, "demo", ("uploads", "reports"))


def test_a_folder_left_unfinished_is_begun_again_unless_something_else_lies_there(tmp_path: Path) -> None:
    begin_folder(tmp_path / "demo", "demo", ("uploads",))
    (tmp_path / "demo" / "uploads").mkdir()
    (tmp_path / "demo" / "uploads" / "half.csv").touch()
    begin_folder(tmp_path / "demo", "demo", ("uploads",))
    (tmp_path / "demo" / "mine.txt").touch()
    with pytest.raises(UsageError, match=r"mine\.txt was not written by broodyear"):
        begin_folder(tmp_path / "demo", "demo", ("uploads",))


@pytest.mark.skipif(os.geteuid() == 0, reason="the system's superuser may write anywhere")
def test_a_folder_that_may_not_be_changed_is_said_before_the_work(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(UsageError, match="may not be changed; name another place with --out"):
        outputs.require_file(tmp_path / "dates.csv", "forecast")


def test_a_damaged_record_protects_everything(tmp_path: Path) -> None:
    write_file(tmp_path / "dates.csv", "dates", "forecast")
    (tmp_path / outputs.RECORD).write_text("[]", encoding="utf-8")
    with pytest.raises(UsageError, match="was not written by broodyear"):
        write_file(tmp_path / "dates.csv", "new", "forecast")
