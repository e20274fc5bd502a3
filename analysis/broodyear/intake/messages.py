"""What is said about a cell that was not accepted: what was found, what was expected, what to do."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Mapping, Sequence
from typing import Any

from broodyear.findings import first_of
from broodyear.intake.cell_sql import UNKNOWN_RULES
from broodyear.intake.shapes import BLANKS, figures, has_shape, shape
from broodyear.intake.wording import Words, worded
from broodyear.layouts import same_text
from broodyear.schemas import LONGEST_CODE, Column, Table
from broodyear.schemas.declarations import unseen_character
from broodyear.settings import SameLabel, species_entry

# How alike two words are when one is meant for the other; more where words of one's own may be declared.
_ALIKE, _NEARLY_ALIKE = 0.6, 0.8
_SHOWN = 60
#: So many tanks of a site are named.
_TANKS_NAMED = 5
#: Words for zero under a count.
NOTHING = {"none", "nil", "zero", "no", "-", "–", "o"}
#: What is counted, as it may stand behind a number; a dozen is none of these.
COUNTED = "eggs?|fry|fish|alevins?|parr|smolts?|dead|live|alive|released"


def shown(value: str | None) -> str:
    """A cell as it is quoted in a message: on one line, and not longer than a line bears."""
    text = "" if value is None else "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in value)
    return f'"{text}"' if len(text) <= _SHOWN else f'"{text[:_SHOWN]}…"'


def number_words(value: float) -> str:
    """A limit as people write it: with a true minus sign and no empty decimals."""
    return f"{value:g}".replace("-", "−") if abs(value) < 1e5 else f"{value:,.0f}".replace(",", " ")


def expected(column: Column, decider: str | None = None) -> str:
    """What a cell of ``column`` may hold, in words. decider: the value of the column that decides its range."""
    if column.allowed:
        return f"one of {', '.join(column.allowed)}"
    if column.is_number:
        return _number_expected(column, decider)
    return {
        "code": f"a code of 1 to {LONGEST_CODE} printable characters",
        "text": f"1 to {LONGEST_CODE} printable characters",
        "boolean": "yes or no",
        "date": "a date written like 2024-11-08",
        "moment": "a date and time written like 2024-11-08T14:30, or a date like 2024-11-08",
    }[column.kind]


_UNITS = {"C": "°C", "F": "°F", "c_days": "°C·d", "f_days": "°F·d", "mg_l": "mg/l", "ph": "pH units"}


def _number_expected(column: Column, decider: str | None) -> str:
    noun = {"year": "a year", "count": "a whole number", "integer": "a whole number"}.get(column.kind, "a number")
    unit, low, high = column.unit, column.minimum, column.maximum
    if column.range_by is not None:
        known = decider is not None and decider in column.range_by.ranges
        key = decider if known and decider else column.range_by.otherwise
        low, high = column.range_by.ranges[key]
        unit = _UNITS.get(key, key)
    inside = f" in {unit}" if unit and column.kind == "number" else ""
    span = f" between {number_words(low or 0)} and {number_words(high)}" if high is not None else ""
    if high is None and low is not None:
        span = f" of {number_words(low)} or more"
    return f"{noun}{inside}{span}"


def words(
    rule: str,
    table: Table,
    column_name: str | None,
    value: str | None,
    decider: str | None,
    near: str | None = None,
    several: Sequence[str] = (),
    beside: str = "",
    at_site: Sequence[str] = (),
) -> Words:
    """The message and advice for one broken check. near: a known code for which an unknown one may be meant; the
    entry that joins them stands below the advice; several: known codes that it names; beside: the second cell of a
    rule between two dates; at_site: the tanks of the site that it names in the place of a tank."""
    for declared in table.row_rules:
        if declared.rule == rule:
            both = f": {column_name} {shown(value)}, {declared.columns[1]} {shown(beside)}" if beside else ""
            return Words(f"{declared.message}{both}", declared.advice)
    given: dict[str, Any] = {"value": shown(value), "several": several, "table_name": table.name}
    given |= {"at_site": at_site, "listed": first_of(at_site, _TANKS_NAMED)}
    if column_name is None:
        return _worded(rule, given)
    column, text = table.column(column_name), (value or "").strip(BLANKS)
    if rule in UNKNOWN_RULES.values():
        return _unknown_words(rule, given, text, near)
    given |= {"column": column, "expected": expected(column, decider)}
    if rule == "required_blank":
        return _worded(rule, given)
    unseen = unseen_character(text) if rule == "bad_code" and column.kind == "code" else ""
    if unseen:
        return _worded("unseen", {**given, "unseen": unseen})
    return _worded("unreadable", {**given, "advice": _advice(rule, column, text)})


def _worded(kind: str, given: Mapping[str, Any]) -> Words:
    return worded("cells.txt", kind, given)


def _unknown_words(rule: str, given: Mapping[str, Any], text: str, near: str | None) -> Words:
    noun = rule.removeprefix("unknown_")
    target = next(table for table, unknown_rule in UNKNOWN_RULES.items() if unknown_rule == rule)
    message, advice = _worded("unknown_code", {**given, "noun": noun, "table": target, "near": near})
    if near:
        same = SameLabel(noun, near, (text,))  # type: ignore[arg-type]  # the nouns are the kinds
        advice = f"{advice}\n{same_text(same).strip()}"
    return Words(message, advice)


def _advice(rule: str, column: Column, text: str) -> str:
    if rule == "not_a_number":
        return _number_advice(column, text)
    if rule == "not_a_date":
        return _date_advice(column, text)
    if rule == "not_allowed":
        return _word_advice(column, text)
    if rule == "not_yes_or_no":
        return "Write yes or no, or leave it blank when it is not known."
    if rule == "bad_code" and has_shape("sheet_error", text):
        return "A spreadsheet shows this in place of a value; mend the formula, or write the value itself."
    if rule == "bad_code":
        return "Use a short code without line breaks, tabs or other control characters."
    return "Check the number and its unit." if column.is_number else "Check the year."


def _word_advice(column: Column, text: str) -> str:
    cutoff = _NEARLY_ALIKE if column.is_open else _ALIKE
    close = difflib.get_close_matches(re.sub(r"[\s-]+", "_", text.lower()), column.allowed, n=1, cutoff=cutoff)
    if close:
        return f"Did you mean {close[0]}?"
    if column.is_open:
        code = re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_") or "…"
        return f"Write one of these words, or declare the species, with {species_entry(code)}"
    return "Write one of these words."


#: A limit in place of a number, and numbers to be added up.
_LIMIT = re.compile(r"[<>≤≥]|(?:less|fewer|more) than\b|(?:under|over|up to|at least|at most)\b", re.IGNORECASE)
_SUM = re.compile(r"[0-9]{1,6}(?: ?[+&] ?[0-9]{1,6})+")


def _number_advice(column: Column, text: str) -> str:
    if has_shape("sheet_error", text):
        return "A spreadsheet shows this in place of a value; mend the formula, or write the number itself."
    if column.kind == "year" and (span := re.fullmatch(shape("season"), text)):
        return _worded("two_years", {"column": column, "text": text, "first": int(span[1])}).message
    if column.name == "value" and (limit := re.fullmatch(r"[<≤] ?([0-9]+(?:[.][0-9]+)?)", text)):
        return f"Write {limit.group(1)} here, and yes under below_detection."
    if _LIMIT.match(text) or (column.whole and _SUM.fullmatch(text)):
        together = None if _LIMIT.match(text) else sum(map(int, re.findall("[0-9]+", text)))
        return _worded("no_one_number", {"column": column, "together": together}).message
    plain = text.replace("\u2212", "-")
    found = re.fullmatch(r"[^0-9+\-.,]{0,10}([+-]?[0-9]+(?:[.,][0-9]+)?)([^0-9]{0,12})", plain)
    if has_shape("grouped", text) and not column.whole:
        plainly = text.replace(".", "")
        return (
            f"In a file with decimal commas it can mean two numbers. Write {text.replace('.', ',')} or {plainly}."
        )
    # A letter O or l straight after a figure is more likely a figure mistyped than a unit.
    if found and not re.match(r"[oOlI|]| ?(?:k|doz|hundred|thousand)", found.group(2)):
        number = found.group(1)
        grouped = re.fullmatch(r"[+-]?[0-9]{1,3}[.,][0-9]{3}", number)
        if column.whole and grouped:
            return f"Write the number without a separator of thousands: {re.sub('[.,]', '', number)}"
        if column.whole and not re.fullmatch(r"[+-]?[0-9]+", number):
            return "Write a whole number."
        noun = re.fullmatch(rf" ?({COUNTED})", found.group(2), re.IGNORECASE) if column.kind == "count" else None
        left_out = f'; in a layout, without = ["{noun[1]}"] leaves the word out' if noun else ""
        return f"Write the number alone: {number.replace(',', '.')}{left_out}"
    if column.whole and text.lower() in NOTHING:
        return "Write 0 when there were none."
    blank = "" if column.required else "; leave it blank when it was not recorded"
    return f"Write the number alone, for example {column.example}{blank}."


def may_mean_two_days(text: str) -> bool:
    """Whether a date with the year last could be read with the day or with the month first."""
    found = figures(text)
    return found is not None and max(found[:2]) <= 12


_YEAR_FIRST = re.compile(r"([0-9]{4})[-/. ]([0-9]{1,2})[-/. ]([0-9]{1,2})(.*)", re.DOTALL)
_TWELVE_HOURS = re.compile(r"[T ,]*([0-9]{1,2}):([0-9]{2})(?::[0-9]{2})? ?([AaPp])\.?[Mm]\.?")


def _date_advice(column: Column, text: str) -> str:
    example = "2024-11-08" if column.kind == "date" else "2024-11-08T14:30"
    if in_figures := figures(text):
        first, second, year = in_figures
        return _day_month_advice(first, second, year if len(year) == 4 else f"20{year}")
    if re.match(shape("weekday"), text) and has_shape("other_day", text):
        return f"It is no day, or another one of the week. Write it year first, for example {example}."
    if has_shape("named_day", text):
        return (
            f"It has no year. Write it year first, for example {example}; in a layout, `and` joins the school "
            "year to it, from its column or from the file's name."
        )
    if has_shape("in_season", text):
        advice = "That is no one day of the school year behind it."
        if re.match(r"[0-9]{1,2}[./-][0-9]{1,2} ", text):
            advice += " In its layout, date_order says whether the day or the month stands first."
        return f"{advice} Write it year first, for example {example}."
    if found := _YEAR_FIRST.fullmatch(text):
        return _year_first_advice(column, found)
    if re.fullmatch(r"[0-9]{5}([.,][0-9]+)?", text):
        return f"It looks like a spreadsheet's day number. Format the column as a date, for example {example}."
    return f"Write it year first, for example {example}."


def _year_first_advice(column: Column, found: re.Match[str]) -> str:
    try:
        day = dt.date(int(found[1]), int(found[2]), int(found[3])).isoformat()
    except ValueError:
        return "There is no such day; check the month and the day."
    if column.kind == "date":
        return f"Write the date alone: {day}"
    if clock := _TWELVE_HOURS.fullmatch(found[4]):
        hour = int(clock[1]) % 12 + (12 if clock[3] in "Pp" else 0)
        return f"Write the hour as the 24-hour clock shows it: {day}T{hour:02d}:{clock[2]}"
    return f"Write it like {day}T14:30, or {day} alone when the hour is not known."


def _day_month_advice(first: int, second: int, year: str) -> str:
    day_first, month_first = f"{year}-{second:02d}-{first:02d}", f"{year}-{first:02d}-{second:02d}"
    if max(first, second) > 12 and min(first, second) > 12:
        return "There is no such day; write it year first, for example 2024-11-08."
    if second > 12:
        return f"Write it year first: {month_first}"
    if first > 12 or first == second:
        return f"Write it year first: {day_first}"
    return f"It can mean two days. Write {day_first} or {month_first}, whichever is meant."


#: What the first cell of such a line begins with, in the languages of the trade's sheets.
TOTAL_WORDS = (
    "total", "totals", "grand total", "subtotal", "sub-total", "sum", "sums", "summe", "summen", "gesamt",
    "insgesamt", "somme", "totaux", "suma", "totale", "totaal", "average", "averages", "avg", "mean",
)  # fmt: skip
_TOTAL = re.compile(rf"\s*(?:{'|'.join(map(re.escape, TOTAL_WORDS))})(?:[\s:.].*)?", re.IGNORECASE | re.DOTALL)


def is_total(text: str | None) -> bool:
    """Whether a cell begins with a word for a total; a label such as SUM-01 does not."""
    return text is not None and _TOTAL.fullmatch(text) is not None


def is_line_of_totals(cells: Sequence[str]) -> bool:
    """Whether the first cell of a line that holds something begins with such a word."""
    return is_total(next((cell for cell in cells if cell.strip()), None))


def totals_words(value: str, table: str, blank: str | None) -> Words:
    """What is said of such a line. blank: a heading of a layout's file under which it holds nothing."""
    return _worded("line_of_totals", {"value": shown(value), "table": table, "blank": blank})
