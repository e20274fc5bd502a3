"""What a text in a cell, or in the name of a sheet or file, may be the label of: a tank, its number, a year."""

from __future__ import annotations

import calendar
import re

from broodyear.intake.drafting.headings import CODE

#: Labels that are numbers of the tanks at one place, for certain; and such as may be, where there are few of them.
NUMBER = re.compile(r"(?:tank|no\.?|#)?\s*(?:[0-9]{1,2}|[A-Z])", re.IGNORECASE)
SHORT = re.compile(rf"{NUMBER.pattern}|[A-Z]{{1,2}}[ -]?[0-9]", re.IGNORECASE)
#: Names of sheets that are no labels: words for any sheet, months, figures alone.
SAYS_NO_TANK = re.compile(
    r"(?:(?:sheet|tabelle|blatt|feuil|hoja|foglio|blad|page|table|data|diary|log|notes?|records?|readings?|losses|"
    r"temperatures?|week|month|term|spring|summer|autumn|winter|"
    rf"{'|'.join(filter(None, [*calendar.month_name, *calendar.month_abbr]))})\.?)?[\W\d_]*",
    re.IGNORECASE,
)
#: A year or a school year.
YEARS = re.compile(r"(?<![0-9])20[0-9]{2}(?:[-_–/ ][0-9]{2,4})?(?![0-9])")


def is_label(text: str) -> bool:
    """Whether a text looks like the label of a tank, and not like any word with a number behind it."""
    return (
        CODE.fullmatch(text.strip()) is not None
        and re.search(r"-|[A-Za-z]0|tank", text, re.IGNORECASE) is not None
    )
