"""Reading and checking cells as SQL, generated from the declarations.

DuckDB's casts are laxer than the contract (they take ``1_000``, ``inf`` and ``7.6`` for a whole number), so the
shape of a cell is tested first and only then cast. Each check looks at its own cell: none hides another.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from broodyear.intake.date_sql import DateReading, other_date, other_moment, quick_moment
from broodyear.schemas import Column, RangeBy, Table
from broodyear.store.layout import hour_flag, quoted, sql_type, words_type

NUMBER = r"[+-]?([0-9]+[.]?[0-9]*|[.][0-9]+)([eE][+-]?[0-9]+)?"
COMMA_NUMBER = r"[+-]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)([eE][+-]?[0-9]+)?"
#: In a file with decimal commas, 1.250 may be a thousand and more: too ambiguous to read.
GROUPED = r"[+-]?[0-9]{1,3}([.][0-9]{3})+"
DATE = r"([0-9]{4}-[0-9]{2}-[0-9]{2}|[0-9]{4}/[0-9]{1,2}/[0-9]{1,2})"
CLOCK = r"[Tt ]([01][0-9]|2[0-4]):[0-5][0-9](:[0-5][0-9]([.,][0-9]+)?)?"
ZONE = r" ?([Zz]|[+-][0-9]{2}(:?[0-9]{2})?)"
SPAN = r"([0-9]{4})[/–-]([0-9]{4}|[0-9]{2})"
MIDNIGHT = r"[Tt ]00:00(:00([.,]0+)?)?"
SHORT_DATE = r"[0-9]{1,2}[./-][0-9]{1,2}[./-]([0-9]{2}|[0-9]{4})([ T,].*)?"
CONTROL_CHARACTERS = r"[\x00-\x1f\x7f-\x9f\x{2028}\x{2029}]"
#: What nobody sees in a code: directions turned about, characters without width, fillers, variation selectors.
INVISIBLE_CHARACTERS = (
    r"[\p{Cf}\x{034f}\x{115f}\x{1160}\x{17b4}\x{17b5}\x{180b}-\x{180f}\x{3164}\x{ffa0}\x{fe00}-\x{fe0f}]"
)
#: What a spreadsheet shows in place of a value: an error, or (our own word) a formula never worked out.
SHEET_ERROR = r"#(REF|DIV/0|VALUE|NAME|N/A|NUM|NULL|SPILL|CALC|ERROR|NOT WORKED OUT)[!?]?"
LONGEST_CODE = 60
FIRST_YEAR, LAST_YEAR = 1900, 2100
#: Blanks that are taken off both ends of a cell: all that Unicode counts as spaces, and the byte-order mark.
BLANKS = (
    " \t\r\n\u00a0\ufeff\u1680\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f\u205f\u3000"
)
YES = ("yes", "true", "y", "1")
NO = ("no", "false", "n", "0")


@dataclass(frozen=True)
class Reading:
    """How the cells of one file are read, told from its bytes so that no needless work is done on every cell.

    decimal_comma: commas may be decimal signs; cell_commas: a cell may hold a comma at all; apostrophes: a cell
    may carry the apostrophe that guards formula text; blanks: those that may stand around cells; blanks_inside:
    a cell may hold blanks between other characters; is_ascii: it holds nothing beyond ASCII; quick_numbers: it
    holds no plus sign, so that a shorter test does for numbers, where rows that fail are looked at again;
    empties: a cell may be an empty text instead of missing; dates: what is known of their order and years.
    """

    decimal_comma: bool = False
    cell_commas: bool = True
    apostrophes: bool = False
    blanks: Literal["none", "spaces", "any"] = "any"
    blanks_inside: bool = True
    is_ascii: bool = False
    quick_numbers: bool = False
    empties: bool = True
    dates: DateReading = field(default_factory=DateReading)


@dataclass(frozen=True)
class CellCheck:
    """One check. broken: SQL that is true where the check fails, over cleaned cells ``t_<column>`` and values."""

    rule: str
    column: str | None
    broken: str


def clean(cell: str, reading: Reading) -> str:
    """SQL for a raw cell without blanks around it; blank cells and ``.`` become NULL."""
    trimmed = _trim(cell, reading)
    if reading.apostrophes:
        trimmed = _trim(f"regexp_replace({trimmed}, '^''([=+@\t-])', '\\1')", reading)
    if reading.empties:
        trimmed = f"nullif({trimmed}, '')"
    return f"nullif({trimmed}, '.')"


def _trim(text: str, reading: Reading) -> str:
    if reading.blanks == "any":
        return f"trim({text}, {quoted(BLANKS)})"
    return f"trim({text})" if reading.blanks == "spaces" else text


def cell(column: Column) -> str:
    """Name of the cleaned cell of ``column`` in the generated SQL."""
    return f'"t_{column.name}"'


def _shaped(text: str, shape: str) -> str:
    return f"regexp_full_match({text}, {quoted(shape)})"


def _number(column: Column, reading: Reading) -> str:
    text = cell(column)
    if not reading.decimal_comma:
        shape = _shaped(text, NUMBER)
        if reading.quick_numbers:
            # Of such cells DuckDB's own cast takes only underscores, nan and inf beyond the shape of a number;
            # nan and inf fail the range check.
            shape = f"NOT contains({text}, '_')"
        return f"CASE WHEN {shape} THEN TRY_CAST({text} AS DOUBLE) END"
    shape = f"{_shaped(text, COMMA_NUMBER)} AND NOT {_shaped(text, GROUPED)}"
    return f"CASE WHEN {shape} THEN TRY_CAST(replace({text}, ',', '.') AS DOUBLE) END"


def _whole(column: Column, reading: Reading) -> str:
    value = _number(column, reading)
    if column.is_span:
        value = f"coalesce({_span(cell(column))}, {value})"
    # A number too large for a whole one is beyond every limit, not unreadable.
    kept = f"greatest(least({value}, 9e18), -9e18)" if column.maximum is not None else value
    return f"CASE WHEN {value} = floor({value}) THEN TRY_CAST({kept} AS BIGINT) END"


def _span(text: str) -> str:
    """SQL for the first year of a season written as two years on end: 2025/26, 2025-26, 2025/2026."""
    first, second = (f"TRY_CAST(regexp_extract({text}, {quoted(SPAN)}, {number}) AS INTEGER)" for number in (1, 2))
    follows = f"{second} IN ({first} + 1, ({first} + 1) % 100)"
    return f"CASE WHEN {_shaped(text, SPAN)} AND {follows} THEN {first}::DOUBLE END"


def _date(column: Column, reading: Reading) -> str:
    text = cell(column)
    shape = f"{_shaped(text, DATE)} OR {_shaped(text, DATE + MIDNIGHT)}"
    plain = f"TRY_CAST(regexp_extract({text}, {quoted(DATE)}) AS DATE)"
    return f"CASE WHEN {shape} THEN {plain} ELSE {other_date(text, reading.dates)} END"


def _moment(column: Column, reading: Reading) -> str:
    text = cell(column)
    pointed = f"replace({text}, ',', '.')" if reading.cell_commas else text
    plain = f"WHEN {_shaped(text, f'{DATE}({CLOCK})?')} THEN TRY_CAST(upper({pointed}) AS TIMESTAMP)"
    local = f"replace(regexp_extract({text}, {quoted(f'^{DATE}{CLOCK}')}), ',', '.')"
    zoned = f"WHEN {_shaped(text, DATE + CLOCK + ZONE)} THEN TRY_CAST({local} AS TIMESTAMP)"
    slow = f"CASE {plain} {zoned} ELSE {other_moment(text, reading.dates)} END"
    if reading.blanks == "any":
        return slow
    return f"coalesce({quick_moment(text, reading.dates, blanks_inside=reading.blanks_inside)}, {slow})"


def _boolean(column: Column, reading: Reading) -> str:
    text = f"lower({cell(column)})"
    return f"CASE WHEN {text} IN {_listed(YES)} THEN true WHEN {text} IN {_listed(NO)} THEN false END"


def _text(column: Column, reading: Reading) -> str:
    return _short(column, CONTROL_CHARACTERS)


def _word(table: Table, column: Column) -> str:
    # Each word is turned into the stored type once, in the query, and not once per row.
    kind = words_type(table, column) or sql_type(column)
    # The words as they are declared first: making small letters of every cell takes longer than all the rest.
    text = cell(column)
    spelt = {**{word.lower(): word for word in column.allowed}, **column.spellings}
    declared = " ".join(f"WHEN {quoted(word)} THEN {quoted(word)}::{kind}" for word in column.allowed)
    small = " ".join(f"WHEN {quoted(spelling)} THEN {quoted(word)}::{kind}" for spelling, word in spelt.items())
    return f"CASE {text} {declared} ELSE CASE lower({text}) {small} END END"


def _code(column: Column, reading: Reading) -> str:
    # None of the invisible ones is in a file of plain ASCII.
    bad = CONTROL_CHARACTERS if reading.is_ascii else f"{CONTROL_CHARACTERS}|{INVISIBLE_CHARACTERS}"
    return _short(column, bad)


def _short(column: Column, bad_characters: str) -> str:
    text = cell(column)
    bad = f"regexp_matches({text}, {quoted(bad_characters)})"
    fits = f"length({text}) <= {LONGEST_CODE} AND NOT {bad} AND NOT {_is_sheet_error(text)}"
    return f"CASE WHEN {fits} THEN {text} END"


def _is_sheet_error(text: str) -> str:
    """SQL that tells what a spreadsheet shows in place of a value it could not work out."""
    return f"({text} GLOB '#*' AND {_shaped(text, SHEET_ERROR)})"


def _listed(values: tuple[str, ...]) -> str:
    return "(" + ", ".join(quoted(value) for value in values) + ")"


_VALUES: dict[str, Callable[[Column, Reading], str]] = {
    "code": _code,
    "text": _text,
    "integer": _whole,
    "count": _whole,
    "year": _whole,
    "number": _number,
    "boolean": _boolean,
    "date": _date,
    "moment": _moment,
}


def value(table: Table, column: Column, reading: Reading) -> str:
    """SQL for the value of a cleaned cell, NULL where it is blank or cannot be read.

    Raises KeyError for a kind of column this generator does not know.
    """
    if column.allowed:
        return _word(table, column)
    return f"({_VALUES[column.kind](column, reading)})::{'BIGINT' if column.whole else sql_type(column)}"


def has_hour(column: Column) -> str:
    """SQL that tells whether a moment was given with its hour."""
    return f"contains({cell(column)}, ':')"


def checks(table: Table) -> list[CellCheck]:
    """The checks of single cells of ``table``, in the order of its columns."""
    found: list[CellCheck] = []
    for column in table.columns:
        text, got = cell(column), f'"{column.name}"'
        if column.required:
            found.append(CellCheck("required_blank", column.name, f"{text} IS NULL"))
        found.append(CellCheck(_unreadable_rule(column), column.name, f"{text} IS NOT NULL AND {got} IS NULL"))
        found += _range_checks(column, got)
    return found


_UNREADABLE = {
    "code": "bad_code",
    "integer": "not_a_number",
    "count": "not_a_number",
    "year": "not_a_number",
    "number": "not_a_number",
    "boolean": "not_yes_or_no",
    "date": "not_a_date",
    "moment": "not_a_date",
}


UNREADABLE_RULES = frozenset({*_UNREADABLE.values(), "not_allowed"})


def _unreadable_rule(column: Column) -> str:
    if column.kind == "text":
        return "not_allowed" if column.allowed else "bad_code"
    return _UNREADABLE[column.kind]


def _range_checks(column: Column, got: str) -> list[CellCheck]:
    if column.kind in {"date", "moment"}:
        broken = f"{got} < '{FIRST_YEAR}-01-01' OR {got} >= '{LAST_YEAR + 1}-01-01'"
        return [CellCheck("out_of_range", column.name, broken)]
    if column.range_by is not None:
        return [CellCheck("out_of_range", column.name, _outside_by(column.range_by, got))]
    if not column.is_number:
        return []
    return [CellCheck("out_of_range", column.name, _outside(got, column.minimum, column.maximum))]


def _outside_by(range_by: RangeBy, got: str) -> str:
    # A decider that cannot be read is an error of its own cell; there is no range to hold the value to then.
    sides = []
    for name, (low, high) in range_by.ranges.items():
        holds = f'"{range_by.column}" = {quoted(name)}'
        if name == range_by.otherwise:
            holds = f'("t_{range_by.column}" IS NULL OR {holds})'
        sides.append(f"({holds} AND ({_outside(got, low, high)}))")
    return " OR ".join(sides)


def _outside(got: str, low: float | None, high: float | None) -> str:
    # 1e400 has the shape of a number and is none a computer can hold: it is beyond every range.
    sides = [f"{got} < {low}"] if low is not None else []
    sides.append(f"{got} > {high}" if high is not None else f"NOT isfinite({got}::DOUBLE)")
    return " OR ".join(sides)


def hour_columns(table: Table) -> list[Column]:
    """The columns of ``table`` that are moments; each has a flag ``hour_flag(column)``."""
    return [column for column in table.columns if column.kind == "moment" and hour_flag(column)]
