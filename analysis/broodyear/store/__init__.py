"""The store: one DuckDB file that keeps every accepted row, where it came from, and what it replaced."""

from __future__ import annotations

from broodyear.store.handle import Store, open_store

__all__ = ["Store", "open_store"]
