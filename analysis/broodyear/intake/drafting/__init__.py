"""Drafting: a first layout for a file that fits no table, and the first rows as a layout would read them.

``draft_layout`` guesses what each heading means from names, declared synonyms, units and the looks of the cells;
``draft_all`` does so for every file of a call that needs it; ``preview`` reads the first rows of a file by a
layout; ``draft_text`` writes a draft as an entry of layouts.toml in which every guess is marked.
"""

from __future__ import annotations

from broodyear.intake.drafting.drafts import (
    Draft,
    Drafts,
    HeadingGuess,
    draft_all,
    draft_layout,
    draft_text,
    preview_text,
)
from broodyear.intake.drafting.preview import PreviewTable, preview

__all__ = [
    "Draft",
    "Drafts",
    "HeadingGuess",
    "PreviewTable",
    "draft_all",
    "draft_layout",
    "draft_text",
    "preview",
    "preview_text",
]
