"""Files that somebody or something has damaged: seeded mutations of good and bad uploads."""

from __future__ import annotations

import gzip
import random
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

from broodyear.findings import CheckResult, FileReport
from broodyear.intake import check_paths
from broodyear.intake.bodies import read_body
from broodyear.intake.opened import open_body
from broodyear.intake.shapes import BLANKS
from broodyear.intake.sources import Source

PROGRAMME = Path(__file__).parents[1] / "bad_uploads" / "programme"
BAD_UPLOADS = Path(__file__).parents[1] / "bad_uploads"
FILES_AT_A_TIME = 100
#: No batch may take longer than this, on however busy a machine: a hang fails instead of waiting.
LONGEST_BATCH_S = 600.0

Mutation = Callable[[bytearray, random.Random], bytes]
_PIECES = (
    b'"', b'""', b",", b";", b"\t", b"\n", b"\r\n", b"\r", b"\n\n\n", b"\0", b"\xff", b"\xef\xbb\xbf",
    b"\xff\xfe", b"'=", b"=1+1", b"NaN", b"1e999", b"0x10", b"9,5", b"03/04/2024", b"T-001", b"\xe2\x80\xae",
    b"\x1b[31m", b"x" * 5000, b"24:00", b"2024-02-30", b"9999-12-31T23:59", b"-", b".", b"{}", b"\\", b"%s",
    b"'); DROP TABLE uploads; --",
)  # fmt: skip


def _flip(content: bytearray, rng: random.Random) -> bytes:
    for _ in range(rng.randint(1, 8)):
        if content:
            content[rng.randrange(len(content))] = rng.randrange(256)
    return bytes(content)


def _insert(content: bytearray, rng: random.Random) -> bytes:
    for _ in range(rng.randint(1, 4)):
        place = rng.randint(0, len(content))
        content[place:place] = rng.choice(_PIECES)
    return bytes(content)


def _cut(content: bytearray, rng: random.Random) -> bytes:
    start = rng.randint(0, len(content))
    del content[start : start + rng.randint(1, 200)]
    return bytes(content)


def _truncate(content: bytearray, rng: random.Random) -> bytes:
    return bytes(content[: rng.randint(0, len(content))])


def _shuffle_lines(content: bytearray, rng: random.Random) -> bytes:
    lines = bytes(content).split(b"\n")
    rng.shuffle(lines)
    return b"\n".join(lines)


def _repeat(content: bytearray, rng: random.Random) -> bytes:
    start = rng.randint(0, len(content))
    piece = content[start : start + rng.randint(1, 300)]
    return bytes(content[:start] + piece * rng.randint(2, 5) + content[start:])


def _other_separator(content: bytearray, rng: random.Random) -> bytes:
    return bytes(content).replace(b",", rng.choice([b";", b"\t", b"|", b", ", b" "]))


def _other_encoding(content: bytearray, rng: random.Random) -> bytes:
    text = bytes(content).decode("utf-8", "replace")
    return text.encode(rng.choice(["utf-16", "utf-16-le", "utf-8-sig", "utf-32", "cp1252"]), "replace")


def _pack(content: bytearray, rng: random.Random) -> bytes:
    packed = gzip.compress(bytes(content), mtime=0)
    return packed if rng.random() < 0.5 else packed[: rng.randint(1, len(packed))]


MUTATIONS: tuple[Mutation, ...] = (
    _flip, _insert, _insert, _cut, _truncate, _shuffle_lines, _repeat, _other_separator, _other_encoding, _pack,
)  # fmt: skip


def mutated_files(count: int, seed: int) -> Iterator[tuple[str, bytes]]:
    """``count`` names and contents: each a file of tests/bad_uploads, mutated once to three times."""
    rng = random.Random(seed)
    originals = [place for place in sorted(BAD_UPLOADS.iterdir()) if place.is_file() and place.suffix != ".json"]
    for number in range(count):
        original = rng.choice(originals)
        content = original.read_bytes()
        for _ in range(rng.randint(1, 3)):
            content = rng.choice(MUTATIONS)(bytearray(content), rng)
        yield f"{original.name.split('.')[0]}_{number}.csv", content


def run(count: int, seed: int) -> Counter[str]:
    """Check ``count`` mutated files; counts what became of them. Fails on a traceback, a lost row or a hang."""
    seen: Counter[str] = Counter()
    files = mutated_files(count, seed)
    while batch := [file for _, file in zip(range(FILES_AT_A_TIME), files, strict=False)]:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            for file, content in batch:
                (folder / file).write_bytes(content)
            began = time.monotonic()
            result = check_paths([PROGRAMME, folder])
            assert time.monotonic() - began < LONGEST_BATCH_S, "a batch hung"
            seen.update(_judged(result, folder))
    return seen


def _judged(result: CheckResult, folder: Path) -> Iterator[str]:
    for report in result.files:
        if not report.path.startswith(str(folder)):
            continue
        assert report.rows_read == report.rows_accepted + report.rows_rejected, report.path
        if report.table is None:
            yield "refused"
            continue
        if report.rows_read:
            _assert_all_rows_read(report)
        yield "all good" if not report.rows_rejected else "some rows kept out"


def _assert_all_rows_read(report: FileReport) -> None:
    """Count the rows of a file without quotes a second way: lines with content below the header."""
    with tempfile.TemporaryDirectory() as scratch:
        source = Source(report.path, Path(report.path).name, Path(report.path))
        opened = open_body(source, read_body(source, Path(scratch), 0, may_link=True))
        text = opened.body.text.path.read_text(encoding="utf-8-sig")
    if '"' not in text:
        lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")[opened.dialect.header_line :]
        content = [line for line in lines if line.strip(BLANKS + opened.dialect.separator)]
        assert report.rows_read == len(content), report.path
