"""What every test of the store leaves out."""

from __future__ import annotations

import pytest

from broodyear.intake import suspicions


@pytest.fixture(autouse=True)
def without_suspicions(monkeypatch: pytest.MonkeyPatch) -> None:
    """Looking across rows takes half of each small load, and the store only keeps what is found."""
    monkeypatch.setattr(suspicions, "find_suspicions", lambda *given: [])
