"""What a query's header says is what the query does."""

from __future__ import annotations

import re

import duckdb
import pytest
from tests.queries.small_programme import Programme

from broodyear.derived import Query, all_queries
from broodyear.derived.catalogue import MACROS
from broodyear.schemas import TABLE_NAMES

QUERIES = {name: query for name, query in all_queries().items() if name != MACROS}

#: Types a frame or a spreadsheet can hold without loss; a sum left as HUGEINT turns into a float on the way out.
PLAIN = {"VARCHAR", "BOOLEAN", "DATE", "TIMESTAMP", "DOUBLE", "INTEGER", "BIGINT"}


def described(programme: Programme, name: str) -> list[tuple[str, str]]:
    programme.rows(name)
    found = programme.connection.execute(f"SELECT column_name, column_type FROM (DESCRIBE {name})").fetchall()
    return [(str(column), str(kind)) for column, kind in found]


def test_returned_columns_are_those_of_the_header(empty: Programme) -> None:
    empty.derive()
    for name, query in QUERIES.items():
        assert [column for column, _ in described(empty, name)] == [column.name for column in query.returns], name


def test_result_tables_have_plain_types(empty: Programme) -> None:
    empty.derive()
    for name, query in QUERIES.items():
        if query.key:
            odd = [(column, kind) for column, kind in described(empty, name) if kind not in PLAIN]
            assert odd == [], name


@pytest.mark.parametrize("query", QUERIES.values(), ids=QUERIES)
def test_the_header_names_every_table_that_is_read(query: Query) -> None:
    code = "\n".join(line for line in query.text.splitlines() if not line.lstrip().startswith("--"))
    steps = set(re.findall(r"([a-z_0-9]+)\s*(?:\([^()]*\))?\s+AS\s+(?:NOT\s+)?(?:MATERIALIZED\s+)?\(", code))
    tables = set(re.findall(r"\b(?:FROM|JOIN)\s+([a-z_0-9]+)", code)) & ({*TABLE_NAMES} | {*all_queries()})
    assert tables - {*query.reads} - (steps - {*query.reads}) == set()
    # settings may also be met in a shared function, or by a name with a dollar sign
    assert {*query.reads} - tables <= {"settings"}


@pytest.mark.parametrize("query", QUERIES.values(), ids=QUERIES)
def test_every_column_has_a_unit_and_a_meaning(query: Query) -> None:
    for column in query.returns:
        assert column.unit.strip()
        assert len(column.meaning.split()) >= 1
        if column.name.endswith("_pct"):
            assert column.unit == "%", column.name
        if column.name.endswith("_on"):
            assert column.unit == "date", column.name
        if column.name.endswith("_c"):
            assert "°C" in column.unit, column.name


def test_keys_tell_rows_apart(simulated: duckdb.DuckDBPyConnection) -> None:
    for name, query in QUERIES.items():
        if query.key:
            keys = ", ".join(query.key)
            repeated = simulated.execute(
                f"SELECT {keys}, count(*) FROM {name} GROUP BY {keys} HAVING count(*) > 1 LIMIT 10"
            ).fetchall()
            assert repeated == [], name
