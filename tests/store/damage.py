"""Copies of a store damaged in seeded ways, and what the commands do with them."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

#: A block of the database, and its header.
BLOCK, HEAD = 262_144, 3 * 4096
EXPECTED = {0, 2, 10, 12, 13}

Damage = Callable[[Path, random.Random], None]


@dataclass(frozen=True)
class Source:
    """A store to damage. plain: closed in order; broken_off: left by a killed load, with its ``.wal`` beside it;
    uploads: a folder with a file to load."""

    plain: Path
    broken_off: Path
    uploads: Path


def truncated(place: Path, rng: random.Random) -> None:
    os.truncate(place, rng.randrange(place.stat().st_size))


def flipped(place: Path, rng: random.Random) -> None:
    """Some bytes of some blocks are others."""
    content = bytearray(place.read_bytes())
    for _ in range(rng.choice((1, 1, 3, 20))):
        content[rng.randrange(len(content))] ^= rng.randrange(1, 256)
    place.write_bytes(content)


def zeroed(place: Path, rng: random.Random) -> None:
    """Pages of the disk came back empty."""
    content = bytearray(place.read_bytes())
    for _ in range(rng.choice((1, 1, 4))):
        start = rng.randrange(0, len(content), 4096)
        content[start : start + 4096] = bytes(len(content[start : start + 4096]))
    place.write_bytes(content)


def block_of_another(place: Path, rng: random.Random) -> None:
    """A block stands where another belongs."""
    content = bytearray(place.read_bytes())
    blocks = max((len(content) - HEAD) // BLOCK, 1)
    one, other = (HEAD + rng.randrange(blocks) * BLOCK for _ in range(2))
    content[one : one + BLOCK] = content[other : other + BLOCK]
    place.write_bytes(content)


def no_wal(place: Path, rng: random.Random) -> None:
    _wal(place).unlink(missing_ok=True)


def wal_truncated(place: Path, rng: random.Random) -> None:
    truncated(_wal(place), rng)


def wal_flipped(place: Path, rng: random.Random) -> None:
    flipped(_wal(place), rng)


def wal_of_nothing(place: Path, rng: random.Random) -> None:
    _wal(place).write_bytes(rng.randbytes(rng.randrange(1, 5000)))


def another_file(place: Path, rng: random.Random) -> None:
    place.write_bytes(
        rng.choice((b"", b"tank_id\nT-1\n", rng.randbytes(50_000), b"\0" * 8 + b"DUCK" + b"\0" * 90))
    )


def _wal(place: Path) -> Path:
    return place.with_name(f"{place.name}.wal")


DAMAGES: tuple[Damage, ...] = (
    truncated, flipped, zeroed, block_of_another, flipped, zeroed, no_wal, wal_truncated, wal_flipped,
    wal_of_nothing, another_file,
)  # fmt: skip
QUICK = (
    ("verify", "--rescue", "{out}/rescued"),
    ("uploads",),
    ("export", "--out", "{out}/export"),
    ("load", "{uploads}"),
    ("withdraw", "1"),
    ("check", "{uploads}"),
)
COMMANDS = (
    *QUICK,
    ("report", "regions", "--out", "{out}/regions"),
    ("report", "development", "--out", "{out}/development"),
    ("report", "season", "--season", "2024", "--out", "{out}/season"),
    ("forecast",),
)
#: Runs a command; its exit code and what it said on stderr.
Run = Callable[[list[str]], tuple[int, str]]


def in_its_own_process(words: list[str]) -> tuple[int, str]:
    command = [sys.executable, "-m", "broodyear", *words]
    ended = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    return ended.returncode, ended.stderr


def damaged_runs(
    source: Source, count: int, seed: int, folder: Path, commands: Sequence[tuple[str, ...]], run: Run
) -> tuple[Counter[int], list[str]]:
    """Damage ``count`` copies and run a command on each; exit codes, and what is wrong about any of the runs."""
    rng = random.Random(seed)
    codes: Counter[int] = Counter()
    wrong = []
    for number in range(count):
        damage = DAMAGES[number % len(DAMAGES)]
        place = _copy(source.broken_off if "wal" in damage.__name__ else source.plain, folder / f"copy_{number}")
        damage(place, rng)
        words = [
            word.format(out=place.parent, uploads=source.uploads) for word in commands[number % len(commands)]
        ]
        code, said = run([*words, "--store", str(place)])
        codes[code] += 1
        if code not in EXPECTED or "Traceback" in said:
            wrong.append(f"{number} {damage.__name__} {words}: {code}, {said[-400:]}")
        shutil.rmtree(place.parent)
    return codes, wrong


def _copy(store: Path, folder: Path) -> Path:
    folder.mkdir()
    for part in store.parent.glob(f"{store.name}*"):
        if part.suffix in {".duckdb", ".wal"}:
            shutil.copyfile(part, folder / part.name)
    return folder / store.name


def make_source(store: Path, folder: Path) -> Source:
    """A copy of a store, and one whose last load was killed."""
    uploads = folder / "uploads"
    uploads.mkdir(parents=True)
    (uploads / "tanks.csv").write_text("tank_id\nT-900\n", encoding="utf-8")
    (uploads / "losses.csv").write_text(
        "tank_id,checked_on,stage,dead\nT-900,2024-11-11,egg,x\n", encoding="utf-8"
    )
    plain, broken_off = folder / "plain" / "s.duckdb", folder / "broken" / "s.duckdb"
    killed = (
        "import os, sys; from broodyear.intake import load_paths; from broodyear.store import open_store\n"
        "with open_store(sys.argv[1], for_loading=True) as store:\n"
        "    load_paths(store, [sys.argv[2]])\n"
        "    os._exit(9)\n"
    )
    plain.parent.mkdir()
    broken_off.parent.mkdir()
    shutil.copyfile(store, plain)
    shutil.copyfile(store, broken_off)
    subprocess.run([sys.executable, "-c", killed, str(broken_off), str(uploads)], check=False, timeout=120)
    return Source(plain, broken_off, uploads)
