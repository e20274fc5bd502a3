"""Every derived table is what the header of its query says, column by column."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

import pandera.pandas as pa
import pytest
from tests.built_once import sample_store

from broodyear.derived import all_queries, query_named
from broodyear.derived.catalogue import MACROS
from broodyear.schemas import result_schema
from broodyear.store import Store, open_store

TABLES = sorted(set(all_queries()) - {MACROS})


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with open_store(sample_store(tmp_path_factory)) as opened:
        yield opened


@pytest.mark.parametrize("name", TABLES)
def test_a_derived_table_is_what_its_header_says(store: Store, name: str) -> None:
    frame = store.result(name)
    checked = result_schema(query_named(name)).validate(frame, lazy=True)
    assert list(checked) == list(frame) and len(checked) == len(frame)


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        (lambda frame: frame.drop(columns="eggs"), "column_in_dataframe"),
        (lambda frame: frame.assign(more=1), "column_in_schema"),
        (lambda frame: frame.assign(eggs="many"), "coerce_dtype('Int64')"),
        (lambda frame: frame.assign(tank_id=None), "not_nullable"),
        (lambda frame: frame.loc[[0, 0, 1]].reset_index(drop=True), "duplicate_key"),
    ],
)
def test_a_frame_that_is_something_else_is_refused(store: Store, change, rule: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(pa.errors.SchemaErrors) as refused:
        result_schema(query_named("tank_seasons")).validate(change(store.result("tank_seasons")), lazy=True)
    assert rule in set(refused.value.failure_cases["check"])


def test_nothing_imports_pandera_unless_a_schema_is_asked_for() -> None:
    code = (
        "import sys, broodyear.cli, broodyear.schemas, broodyear.derived, broodyear.intake, broodyear.store\n"
        "import broodyear.survival, broodyear.setups, broodyear.reports.season\n"
        "assert 'pandera' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
