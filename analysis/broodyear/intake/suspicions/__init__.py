"""Checks beyond one cell: what may be wrong although every row by itself is possible.

A suspicion is a function (connection, uploads, settings) -> list of (upload, Finding): it looks at the rows as
they now read (the views ``<table>`` of the store, which hold the rows of ``uploads`` already), and returns
warnings about rows of these uploads, each with the evidence in its message and the likely fix as its advice.
The path of a finding may be left empty: the caller puts in that of the upload.
"""

from __future__ import annotations

from collections.abc import Callable

import duckdb

from broodyear.findings import Finding
from broodyear.settings import Settings

Suspicion = Callable[[duckdb.DuckDBPyConnection, tuple[int, ...], Settings], list[tuple[int, Finding]]]

#: The suspicions that are looked for after every check and load, in this order.
SUSPICIONS: tuple[Suspicion, ...] = ()


def find_suspicions(
    connection: duckdb.DuckDBPyConnection, uploads: tuple[int, ...], settings: Settings
) -> list[tuple[int, Finding]]:
    """Everything suspicious about the rows of ``uploads``, as warnings with the number of their upload."""
    return [found for suspicion in SUSPICIONS for found in suspicion(connection, uploads, settings)]
