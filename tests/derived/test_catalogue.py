"""Which queries there are and in which order they run."""

from __future__ import annotations

import pytest

from broodyear.derived import Query, all_queries, query_text, running_order
from broodyear.derived.catalogue import needed_for
from broodyear.errors import BroodyearError, UsageError


def query(name: str, *reads: str) -> Query:
    return Query(name, "purpose", "grain", reads, (), "table", (), "SELECT 1")


def test_every_query_comes_after_what_it_reads() -> None:
    queries = all_queries()
    done: set[str] = set()
    for name, each in queries.items():
        assert {needed for needed in each.reads if needed in queries} <= done, name
        done.add(name)


def test_ties_are_broken_by_name_whatever_the_order_given() -> None:
    given = {name: query(name, *reads) for name, reads in {"c": ("a",), "b": ("a",), "a": ("losses",)}.items()}
    assert running_order(given) == ["a", "b", "c"]
    assert running_order(dict(reversed(given.items()))) == ["a", "b", "c"]


def test_shared_functions_come_first_and_after_the_settings() -> None:
    given = {"a": query("a"), "macros": query("macros", "settings"), "settings": query("settings")}
    assert running_order(given) == ["settings", "macros", "a"]


def test_a_circle_is_refused_by_name() -> None:
    with pytest.raises(BroodyearError, match="in a circle: a -> b -> a|in a circle: b -> a -> b"):
        running_order({"a": query("a", "b"), "b": query("b", "a")})


def test_needed_for_takes_what_is_read_and_nothing_else() -> None:
    names = set(needed_for(["species_stage_units"]))
    assert names == {"macros", "settings", "species_stage_units"}
    assert {"instrument_days", "daily_temperature", "reading_flags"} <= set(needed_for(["thermal_units"]))
    assert "tank_seasons" not in needed_for(["thermal_units"])


def test_the_text_is_what_runs() -> None:
    text = query_text("thermal_units")
    assert text.startswith("-- thermal_units\n")
    assert "SELECT * FROM final" in text


def test_an_unknown_name_is_told_the_known_ones() -> None:
    with pytest.raises(UsageError, match="there is no query 'thermal'; expected one of .*thermal_units"):
        query_text("thermal")
