"""What concerns a whole row, as SQL made from the declarations: defaults, rules over columns, references."""

from __future__ import annotations

from collections.abc import Mapping

from broodyear.intake.cell_sql import (
    CellCheck,
    Reading,
    cell,
    checks,
    clean,
    has_hour,
    kept_type,
    quoted,
    value,
)
from broodyear.schemas import Reference, RowRule, Table
from broodyear.store.layout import hour_flag

#: Defaults that depend on another cell (RECORDS: temperatures, losses); all others are declared.
_DEPENDENT_DEFAULTS = {
    ("temperatures", "instrument"): "CASE WHEN \"read_at_has_hour\" THEN 'logger' ELSE 'thermometer' END",
    ("losses", "entry"): "CASE WHEN \"t_dead\" IS NULL THEN 'unknown' ELSE 'counted' END",
}
UNKNOWN_RULES = {"tanks": "unknown_tank", "sites": "unknown_site", "batches": "unknown_batch"}


def known_name(reference: Reference) -> str:
    """Name of the temporary type whose values are the codes that ``reference`` may take."""
    return f"known_{reference.target_table}"


#: Checks of the row as such: where one of these fails, its cells say nothing.
SPOILED = ("unclosed_quote", "repeated_header")


def all_checks(table: Table, header: Mapping[str, str]) -> list[CellCheck]:
    """Every check of one row of ``table``: the row as such, its cells, rules over two columns, references.

    header: declared column -> its header cell in the file, to know the header when it comes again.
    """
    again = " AND ".join(f"lower({cell(table.column(name))}) = {quoted(text)}" for name, text in header.items())
    return [
        CellCheck("unclosed_quote", None, "unclosed"),
        CellCheck("repeated_header", None, again),
        *checks(table),
        *(_rule_check(rule, table) for rule in table.row_rules),
        *(_reference_check(reference) for reference in table.references),
        CellCheck("too_many_cells", None, "surplus IS NOT NULL"),
    ]


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
        other = f'"{rule.then[0]}"'
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


def cleaned_select(table: Table, places: dict[str, int], reading: Reading, source: str, carried: str) -> str:
    """SQL of the cleaned cells ``t_<column>`` of ``source`` (raw cells ``c0``, ``c1`` …); columns that the file
    lacks are NULL. carried: further columns to take along."""
    raw = {name: clean(f"c{place}", reading) for name, place in places.items()}
    cells = [f"{raw.get(column.name, 'NULL::VARCHAR')} AS {cell(column)}" for column in table.columns]
    return f"SELECT {carried}, {', '.join(cells)} FROM {source}"


def values_select(table: Table, reading: Reading, source: str) -> str:
    """SQL of the typed values with defaults, beside everything of ``source`` (cleaned cells)."""
    plain = []
    for column in table.columns:
        got = f"({value(column, reading)})::{kept_type(column)}"
        if column.default is not None:
            got = f"CASE WHEN {cell(column)} IS NULL THEN {quoted(column.default)} ELSE {got} END"
        if (table.name, column.name) in _DEPENDENT_DEFAULTS:
            default = _DEPENDENT_DEFAULTS[table.name, column.name]
            for flagged in table.columns:
                default = default.replace(f'"{hour_flag(flagged)}"', has_hour(flagged))
            got = f"CASE WHEN {cell(column)} IS NULL THEN {default} ELSE {got} END"
        plain.append(f'{got} AS "{column.name}"')
        if column.kind == "moment":
            plain.append(f'{has_hour(column)} AS "{hour_flag(column)}"')
    return f"SELECT *, {', '.join(plain)} FROM ({source})"


def any_broken(found: list[CellCheck]) -> str:
    """SQL that is true where any of the checks fails (NULL counts as not failing)."""
    return " OR ".join(f"coalesce({check.broken}, false)" for check in found)


def broken_list(found: list[CellCheck]) -> str:
    """SQL for the list of positions in ``found`` of the checks that fail."""
    cases = ", ".join(f"CASE WHEN {check.broken} THEN {position} END" for position, check in enumerate(found))
    return f"list_filter([{cases}], lambda position: position IS NOT NULL)"
