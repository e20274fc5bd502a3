"""What numerical modules say beside their numbers: sentences of templates, one file a room, as plain text.

note("regions", "region", row=row, reason=reason)        # macro `region` of regions.txt
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jinja2.environment import TemplateModule


def note(room: str, name: str, /, **values: Any) -> str:
    """What a macro of a room's file makes of some values; its lines are joined by blanks."""
    lines = str(getattr(_macros(room), name)(**values)).split("\n")
    return " ".join(line for line in lines if line)


@cache
def _macros(room: str) -> TemplateModule:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    folder = FileSystemLoader(Path(__file__).parent)
    # Plain text; pages escape it where it stands.
    environment = Environment(
        loader=folder, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, autoescape=False
    )
    environment.tests["known"] = lambda number: number == number  # nan is not
    return environment.get_template(f"{room}.txt").module
