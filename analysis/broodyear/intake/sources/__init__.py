"""Sources: which uploads a call means. Files, folders, archives and the sheets of workbooks, each with its bytes.

``find_sources`` gives what is to be read, what was passed over and why, and the paths that lead nowhere. A sheet
comes as cells of text that keep what a spreadsheet knows of them; names are shown, never used as paths.
"""

from __future__ import annotations

from broodyear.findings import Skipped
from broodyear.intake.sources.searching import ENDINGS, STDIN, Missing, Source, Sources, find_sources
from broodyear.intake.sources.workbooks import Sheet

__all__ = ["ENDINGS", "STDIN", "Missing", "Sheet", "Skipped", "Source", "Sources", "find_sources"]
