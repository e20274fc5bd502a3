"""Running the rules that a set of uploads calls for, and turning their cases into findings.

What a case means and what to do, sentences.txt says.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import duckdb

from broodyear.derived import all_queries, needed_for, own_name, run_queries, run_query, suspicion_queries
from broodyear.findings import Finding, counted
from broodyear.intake.wording import worded
from broodyear.layouts import same_text
from broodyear.schemas import TABLE_NAMES, table
from broodyear.settings import Acknowledged, SameLabel, Settings
from broodyear.stopping import interruptible
from broodyear.store.joining import join_labels, rows_sent
from broodyear.store.layout import may_have_rows, quoted
from broodyear.store.ledger import find_open_rows

Case = dict[str, Any]


@dataclass(frozen=True)
class Rule:
    """One suspicion. name: of the rule, of its query in queries/suspicions and of its sentences; arriving: it is
    looked for when rows of one of these tables arrive; joins: the column of its query with the label that
    ``tank_id`` may be read as, None where labels are not in doubt; stays: it is open until something is done about
    it, else it is told when the rows come and not again; needs: tables of which each case has a row, so that there
    is none where one of them is empty."""

    name: str
    arriving: str
    joins: str | None = None
    stays: bool = True
    needs: str = ""

    @property
    def tables(self) -> frozenset[str]:
        """The tables of which new rows call for it."""
        return frozenset(self.arriving.split())

    def same(self, case: Case) -> SameLabel | None:
        """The entry that would join the labels of a case."""
        if self.joins is None:
            return None
        return SameLabel(case.get("kind", "tank"), str(case[self.joins]), (str(case["tank_id"]),))


_DATED = "losses stages exits water_tests incidents temperatures deliveries"
RULES: tuple[Rule, ...] = (
    Rule("looks_fahrenheit", "temperatures", needs="temperatures"),
    Rule("water_temp_above_25", "temperatures", needs="temperatures"),
    Rule("other_temperature_looks_fahrenheit", "deliveries setups incidents"),
    Rule("looks_fahrenheit_units", "deliveries batches", needs="deliveries"),
    Rule("units_restarted", "deliveries batches", needs="deliveries"),
    Rule("day_month_swapped", _DATED),
    Rule("year_off", f"{_DATED} setups"),
    Rule("dates_await_mending", f"{_DATED} setups", stays=False),
    Rule("losses_cumulative", "losses deliveries exits", needs="losses"),
    Rule("readings_copied", "temperatures", needs="temperatures"),
    Rule("set_point_typed", "temperatures setups", needs="temperatures"),
    Rule("logger_out_of_water", "temperatures", needs="temperatures"),
    Rule("stages_out_of_order", "stages", needs="stages"),
    Rule("stage_outside_season", "stages setups deliveries", needs="stages"),
    Rule("stage_on_closed_day", "stages sites", needs="stages"),
    Rule("eggs_after_button_up", "losses stages deliveries", needs="losses stages"),
    Rule("look_before_stage", "stages", stays=False, needs="losses stages"),
    Rule("dating_equals_forecast", "stages deliveries", needs="stages"),
    Rule("more_out_than_in", "losses exits deliveries", needs="deliveries"),
    Rule("large_unaccounted", "losses exits deliveries setups", needs="deliveries"),
    Rule("wide_differential", "setups", needs="setups"),
    Rule("short_conditioning", "setups deliveries", needs="setups deliveries"),
    Rule("warm_with_eggs", "temperatures deliveries stages setups exits", needs="temperatures deliveries"),
    Rule("same_tank_two_labels", "tanks setups deliveries", joins="other_tank_id"),
    Rule("label_spelled_twice", "sites batches", joins="other_label"),
    Rule("tank_moved", "setups incidents deliveries", needs="setups"),
    Rule("site_region_changed", "sites", needs="sites"),
)
SENTENCES = "suspicions/sentences.txt"
ACKNOWLEDGED = "acknowledged"
"""Rule of the findings that count what somebody has looked into."""
#: Tables of which a row that waits to be mended bears on a suspicion (queries/suspicions/awaited_seasons.sql).
AWAITED = ("setups", "deliveries")


def find_suspicions(
    connection: duckdb.DuckDBPyConnection,
    uploads: tuple[int, ...],
    settings: Settings,
    made: Collection[str] = (),
) -> list[tuple[int, Finding]]:
    """Everything suspicious that the rows of ``uploads`` bring or complete, as warnings with the upload's number.

    connection: a store whose views hold the rows of ``uploads`` already, committed; made: what of the derived
    tables and their macros it sees already. A case is told when its row, or another row of the same tank and
    season that it rests on, belongs to one of ``uploads``. Cases that ``settings`` acknowledge are counted: one
    finding of the rule "acknowledged" per upload, rule and entry.
    """
    with _own_session(connection, settings) as session:
        of_uploads = "SELECT DISTINCT table_name FROM uploads WHERE list_contains(?::INTEGER[], upload)"
        rows = session.execute(of_uploads, [list(uploads)]).fetchall()
        tables = frozenset(name for (names,) in rows for name in str(names).split("+"))
        rules = _possible(session, (rule for rule in RULES if rule.tables & tables))
        _make_needed(session, [rule.name for rule in rules], settings, made)
        cases = [(rule, case) for rule in rules for case in _cases(session, rule)]
        new = _first_rows(session, uploads, tables)
    placed = ((rule, _placed(rule, case, uploads, new)) for rule, case in cases)
    found = _placed_findings([(rule, case) for rule, case in placed if case is not None], settings)
    return sorted(found, key=lambda entry: (entry[0], entry[1].line or 0, entry[1].rule, entry[1].message))


def _own_session(connection: duckdb.DuckDBPyConnection, settings: Settings) -> duckdb.DuckDBPyConnection:
    """A second session of the same database, so that the caller's temporary tables stay as they are; with the rows
    of ``AWAITED`` that wait to be mended."""
    session = interruptible(connection.cursor())
    # The session reads what the caller reads, where macros lie in a database beside the store.
    [(path,)] = connection.execute("SELECT current_setting('search_path')").fetchall()
    session.execute(f"SET search_path = {quoted(path)}" if path else f"USE {own_name(connection)}")
    join_labels(session, settings)
    show_beside(session, settings, AWAITED)
    return session


def show_beside(
    connection: duckdb.DuckDBPyConnection, settings: Settings, awaited: Collection[str] = TABLE_NAMES
) -> None:
    """What the rules read beside the rows as they now read: rows of the tables ``awaited`` that wait to be mended,
    and every set-up and site that was sent."""
    find_open_rows(connection, settings, awaited)
    for name in ("setups", "sites"):
        sent = rows_sent(connection, table(name), settings)
        connection.execute(f"CREATE OR REPLACE TEMP VIEW {name}_sent AS {sent}")


def _make_needed(
    session: duckdb.DuckDBPyConnection, names: list[str], settings: Settings, made: Collection[str] = ()
) -> None:
    """Make the tables of the named queries and of all they read; those ``made`` are there, kept ones are shown."""
    if not names:
        return
    needed, derived = needed_for(names, queries=suspicion_queries()), all_queries()
    run_queries(session, settings, needed.keys() & derived.keys(), made)
    for name, query in needed.items():
        if name not in derived:
            run_query(session, query, settings)


def _possible(session: duckdb.DuckDBPyConnection, rules: Iterable[Rule]) -> list[Rule]:
    """Those rules of which there can be a case: to plan their queries takes most of the time of a small file."""
    filled = may_have_rows(session)
    return [rule for rule in rules if filled.issuperset(rule.needs.split())]


def _cases(session: duckdb.DuckDBPyConnection, rule: Rule) -> list[Case]:
    cursor = session.execute(f"SELECT * FROM {rule.name} ORDER BY upload, line")
    columns = [entry[0] for entry in cursor.description or ()]
    return [dict(zip(columns, row, strict=True)) for row in cursor.fetchall()]


def _first_rows(
    session: duckdb.DuckDBPyConnection, uploads: tuple[int, ...], tables: frozenset[str]
) -> dict[tuple[str, str, int | None], tuple[int, int]]:
    """Upload and line of the first row that ``uploads`` bring of each table, tank and season."""
    found: dict[tuple[str, str, int | None], tuple[int, int]] = {}
    for name in sorted(tables & _DATES.keys()):
        season = f"season_of({_DATES[name]})" if _DATES[name] != "season" else "season"
        rows = session.execute(
            f"SELECT tank_id, {season} AS s, min((upload, line)) FROM {name} "
            "WHERE list_contains(?::INTEGER[], upload) GROUP BY ALL",
            [list(uploads)],
        ).fetchall()
        found |= {(name, tank, number): first for tank, number, first in rows}
    return found


def _placed(
    rule: Rule, case: Case, uploads: tuple[int, ...], new: Mapping[tuple[str, str, int | None], tuple[int, int]]
) -> Case | None:
    """The case pointing at its own row if that came in ``uploads``, else at a row of the tank that did; None when
    it does not concern them."""
    if case["upload"] in uploads:
        return case
    for name in TABLE_NAMES:
        row = new.get((name, case["tank_id"], case.get("season")))
        if name in rule.tables and row is not None:
            moved = {"table_name": name, "column_name": None, "value": None}
            return {**case, **moved, "upload": row[0], "line": row[1]}
    return None


#: The date that tells the season of a row; readings are never pointed at for another row's sake.
_DATES = {
    "setups": "season",
    "deliveries": "delivered_on",
    "losses": "checked_on",
    "stages": "first_seen_on",
    "exits": "exited_on",
}


def _placed_findings(placed: list[tuple[Rule, Case]], settings: Settings) -> list[tuple[int, Finding]]:
    found: list[tuple[int, Finding]] = []
    closed: Counter[tuple[int, str, Acknowledged]] = Counter()
    for rule, case in placed:
        entry = _acknowledged(rule, case, settings)
        if entry is None:
            found.append((case["upload"], _finding(rule, case)))
        else:
            closed[case["upload"], case["table_name"], entry] += 1
    return found + [(upload, _counted(table, entry, count)) for (upload, table, entry), count in closed.items()]


def _acknowledged(rule: Rule, case: Case, settings: Settings) -> Acknowledged | None:
    for entry in settings.acknowledged:
        if entry.rule == rule.name and entry.tank_id in (case["tank_id"], "*"):
            return entry
    return None


def _finding(rule: Rule, case: Case) -> Finding:
    """The case in words. The path is left to whoever knows the uploads' paths."""
    message, advice = worded(SENTENCES, rule.name, case)
    same = rule.same(case)
    if same is not None:
        advice = (
            f"If they are two, acknowledge it; if both mean one {same.kind}, put this entry into layouts.toml:\n"
            f"{same_text(same).strip()}"
        )
    cell = (case["table_name"], case["column_name"], case["value"])
    return Finding("", case["line"], *cell, "warning", rule.name, message, advice)


