"""Single lines of a file, to read them again as they were received."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

#: Lines are looked for in pieces of about this many bytes.
_PIECE = 4_000_000


#: So many pieces are searched at a time, beside the one whose lines are being written.
_SEARCHED = 2


def copy_lines(place: Path, lines: NDArray[np.int64], copy: Path) -> None:
    """Write the given lines (from 1, rising) of the text at ``place`` to a new file, as they stand."""
    wanted = lines - 1
    before = 0
    with place.open("rb") as text, copy.open("wb") as out:
        for piece, ends in _with_line_ends(text):
            starts = np.insert(ends[:-1], 0, 0)
            here = wanted[np.searchsorted(wanted, before) : np.searchsorted(wanted, before + len(ends))] - before
            out.writelines(
                piece[start:end] for start, end in zip(starts[here].tolist(), ends[here].tolist(), strict=True)
            )
            before += len(ends)


def _with_line_ends(text: BinaryIO) -> Iterator[tuple[bytes, NDArray[np.int64]]]:
    """The text in pieces of whole lines, with where their lines end, looked for on every processor."""
    searched: deque[tuple[bytes, Future[NDArray[np.int64]]]] = deque()
    with ThreadPoolExecutor(_SEARCHED) as pool:
        while piece := text.read(_PIECE):
            piece += text.readline()
            searched.append((piece, pool.submit(_line_ends, piece)))
            if len(searched) > _SEARCHED:
                first, ends = searched.popleft()
                yield first, ends.result()
        for first, ends in searched:
            yield first, ends.result()


def _line_ends(piece: bytes) -> NDArray[np.int64]:
    ends = np.flatnonzero(np.frombuffer(piece, np.uint8) == ord("\n")) + 1
    return ends if len(ends) and ends[-1] == len(piece) else np.append(ends, len(piece))
