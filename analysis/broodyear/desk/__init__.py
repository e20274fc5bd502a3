"""The desk: the whole job in a local page, for people who never open a terminal.

One process serves the pages and never opens the store itself; whatever reads or changes the store is done by one
worker process at a time, which can be stopped, and which calls the same functions as the command line.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from broodyear.desk.server import serve

__all__ = ["serve"]


def __getattr__(name: str) -> Any:
    # The worker process has no use for the web framework.
    if name == "serve":
        from broodyear.desk.server import serve

        return serve
    raise AttributeError(f"module 'broodyear.desk' has no attribute {name!r}")
