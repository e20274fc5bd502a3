"""Single lines of a file, to read them again as they were received."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

#: Lines are looked for in pieces of about this many bytes.
_PIECE = 4_000_000


def copy_lines(place: Path, lines: NDArray[np.int64], copy: Path) -> None:
    """Write the given lines (from 1, rising) of the text at ``place`` to a new file, as they stand."""
    wanted = lines - 1
    before = 0
    with place.open("rb") as text, copy.open("wb") as out:
        while piece := text.read(_PIECE):
            piece += text.readline()
            ends = np.flatnonzero(np.frombuffer(piece, np.uint8) == ord("\n")) + 1
            if not len(ends) or ends[-1] < len(piece):
                ends = np.append(ends, len(piece))
            starts = np.insert(ends[:-1], 0, 0)
            here = wanted[np.searchsorted(wanted, before) : np.searchsorted(wanted, before + len(ends))] - before
            out.writelines(
                piece[start:end] for start, end in zip(starts[here].tolist(), ends[here].tolist(), strict=True)
            )
            before += len(ends)
