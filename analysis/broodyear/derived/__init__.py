"""Derived tables: the SQL of the queries folder, run in order over an open store."""

from __future__ import annotations

from broodyear.derived.catalogue import all_queries, query_named, query_text, running_order
from broodyear.derived.headers import Query, ReturnedColumn, read_query
from broodyear.derived.kept import own_name
from broodyear.derived.running import keep_derived, read_derived, run_queries, run_query

__all__ = [
    "Query",
    "ReturnedColumn",
    "all_queries",
    "keep_derived",
    "own_name",
    "query_named",
    "query_text",
    "read_derived",
    "read_query",
    "run_queries",
    "run_query",
    "running_order",
]
