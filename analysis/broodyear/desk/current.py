"""The desk whose page is being asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import current_app

if TYPE_CHECKING:
    from broodyear.desk.state import Desk


def the_desk() -> Desk:
    """The desk of the running application."""
    found: Desk = current_app.extensions["desk"]
    return found
