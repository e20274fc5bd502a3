"""Derived tables: the SQL of the queries folder, run in order over an open store."""

from __future__ import annotations

from broodyear.derived.catalogue import (
    MACROS,
    Query,
    ReturnedColumn,
    all_queries,
    needed_for,
    query_named,
    query_text,
    read_query,
    running_order,
    statement,
    suspicion_queries,
)
from broodyear.derived.running import (
    has_other_settings,
    keep_derived,
    own_name,
    read_derived,
    run_queries,
    run_query,
    transaction,
)

__all__ = [
    "MACROS",
    "Query",
    "ReturnedColumn",
    "all_queries",
    "has_other_settings",
    "keep_derived",
    "needed_for",
    "own_name",
    "query_named",
    "query_text",
    "read_derived",
    "read_query",
    "run_queries",
    "run_query",
    "running_order",
    "statement",
    "suspicion_queries",
    "transaction",
]
