"""Saying in a page what the columns of a sheet mean: the person's choices, and the layout that they make.

``Sheet`` is what was seen of the file, ``Draft`` what was chosen so far, with its history. ``options`` lists what
a column can mean, ``problems`` what still has to be said, ``layout_of`` the layout for layouts.toml, and
``draft_from`` the choices that a guessed layout stands for. Nothing here reads a record or opens a store.
"""

from __future__ import annotations

from broodyear.desk.mapping.choices import draft_from, fed_tables, layout_of
from broodyear.desk.mapping.dates import ORDERS, as_read
from broodyear.desk.mapping.drafts import Draft, Drafts, Fixed, Sheet
from broodyear.desk.mapping.meanings import EACH, LEAVE, SHARED, Meaning, is_known, options, words_of
from broodyear.desk.mapping.preview import Preview, fixed_sources, previews
from broodyear.desk.mapping.problems import (
    Problem,
    date_orders,
    has_unknown_years,
    is_date,
    missing_columns,
    problems,
    unknown_words,
)

__all__ = [
    "EACH",
    "LEAVE",
    "ORDERS",
    "SHARED",
    "Draft",
    "Drafts",
    "Fixed",
    "Meaning",
    "Preview",
    "Problem",
    "Sheet",
    "as_read",
    "date_orders",
    "draft_from",
    "fed_tables",
    "fixed_sources",
    "has_unknown_years",
    "is_date",
    "is_known",
    "layout_of",
    "missing_columns",
    "options",
    "previews",
    "problems",
    "unknown_words",
    "words_of",
]
