"""What concerns a whole row, as SQL made from the declarations: defaults, rules over columns, references."""

from __future__ import annotations

from collections.abc import Mapping

from broodyear.intake.cell_sql import (
    UNREADABLE_RULES,
    CellCheck,
    ParseOptions,
    cell,
    checks,
    clean,
    has_hour,
    value,
)
from broodyear.intake.recognise import Recognised
from broodyear.schemas import Column, Reference, RowRule, Table
from broodyear.store.layout import hour_flag, quoted, sql_type, words_type

UNKNOWN_RULES = {"tanks": "unknown_tank", "sites": "unknown_site", "batches": "unknown_batch"}


def known_name(reference: Reference) -> str:
    """Name of the temporary type whose values are the codes that ``reference`` may take."""
    return f"known_{reference.target_table}"


#: Between the position of a failed check and its cell.
AND_CELL = ":"

#: Checks of the row as such: where one of these fails, its cells say nothing.
SPOILED = ("unclosed_quote", "repeated_header")


def all_checks(table: Table, header: Mapping[str, str]) -> list[CellCheck]:
    """Every check of one row of ``table``: the row as such, its cells, rules over two columns, references.

    header: declared column -> its header cell in the file, to know the header when it comes again.
    """
    again = " AND ".join(_same_text(cell(table.column(name)), text) for name, text in header.items()) or "false"
    return [
        CellCheck("unclosed_quote", None, "unclosed"),
        CellCheck("repeated_header", None, again),
        *checks(table),
        *(_rule_check(rule, table) for rule in table.row_rules),
        *(_reference_check(reference) for reference in table.references),
        CellCheck("too_many_cells", None, "surplus IS NOT NULL"),
    ]


def _same_text(cell_sql: str, lower_text: str) -> str:
    # The length first: it costs nothing and rules out nearly every cell.
    return f"length({cell_sql}) = {len(lower_text)} AND lower({cell_sql}) = {quoted(lower_text)}"


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
        return CellCheck(rule.rule, rule.columns[0], _order_broken(rule, table))
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


def cleaned_select(table: Table, places: dict[str, int], options: ParseOptions, source: str, carried: str) -> str:
    """SQL of the cleaned cells ``t_<column>`` of ``source`` (raw cells ``c0``, ``c1`` …); columns that the file
    lacks are NULL. carried: further columns to take along."""
    raw = {name: clean(f"c{place}", options) for name, place in places.items()}
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


def settled_cells(found: Recognised, options: ParseOptions) -> list[str]:
    """SQL of each cell of a row as its copy has it, over ``values_select``: as received, save dates and decimals
    of which a layout says how they are read. They are written plainly, for the copy is read without it."""
    columns = {place: found.table.column(name) for name, place in found.places.items()}
    return [_settled(columns.get(place), f"c{place}", found, options) for place in range(found.width)]


def _settled(column: Column | None, raw: str, found: Recognised, options: ParseOptions) -> str:
    if column is None or not (found.slots or options.date_order):
        return raw
    text, got = cell(column), f'"{column.name}"'
    if column.kind in {"date", "moment"}:
        timed = f"strftime({got}, '%Y-%m-%dT%H:%M:%S')"
        hour = f'"{hour_flag(column)}"' if column.kind == "moment" else "false"
        plain = f"CASE WHEN {hour} THEN {timed} ELSE strftime({got}, '%Y-%m-%d') END"
        return f"CASE WHEN {got} IS NULL OR regexp_matches({text}, '^[0-9]{{4}}-') THEN {raw} ELSE {plain} END"
    if column.is_number and found.slots and options.decimal_comma:
        return f"CASE WHEN {got} IS NULL THEN {raw} ELSE replace({text}, ',', '.') END"
    return raw


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


def any_broken(found: list[CellCheck]) -> str:
    """SQL that is true where any of the checks fails, and false or NULL elsewhere."""
    return " OR ".join(f"({check.broken})" for check in found)


def broken_list(found: list[tuple[CellCheck, str]]) -> str:
    """SQL for the list of checks that fail, each as its position in ``found``, ``AND_CELL`` and its cell; beside
    each check stands the SQL of its cell."""
    cases = ", ".join(
        f"CASE WHEN {check.broken} THEN concat('{position}{AND_CELL}', {received}) END"
        for position, (check, received) in enumerate(found)
    )
    return f"list_filter([{cases}], lambda entry: entry IS NOT NULL)"
