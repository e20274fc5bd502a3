"""The quickest proof that no key comes twice: a file as loggers write it, stream after stream, each in order."""

from __future__ import annotations

import duckdb
import numpy as np
from numpy.typing import NDArray

from broodyear.intake.plain_files import first_position
from broodyear.schemas import Table

#: Rows compared at a time: few enough for the processor's cache, and for memory whatever the size of the file.
ROWS_AT_A_TIME = 1_000_000
#: A file of more streams is no logger's, and is left to the other proof.
MOST_STREAMS = 100_000


def keys_in_order(connection: duckdb.DuckDBPyConnection, table: Table, rows: int) -> bool:
    """Whether the good rows of ``checked`` prove by their order alone that all their keys differ.

    A stream is the rows on end that agree in all of the key but its moment. The keys differ when moments rise
    within each stream and no stream comes again. False proves nothing. rows: how many ``checked`` has.
    """
    moments = [name for name in table.primary_key if table.column(name).kind == "moment"]
    if len(moments) != 1 or table.key_season_of:
        return False
    others = ", ".join(f'"{name}"' for name in table.primary_key if name not in moments)
    columns = f'hash({others}) AS stream, epoch_us("{moments[0]}") AS moment'
    begin = first_position(connection, "checked")
    walk = _Walk()
    for first in range(begin, begin + rows, ROWS_AT_A_TIME):
        part = f"rowid >= {first} AND rowid < {first + ROWS_AT_A_TIME}"
        got = connection.execute(f"SELECT {columns} FROM checked WHERE NOT broken AND {part}").fetchnumpy()
        if not walk.goes_on(np.asarray(got["stream"]), np.asarray(got["moment"])):
            return False
    return True


class _Walk:
    """Goes through a file part by part. Streams are told apart by hashes: different ones are different streams,
    and streams that share one look like a stream that comes again, which proves nothing."""

    def __init__(self) -> None:
        self._stream: int | None = None
        self._moment = 0
        self._seen: set[int] = set()

    def goes_on(self, streams: NDArray[np.uint64], moments: NDArray[np.int64]) -> bool:
        """Take the next rows in; False when they do not go on in order after those before them."""
        if not len(streams):
            return True
        if streams[0] != self._stream:
            begun = [int(streams[0])]
        elif moments[0] > self._moment:
            begun = []
        else:
            return False
        self._stream, self._moment = int(streams[-1]), int(moments[-1])
        changes = streams[1:] != streams[:-1]
        rises = moments[1:] > moments[:-1]
        return bool((changes | rises).all()) and self._are_new([*begun, *streams[1:][changes].tolist()])

    def _are_new(self, begun: list[int]) -> bool:
        for stream in begun:
            if stream in self._seen or len(self._seen) == MOST_STREAMS:
                return False
            self._seen.add(stream)
        return True
