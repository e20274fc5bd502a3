"""Dates that are not written year first, as SQL: read when they can mean one day only, or by a
layout's order.

Every function here makes SQL over a text; the shapes are tested before anything is cast, because the database's
own readers take more than people mean.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from broodyear.layouts.model import DateOrder
from broodyear.store.layout import quoted

ISO = r"(?:[0-9]{4}-[0-9]{2}-[0-9]{2}|[0-9]{4}/[0-9]{1,2}/[0-9]{1,2})"
#: 06-Nov-26, 6 November 2026, 6th Nov. 2026
DAY_AND_MONTH_NAME = r"[0-9]{1,2}(?:st|nd|rd|th)?[ ./-]*[A-Za-z]{3,9}[.,]?[ ./-]*(?:[0-9]{4}|[0-9]{2})"
#: Nov 6, 2026
MONTH_NAME_AND_DAY = r"[A-Za-z]{3,9}[.]? +[0-9]{1,2}(?:st|nd|rd|th)?,? +[0-9]{4}"
#: 13.11.2026, 11/13/26
FIGURES = r"[0-9]{1,2}[./-][0-9]{1,2}[./-](?:[0-9]{4}|[0-9]{2})"
OTHER_DAY = rf"(?:{DAY_AND_MONTH_NAME}|{MONTH_NAME_AND_DAY}|{FIGURES})"
CLOCK = r"(?:[01]?[0-9]|2[0-4]):[0-5][0-9](?::[0-5][0-9](?:[.,][0-9]+)?)?"
HALF_DAY = r"(?:0?[1-9]|1[0-2]):[0-5][0-9](?::[0-5][0-9])? ?[AaPp][.]?[Mm][.]?"
MIDNIGHT = r"(?:[T ,]+0?0:00(?::00(?:[.,]0+)?)?)?"
TWO_FIGURE_YEAR = r"(?:.*[^0-9:])?[0-9]{2}"

_ORDERS: dict[DateOrder, str] = {"day_first": "%d-%m-{}", "month_first": "%m-%d-{}", "year_first": "{}-%m-%d"}


#: The first and the last day that a year in two figures may lead to.
SeasonSpan = tuple[dt.date, dt.date]


@dataclass(frozen=True)
class DateReading:
    """How dates of one file are read. order: what its layout says of figures alone; seasons: those
    of the programme, in which a year in two figures must lie, None when none is known; any_clock: the file has a
    layout, so that hours may have one figure or be of the 12-hour clock; all_usual: every date of the file is
    written year first and every clock in full, so that nothing else need be looked for."""

    order: DateOrder | None = None
    seasons: SeasonSpan | None = None
    any_clock: bool = False
    all_usual: bool = False


def other_date(text: str, reading: DateReading) -> str:
    """SQL for the day of a text that is a date in another shape, with midnight at most; NULL for other texts."""
    if reading.all_usual:
        return "NULL::DATE"
    shape = f"({OTHER_DAY}){MIDNIGHT}"
    return f"CASE WHEN regexp_full_match({text}, {quoted(shape)}) THEN {_day(_group(text, shape, 1), reading)} END"


def other_moment(text: str, reading: DateReading) -> str:
    """SQL for the moment of a text whose date or clock is in another shape; NULL for any other text."""
    if reading.all_usual:
        return "NULL::TIMESTAMP"
    days = f"{OTHER_DAY}|{ISO}" if reading.any_clock else OTHER_DAY
    clocks = f"{HALF_DAY}|{CLOCK}" if reading.any_clock else CLOCK
    shape = f"({days})(?:[Tt ,]+({clocks}))?"
    day, clock = _group(text, shape, 1), _group(text, shape, 2)
    moment = f"strftime({_day(day, reading)}, '%Y-%m-%d') || {_clock(clock)}"
    return f"CASE WHEN regexp_full_match({text}, {quoted(shape)}) THEN TRY_CAST({moment} AS TIMESTAMP) END"


def quick_moment(text: str, reading: DateReading, *, blanks_inside: bool) -> str:
    """SQL for the moment of a text as loggers write it, with every figure; NULL for all others.

    The text has no blanks around it. What is as long as such a moment and read as one has all its figures, for the
    database's reader takes none too many; beside them it passes over further blanks, and over nothing else.
    """
    if not blanks_inside:
        return _with_every_figure(text, "%Y-%m-%dT")
    cases = [("  ", "NULL"), ("T", _with_every_figure(text, "%Y-%m-%dT"))]
    if reading.order not in (None, "year_first"):
        cases.append(("/", _with_every_figure(text, _ORDERS[reading.order].format("%Y ").replace("-", "/"))))
    # A form that a text has not is left out by a look: to try it costs three times as much.
    whens = " ".join(f"WHEN contains({text}, '{mark}') THEN {got}" for mark, got in cases)
    return f"CASE {whens} ELSE {_with_every_figure(text, '%Y-%m-%d ')} END"


def _with_every_figure(text: str, day: str) -> str:
    """SQL of a text of a day and a clock, with minutes or with seconds; NULL for one of any other length."""
    forms = ((16, f"{day}%H:%M"), (19, f"{day}%H:%M:%S"))
    whens = " ".join(f"WHEN {length} THEN try_strptime({text}, '{form}')" for length, form in forms)
    return f"CASE strlen({text}) {whens} END"


def _group(text: str, shape: str, number: int) -> str:
    return f"regexp_extract({text}, {quoted(f'^{shape}$')}, {number})"


def _clock(text: str) -> str:
    """SQL for a clock, with a blank before it, as the database reads it; blank stays blank."""
    half = f"upper(replace(replace({text}, '.', ''), ' ', ''))"
    whole = f"strftime(try_strptime({half}, ['%I:%M%p', '%I:%M:%S%p']), '%H:%M:%S')"
    padded = f"CASE WHEN {text} GLOB '?:*' THEN '0' ELSE '' END || replace({text}, ',', '.')"
    return (
        f"CASE WHEN {text} = '' THEN '' WHEN {text} GLOB '*[AaPp]*' THEN ' ' || {whole} ELSE ' ' || {padded} END"
    )


def _day(text: str, reading: DateReading) -> str:
    """SQL for the one day that a text of a known shape can mean, NULL when it can mean several or none."""
    short = f"regexp_full_match({text}, {quoted(TWO_FIGURE_YEAR)})"
    named = f"regexp_matches({text}, '[A-Za-z]')"
    return (
        f"CASE WHEN regexp_full_match({text}, {quoted(ISO)}) THEN TRY_CAST({text} AS DATE) "
        f"WHEN {named} AND {short} THEN {_within(_named(text, '%y'), reading)} "
        f"WHEN {named} THEN {_named(text, '%Y')} "
        f"WHEN {short} THEN {_figures(text, '%y', reading)} ELSE {_figures(text, '%Y', reading)} END"
    )


def _named(text: str, year: str) -> str:
    plain = f"regexp_replace(lower({text}), '([0-9])(?:st|nd|rd|th)', '\\1')"
    plain = f"regexp_replace({plain}, '([0-9])([a-z])', '\\1-\\2')"
    plain = f"regexp_replace({plain}, '([a-z])([0-9])', '\\1-\\2')"
    plain = f"replace(regexp_replace({plain}, '[ ./,-]+', '-', 'g'), 'sept-', 'sep-')"
    orders = [f"%d-%b-{year}", f"%d-%B-{year}", f"%b-%d-{year}", f"%B-%d-{year}"]
    return f"try_strptime({plain}, {orders})::DATE"


def _figures(text: str, year: str, reading: DateReading) -> str:
    plain = f"regexp_replace({text}, '[./-]', '-', 'g')"
    if reading.order is not None:
        day = f"try_strptime({plain}, '{_ORDERS[reading.order].format(year)}')::DATE"
        return _within(day, reading) if year == "%y" else day
    known = [order for order in _ORDERS if order != "year_first" or year == "%y"]
    days = [f"try_strptime({plain}, '{_ORDERS[order].format(year)}')::DATE" for order in known]
    if year == "%y":
        days = [_within(day, reading) for day in days]
    # Every reading that gives a day gives the same one: the smallest and the largest are equal.
    return f"CASE WHEN least({', '.join(days)}) = greatest({', '.join(days)}) THEN least({', '.join(days)}) END"


def _within(day: str, reading: DateReading) -> str:
    if reading.seasons is None:
        return "NULL::DATE"
    first, last = reading.seasons
    return f"CASE WHEN {day} BETWEEN DATE '{first}' AND DATE '{last}' THEN {day} END"