def _counted(table: str, entry: Acknowledged, count: int) -> Finding:
    """What somebody has looked into is counted, never silent."""
    where = "any tank" if entry.tank_id == "*" else entry.tank_id
    return Finding(
        "", None, table, None, entry.rule, "warning", ACKNOWLEDGED,
        f"{counted(count, 'case')} of {entry.rule} acknowledged for {where}: {entry.reason}",
        "Nothing needs doing; take the entry out of the settings file to see the cases again.",
    )  # fmt: skip


@dataclass(frozen=True)
class OpenSuspicion:
    """A case that nobody has mended or acknowledged. line: of the row that it points at, in upload ``upload``;
    same: the entry that would join its labels, where it is about two that may mean one thing."""

    rule: str
    tank_id: str
    upload: int
    line: int | None
    table: str
    message: str
    advice: str
    same: SameLabel | None = None


_LASTING = tuple(rule for rule in RULES if rule.stays)


def open_suspicions(connection: duckdb.DuckDBPyConnection, settings: Settings) -> list[OpenSuspicion]:
    """Every case among the rows as they now read that ``settings`` do not acknowledge, by rule and tank."""
    with _own_session(connection, settings) as session:
        rules = _possible(session, _LASTING)
        _make_needed(session, [rule.name for rule in rules], settings)
        cases = [(rule, case) for rule in rules for case in _cases(session, rule)]
    found = []
    for rule, case in cases:
        if _acknowledged(rule, case, settings) is None:
            finding = _finding(rule, case)
            where = (str(case["tank_id"]), int(case["upload"]), finding.line, str(finding.table))
            found.append(OpenSuspicion(rule.name, *where, finding.message, finding.advice, rule.same(case)))
    return sorted(found, key=lambda one: (one.rule, one.tank_id, one.upload, one.line or 0))


