"""Drafting: a first layout for a file that fits no table, and the first rows as a layout would read them.

``draft_all`` guesses what each heading means, from names, declared synonyms, units and the looks of the cells,
for every file of a call that needs it, with the first rows as they would read; ``draft_text`` writes a draft as an
entry of layouts.toml in which every guess is marked.
"""

from __future__ import annotations

from broodyear.intake.drafting.drafts import Draft, Drafts, draft_all
from broodyear.intake.drafting.writing import draft_text

__all__ = ["Draft", "Drafts", "draft_all", "draft_text"]
