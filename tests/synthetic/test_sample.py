"""The committed sample is what the simulator writes today, and small."""

from __future__ import annotations

import gzip
from pathlib import Path

from tests.simulated.sample import write_sample

KEPT = Path(__file__).parents[2] / "synthetic_data"
LARGEST_BYTES = 600_000


def contents(folder: Path) -> dict[str, bytes]:
    """Files by path; compressed ones unpacked, because another zlib may pack the same data otherwise."""
    found = {}
    for path in sorted([*(folder / "sample").rglob("*"), folder / "sample_truth.json"]):
        if path.is_file():
            data = path.read_bytes()
            found[str(path.relative_to(folder))] = gzip.decompress(data) if path.suffix == ".gz" else data
    return found


def test_the_sample_is_written_again_to_the_byte(tmp_path: Path) -> None:
    write_sample(tmp_path)
    kept, made = contents(KEPT), contents(tmp_path)
    assert sorted(kept) == sorted(made)
    assert [name for name in kept if kept[name] != made[name]] == []


def test_the_sample_is_small() -> None:
    assert sum(path.stat().st_size for path in KEPT.rglob("*") if path.is_file()) < LARGEST_BYTES
