"""Intake: whatever people send is read, recognised, checked and filed, and no row is lost."""

from __future__ import annotations

from broodyear.intake.session import Progress, check_paths, load_paths

__all__ = ["Progress", "check_paths", "load_paths"]
