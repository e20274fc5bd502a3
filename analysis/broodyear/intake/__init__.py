"""Intake: whatever people send is read, recognised, checked and filed, and no row is lost.

Each name is imported when first used, so that who only counts suspicions loads no reader of files.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

_HOMES = {
    **dict.fromkeys(("OpenRow", "dismiss_rows", "open_rows"), "broodyear.intake.rejected"),
    **dict.fromkeys(("Progress", "check_paths", "load_paths"), "broodyear.intake.session"),
}

__all__ = ["OpenRow", "Progress", "check_paths", "dismiss_rows", "load_paths", "open_rows"]

if TYPE_CHECKING:
    from broodyear.intake.rejected import OpenRow, dismiss_rows, open_rows
    from broodyear.intake.session import Progress, check_paths, load_paths


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'broodyear.intake' has no attribute {name!r}")
