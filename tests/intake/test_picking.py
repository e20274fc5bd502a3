"""Lines of a file taken out again by their numbers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from broodyear.intake import plain_files

TEXT = b"tank_id,note\nT-1,a\r\nT-2,b\nT-3,\nT-4,the last"


@pytest.mark.parametrize("piece", [1, 7, 16, 1000])
@pytest.mark.parametrize(
    ("lines", "copied"),
    [
        ([1], b"tank_id,note\n"),
        ([2, 4], b"T-1,a\r\nT-3,\n"),
        ([3, 4, 5], b"T-2,b\nT-3,\nT-4,the last"),
        ([], b""),
    ],
)
def test_lines_are_copied_as_they_stand(
    lines: list[int], copied: bytes, piece: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In pieces of any size, also smaller than a line."""
    monkeypatch.setattr(plain_files, "_PIECE", piece)
    (tmp_path / "notes.csv").write_bytes(TEXT)
    plain_files.copy_lines(tmp_path / "notes.csv", np.array(lines, dtype=np.int64), tmp_path / "copy")
    assert (tmp_path / "copy").read_bytes() == copied
