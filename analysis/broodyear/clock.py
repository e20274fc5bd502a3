"""The day on which files are checked or loaded: read here, and handed on, so that a test can name another."""

from __future__ import annotations

import datetime as dt


def today() -> dt.date:
    """The local date."""
    return dt.date.today()
