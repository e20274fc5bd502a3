"""The store: one DuckDB file that keeps every accepted row, where it came from, and what it replaced."""

from __future__ import annotations

from broodyear.store.export import export_store
from broodyear.store.handle import Store, open_existing_for_change, open_store
from broodyear.store.verifying import verify as verify_store

__all__ = ["Store", "export_store", "open_existing_for_change", "open_store", "verify_store"]
