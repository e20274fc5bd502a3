"""Intake: whatever people send is read, recognised, checked and filed, and no row is lost."""

from __future__ import annotations

from broodyear.intake.mending import OpenRow, dismiss_rows, open_rows
from broodyear.intake.session import Progress, check_paths, load_paths

__all__ = ["OpenRow", "Progress", "check_paths", "dismiss_rows", "load_paths", "open_rows"]
