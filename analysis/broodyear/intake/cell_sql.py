"""Checking cells and rows, as SQL generated from the declarations: values and defaults, checks of single cells,
rules over columns, references.

What a cell means, queries/intake/reading.sql decides; here stands which of its macros a column calls for. Each
check looks at its own cell: none hides another.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from broodyear.intake.shapes import BLANKS, shape
from broodyear.layouts.model import DateOrder
from broodyear.schemas import LONGEST_CODE, Column, RangeBy, Reference, RowRule, Table
from broodyear.settings import SeasonSpan
from broodyear.store.layout import hour_flag, quoted, sql_type, words_type

FIRST_YEAR, LAST_YEAR = 1900, 2100


@dataclass(frozen=True)
class ParseOptions:
    """How the cells of one file are read, told from its bytes and its layout so that no needless work is done on
    every cell.

    decimal_comma: commas may be decimal signs; apostrophes: a cell may carry the apostrophe that guards formula
    text; blanks: those that may stand around cells; empties: a cell may be an empty text instead of missing;
    blanks_inside: a cell may hold blanks between other characters; is_ascii: it holds nothing beyond ASCII;
    quick_numbers: it holds no plus sign, so that a shorter test does, where rows that fail are looked at again.
    date_order: what the layout says of figures alone; seasons: those of the programme, in which a year in two
    figures must lie, None when none is known; any_clock: hours may have one figure or be of the 12-hour clock;
    season_start: a day on which a season begins. iso_dates: every date is written year first and every clock in
    full, so that nothing else need be looked for.
    """

    decimal_comma: bool = False
    apostrophes: bool = False
    blanks: str = BLANKS
    blanks_inside: bool = True
    is_ascii: bool = False
    quick_numbers: bool = False
    empties: bool = True
    date_order: DateOrder | None = None
    seasons: SeasonSpan | None = None
    season_start: dt.date = dt.date(2023, 8, 1)
    any_clock: bool = False
    iso_dates: bool = False


@dataclass(frozen=True)
class CellCheck:
    """One check. broken: SQL that is true where the check fails, over cleaned cells ``t_<column>`` and values;
    beside: the other column of a rule between two dates."""

    rule: str
    column: str | None
    broken: str
    beside: str | None = None


def clean(cell: str, options: ParseOptions) -> str:
    """SQL for a raw cell without blanks around it; blank cells and ``.`` become NULL."""
    if options.apostrophes:
        return f"cleaned_unguarded({cell}, {quoted(options.blanks)})"
    if options.blanks == BLANKS:
        return f"cleaned_of({cell}, {quoted(BLANKS)})"
    return f"cleaned{'_spaced' if options.blanks else '_filled' if options.empties else ''}({cell})"


def cell(column: Column) -> str:
    """Name of the cleaned cell of ``column`` in the generated SQL."""
    return f'"t_{column.name}"'


def value(table: Table, column: Column, options: ParseOptions) -> str:
    """SQL for the value of a cleaned cell, NULL where it is blank or cannot be read."""
    if column.allowed:
        return _word(table, column)
    return f"({_value(column, options)})::{'BIGINT' if column.whole else sql_type(column)}"


def _value(column: Column, options: ParseOptions) -> str:
    text = cell(column)
    if column.kind in {"code", "text"}:
        reader = "code_in" if column.kind == "code" and not options.is_ascii else "text_in"
        return f"{reader}({text}, {LONGEST_CODE})"
    if column.kind == "boolean":
        return f"yes_or_no_in({text})"
    if column.kind == "date":
        days = [f"iso_date_in({text})", f"{_other_moment(text, 'other_date', options)}::DATE"]
        if options.any_clock:
            # A form's timestamp: of a file with a layout, which says that this cell gives the day.
            days += [f"iso_moment_in({text})::DATE", f"{_other_moment(text, 'any_moment', options)}::DATE"]
        return f"coalesce({', '.join([*days, *_season_day(text, options)])})"
    return _moment(text, options) if column.kind == "moment" else _number(column, options)


def _number(column: Column, options: ParseOptions) -> str:
    kind = "comma_" if options.decimal_comma else "quick_" if options.quick_numbers else ""
    number = f"{kind}number_in({cell(column)})"
    if column.is_span:
        number = f"coalesce(season_in({cell(column)}), {number})"
    if not column.whole:
        return number
    return f"whole_of({number})" if column.maximum is None else f"bounded_whole_of({number})"


def _season_day(text: str, options: ParseOptions) -> list[str]:
    """SQL for a day with its school year behind it, as a layout joins the two; none where there can be none."""
    if options.iso_dates or not options.any_clock:
        return []
    start = quoted(options.season_start.isoformat())
    return [f"season_day_in({text}, {_order(options)}, {_first_and_last(options)}, {start})"]


def _moment(text: str, options: ParseOptions) -> str:
    other = _other_moment(text, "any_moment" if options.any_clock else "other_moment", options)
    days = [f"{day}::TIMESTAMP" for day in _season_day(text, options)]
    slow = ", ".join([f"iso_moment_in({text})", other, *days])
    if options.blanks == BLANKS:
        return f"coalesce({slow})"
    kind = "" if not options.blanks_inside else "spaced_"
    if options.blanks_inside and options.date_order in {"day_first", "month_first"}:
        kind = f"{options.date_order}_"
    return f"coalesce(quick_{kind}moment_in({text}), {slow})"


def _other_moment(text: str, form: str, options: ParseOptions) -> str:
    """SQL for the moment of a cell whose day or clock is written in another way than year first."""
    if options.iso_dates:
        return "NULL::TIMESTAMP"
    return f"other_moment_in({text}, {quoted(shape(form))}, {_order(options)}, {_first_and_last(options)})"


def _order(options: ParseOptions) -> str:
    return quoted(options.date_order) if options.date_order else "NULL"


def _first_and_last(options: ParseOptions) -> str:
    return ", ".join(quoted(day.isoformat()) for day in options.seasons) if options.seasons else "NULL, NULL"


def _word(table: Table, column: Column) -> str:
    # Each word is turned into the stored type once, in the query, and not once per row.
    kind = words_type(table, column) or sql_type(column)
    # The words as they are declared first: making small letters of every cell takes longer than all the rest.
    text = cell(column)
    spelt = {**{word.lower(): word for word in column.allowed}, **column.spellings}
    declared = " ".join(f"WHEN {quoted(word)} THEN {quoted(word)}::{kind}" for word in column.allowed)
    small = " ".join(f"WHEN {quoted(spelling)} THEN {quoted(word)}::{kind}" for spelling, word in spelt.items())
    return f"CASE {text} {declared} ELSE CASE lower({text}) {small} END END"


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
        rule = "not_allowed" if column.kind == "text" and column.allowed else _UNREADABLE[column.kind]
        found.append(CellCheck(rule, column.name, f"{text} IS NOT NULL AND {got} IS NULL"))
        found += _range_checks(column, got)
    return found


_UNREADABLE = {
    **dict.fromkeys(("code", "text"), "bad_code"),
    **dict.fromkeys(("integer", "count", "year", "number"), "not_a_number"),
    **dict.fromkeys(("date", "moment"), "not_a_date"),
    "boolean": "not_yes_or_no",
}
UNREADABLE_RULES = frozenset({*_UNREADABLE.values(), "not_allowed"})


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


UNKNOWN_RULES = {"tanks": "unknown_tank", "sites": "unknown_site", "batches": "unknown_batch"}


def known_name(reference: Reference) -> str:
    """Name of the temporary type whose values are the codes that ``reference`` may take."""
    return f"known_{reference.target_table}"


#: Between the position of a failed check and its cell, and between the cells of two dates, which hold none such.
AND_CELL, AND_BESIDE = ":", "\x1f"

#: Checks of the row as such: where one of these fails, its cells say nothing.
SPOILED = ("unclosed_quote", "repeated_header")


def all_checks(table: Table, header: Mapping[str, str]) -> list[CellCheck]:
    """Every check of one row of ``table``: the row as such, its cells, rules over two columns, references.

    header: declared column -> its header cell in the file, to know the header when it comes again.
    """
    # The length first: it costs nothing and rules out nearly every cell.
    cells = ((cell(table.column(name)), text) for name, text in header.items())
    same = (f"length({one}) = {len(text)} AND lower({one}) = {quoted(text)}" for one, text in cells)
    again = " AND ".join(same) or "false"
    return [
        CellCheck("unclosed_quote", None, "unclosed"),
        CellCheck("repeated_header", None, again),
        *checks(table),
        *(_rule_check(rule, table) for rule in table.row_rules),
        *(_reference_check(reference) for reference in table.references),
        CellCheck("too_many_cells", None, "surplus IS NOT NULL"),
    ]


def quick_checks(table: Table, header: Mapping[str, str]) -> list[CellCheck]:
    """The checks that tell good rows from bad ones, where codes are read as known codes (``quick`` values).

    What is a known code is a good code, so its characters need not be looked at again; and a cell that must hold
    something has a value, unless it is blank or cannot be read.
    """
    referring = {reference.column for reference in table.references}
    needed = {column.name for column in table.columns if column.required and _default(table, column) is None}
    quick = []
    for check in all_checks(table, header):
        got, is_code = f'"{check.column}" IS NULL', check.rule in UNKNOWN_RULES.values()
        if check.column in needed and check.rule == "required_blank":
            quick.append(CellCheck(check.rule, check.column, got))
        elif check.column in needed and (is_code or check.rule in UNREADABLE_RULES):
            continue
        elif is_code and check.column is not None:
            text = cell(table.column(check.column))
            quick.append(CellCheck(check.rule, check.column, f"{got} AND {text} IS NOT NULL"))
        elif check.rule != "bad_code" or check.column not in referring:
            quick.append(check)
    return quick


def _reference_check(reference: Reference) -> CellCheck:
    # A cast to the list of known codes instead of a join: joins do not keep the rows in the order of the file.
    code = f'"{reference.column}"'
    rule = UNKNOWN_RULES[reference.target_table]
    unknown = f"{code} IS NOT NULL AND TRY_CAST({code} AS {known_name(reference)}) IS NULL"
    return CellCheck(rule, reference.column, unknown)


def _rule_check(rule: RowRule, table: Table) -> CellCheck:
    if rule.check in {"before", "not_before"}:
        return CellCheck(rule.rule, rule.columns[0], _order_broken(rule, table), rule.columns[1])
    assert rule.when is not None
    holds = f'"{rule.when[0]}" = {quoted(rule.when[1])}'
    if rule.check == "implies":
        assert rule.then is not None
        # By the text: a word that is not allowed breaks this rule as well, and one error hides no other.
        other = f"lower({cell(table.column(rule.then[0]))})"
        return CellCheck(rule.rule, rule.then[0], f"{holds} AND {other} <> {quoted(rule.then[1])}")
    target = cell(table.column(rule.columns[0]))
    blank = f"{target} IS NULL" if rule.check == "needs" else f"{target} IS NOT NULL"
    return CellCheck(rule.rule, rule.columns[0], f"{holds} AND {blank}")


def _order_broken(rule: RowRule, table: Table) -> str:
    first, second = (f'"{name}"' for name in rule.columns)
    if rule.check == "before":
        return f"{first} >= {second}"
    flags = [f'"{hour_flag(table.column(name))}"' for name in rule.columns if table.column(name).kind == "moment"]
    timed = " AND ".join(flags) or "false"
    return f"CASE WHEN {timed} THEN {first} < {second} ELSE {first}::DATE < {second}::DATE END"


def cleaned_select(
    table: Table, positions: dict[str, int], options: ParseOptions, source: str, carried: str
) -> str:
    """SQL of the cleaned cells ``t_<column>`` of ``source`` (raw cells ``c0``, ``c1`` …); columns that the file
    lacks are NULL. carried: further columns to take along."""
    raw = {name: clean(f"c{position}", options) for name, position in positions.items()}
    cells = [f"{raw.get(column.name, 'NULL::VARCHAR')} AS {cell(column)}" for column in table.columns]
    return f"SELECT {carried}, {', '.join(cells)} FROM {source}"


def values_select(table: Table, options: ParseOptions, source: str, *, quick: bool = False) -> str:
    """SQL of the typed values with defaults, beside everything of ``source`` (cleaned cells).

    quick: codes that refer to another table are read straight as known codes, NULL when they are none.
    """
    known = {reference.column: known_name(reference) for reference in table.references} if quick else {}
    plain = []
    for column in table.columns:
        got = value(table, column, options)
        if column.name in known:
            got = f"TRY_CAST({cell(column)} AS {known[column.name]})"
        default = _default(table, column)
        if default:
            got = f"coalesce({got}, CASE WHEN {cell(column)} IS NULL THEN {default} END)"
        plain.append(f'{got} AS "{column.name}"')
        if column.kind == "moment":
            plain.append(f'{has_hour(column)} AS "{hour_flag(column)}"')
    return f"SELECT *, {', '.join(plain)} FROM ({source})"


def _default(table: Table, column: Column) -> str | None:
    """SQL of the value of a blank cell; two defaults depend on another cell (RECORDS: temperatures, losses)."""
    kind = words_type(table, column)
    if (table.name, column.name) == ("temperatures", "instrument"):
        timed = has_hour(table.column("read_at"))
        return f"CASE WHEN {timed} THEN 'logger'::{kind} ELSE 'thermometer'::{kind} END"
    if (table.name, column.name) == ("losses", "entry"):
        dead = cell(table.column("dead"))
        return f"CASE WHEN {dead} IS NULL THEN 'unknown'::{kind} ELSE 'counted'::{kind} END"
    return None if column.default is None else f"{quoted(column.default)}::{kind or sql_type(column)}"


def broken_list(found: list[tuple[CellCheck, str]]) -> str:
    """SQL for the list of checks that fail, each as its position in ``found``, ``AND_CELL`` and its cell; beside
    each check stands the SQL of its cell."""
    cases = ", ".join(
        f"CASE WHEN {check.broken} THEN concat('{position}{AND_CELL}', {received}) END"
        for position, (check, received) in enumerate(found)
    )
    return f"list_filter([{cases}], lambda entry: entry IS NOT NULL)"
