"""30 tries (seeded) of every output against foreign and edited files: none is replaced.

Run: python -m pytest tests/benchmarks/outputs_test.py -s
"""

from __future__ import annotations

import json
import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.commands.test_outputs_stay import MINE, OUTPUTS, content, edited, foreign, places

from broodyear.cli import main
from broodyear.outputs import RECORD

__all__ = ["places"]

TRIES = 30
SEED = 20_241_129


def cut_off(out: Path, name: str) -> None:
    """Less of it stands there than was written."""
    os.truncate(out / name, (out / name).stat().st_size // 2)


def emptied(out: Path, name: str) -> None:
    (out / name).write_bytes(b"")


def link_elsewhere(out: Path, name: str) -> None:
    """A link to somebody's file stands in its place."""
    own = out.with_name(f"{out.name}_mine.txt")
    own.write_bytes(MINE)
    (out / name).unlink()
    (out / name).symlink_to(own)


def link_to_nothing(out: Path, name: str) -> None:
    (out / name).unlink()
    (out / name).symlink_to(out.with_name(f"{out.name}_nowhere.txt"))


def no_record(out: Path, name: str) -> None:
    """The folder's record is gone, as when files are copied by hand."""
    (out / name).write_bytes((out / name).read_bytes() + MINE)
    (out / RECORD).unlink()


def strange_record(out: Path, name: str) -> None:
    """The record cannot be read."""
    (out / name).write_bytes(MINE)
    (out / RECORD).write_text('{"written": [1, 2', encoding="utf-8")


def of_another_command(out: Path, name: str) -> None:
    """Its record says that another command wrote it."""
    record = json.loads((out / RECORD).read_text(encoding="utf-8"))
    record["written"][name]["by"] = "something else"
    (out / RECORD).write_text(json.dumps(record), encoding="utf-8")


HARMS: tuple[Callable[[Path, str], None], ...] = (
    foreign, edited, cut_off, emptied, link_elsewhere, link_to_nothing, no_record, strange_record,
    of_another_command,
)  # fmt: skip


def standing(folder: Path) -> dict[str, bytes]:
    """What stands there, links as links."""
    links = {str(path): os.readlink(path).encode() for path in folder.rglob("*") if path.is_symlink()}
    return {**content(folder), **links}


@pytest.mark.parametrize("output", OUTPUTS)
def test_nothing_is_replaced(
    output: str, places: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command, _names = OUTPUTS[output]
    made = tmp_path / "made"
    made.mkdir()
    assert main([word.format(out=made, **places) for word in command.split()]) in {0, 10}
    # A folder swapped whole keeps what it did not write; of what it writes, nothing at its top may be another's.
    own = sorted(str(path.relative_to(made)) for path in made.rglob("*") if path.is_file() and path.name != RECORD)
    rng = random.Random(f"{output} {SEED}")
    for number in range(TRIES):
        harm, name = rng.choice(HARMS), rng.choice(own)
        out = tmp_path / f"try_{number}"
        shutil.copytree(made, out)
        harm(out, name)
        before = standing(tmp_path)
        capsys.readouterr()
        code = main([word.format(out=out, **places) for word in command.split()])
        said = capsys.readouterr()
        assert (code, said.out) == (2, ""), f"{harm.__name__} {name}: {said.err}"
        assert "othing was replaced" in said.err
        assert standing(tmp_path) == before
    print(f"\n{output}: {TRIES} tries, 0 replaced")