def count_suspicions(
    connection: duckdb.DuckDBPyConnection, settings: Settings, made: Collection[str]
) -> list[tuple[str, str, int, int]]:
    """Rule, table, cases that are open among the rows as they now read, and cases that ``settings`` acknowledge.

    made: derived tables that ``connection`` has already; they are not made again.
    """
    show_beside(connection, settings)
    _make_needed(connection, [rule.name for rule in _LASTING], settings, made)
    counts: dict[tuple[str, str], list[int]] = {}
    for rule in _LASTING:
        for case in _cases(connection, rule):
            is_known = _acknowledged(rule, case, settings) is not None
            counts.setdefault((rule.name, str(case["table_name"])), [0, 0])[is_known] += 1
    return [(rule, table, opened, known) for (rule, table), (opened, known) in counts.items()]


def cases_now(connection: duckdb.DuckDBPyConnection, settings: Settings, name: str) -> list[Case]:
    """As ``open_cases``, on a connection where no suspicions were looked for."""
    show_beside(connection, settings)
    _make_needed(connection, [name], settings)
    return open_cases(connection, settings, name)


def open_cases(connection: duckdb.DuckDBPyConnection, settings: Settings, name: str) -> list[Case]:
    """The cases of the rule called ``name`` that nobody acknowledged, on a connection where all were counted."""
    [rule] = (rule for rule in RULES if rule.name == name)
    return [case for case in _cases(connection, rule) if _acknowledged(rule, case, settings) is None]
