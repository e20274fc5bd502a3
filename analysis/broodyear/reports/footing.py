"""The foot of every page: where its numbers can be followed to, and what made it."""

from __future__ import annotations

from markupsafe import Markup

import broodyear
from broodyear.reports.parts import say


def footer(root: str = "") -> Markup:
    """One paragraph; `root` leads from the page to the report's folder."""
    return say(
        "<p>Every number here comes from a row of a table in <code>tables/</code>: the page’s source names it"
        " beside the number, as <code>table.csv#row=n</code> with rows counted as a spreadsheet shows them."
        " What was read, with"
        ' which settings and software: <a href="{root}manifest.json">manifest.json</a>. Made by broodyear'
        " {version}.</p>",
        root=root,
        version=broodyear.__version__,
    )
