"""Sums that must hold in every row, on a simulated programme with all its mistakes."""

from __future__ import annotations

import duckdb
import pytest

#: Rates are products and quotients of whole numbers: they agree to rounding in the last digits.
ROUNDING = 1e-9


def broken(connection: duckdb.DuckDBPyConnection, table: str, identity: str) -> list[tuple[object, ...]]:
    """The first rows of a table in which an identity is false; rows in which it is unknown are not judged."""
    return connection.execute(f"SELECT * FROM {table} WHERE NOT ({identity}) LIMIT 10").fetchall()


@pytest.mark.parametrize(
    ("table", "identity"),
    [
        (
            "tank_seasons",
            "eggs + transferred_in = dead_total + released + transferred_out + retained + euthanised_surplus"
            " + euthanised + escaped + unaccounted",
        ),
        (
            "tank_seasons",
            "dead_total = coalesce(dead_egg + late_picks, 0) + coalesce(dead_alevin, 0) + coalesce(dead_fry, 0)",
        ),
        ("tank_seasons", "hatched <= eggs AND hatched >= 0"),
        ("tank_seasons", "(left_alive IS NOT NULL) = usable_release"),
        ("tank_seasons", "(hatched IS NOT NULL) = usable_hatch"),
        ("tank_seasons", "(why_unusable IS NULL) = (usable_hatch AND usable_release)"),
        ("tank_outcomes", "survivors BETWEEN 0 AND eggs"),
        ("tank_outcomes", "raw_survivors = survivors + excess OR raw_survivors < 0"),
        ("tank_outcomes", "(survivors IS NULL) = NOT usable"),
        ("exposure_windows", "abs(observed_pct + interpolated_pct + modelled_pct + missing_pct - 100) < 1e-9"),
        ("exposure_windows", "days = ends_on - starts_on + 1"),
        ("exposure_windows", "usable_for_validation <= usable"),
        (
            "accounting",
            "delivered >= reported_start AND reported_start >= reported_end AND reported_end >= usable",
        ),
        ("accounting", "bound_all_died_pct <= bound_all_lived_pct"),
        ("accounting", "reported_pct >= bound_all_died_pct - 1e-9"),
        ("regions_by_season", "release_counted + release_unknown = delivered AND usable <= delivered"),
        (
            "regions_by_season",
            "(released IS NULL) = (release_counted = 0) AND (left_alive IS NULL) = (usable = 0)",
        ),
        ("stage_survival", "survivors <= eggs AND tanks <= tanks_delivered"),
        ("daily_temperature", "(source = 'observed') = (readings > 0)"),
        ("daily_temperature", "water_temp_c BETWEEN min_c - 1e-6 AND max_c + 1e-6"),
        ("daily_temperature", "hours_above_warm <= hours_read AND hours_read <= 24"),
        ("observed_stages", "usable = (why_not IS NULL)"),
        ("observed_stages", "NOT usable OR absent_day < seen_day"),
        ("record_coverage", "days_with_logger <= days_with_readings AND readings_left_out BETWEEN 0 AND readings"),
    ],
)
def test_identity(simulated: duckdb.DuckDBPyConnection, table: str, identity: str) -> None:
    assert broken(simulated, table, identity) == []


def test_stage_rates_multiply_to_the_overall_rate(simulated: duckdb.DuckDBPyConnection) -> None:
    """For every tank with both ends: hatch × hatch-to-release = delivered-to-release, nothing capped."""
    rows = simulated.execute(
        "SELECT count(*), max(abs((hatched / eggs) * (left_alive / hatched) - left_alive / eggs))"
        " FROM tank_seasons WHERE usable_hatch AND usable_release AND hatched > 0"
    ).fetchone()
    assert rows is not None
    assert rows[0] > 50
    assert rows[1] < ROUNDING


def test_pooled_stage_rates_multiply_over_the_same_tanks(simulated: duckdb.DuckDBPyConnection) -> None:
    """Where the same tanks stand behind every stage and none has an excess, pooled rates multiply too."""
    rows = simulated.execute(
        """
        SELECT season, species, count(DISTINCT tanks), sum(tanks_with_excess),
            max(pooled_pct) FILTER (WHERE stage = 'hatch')
            * max(pooled_pct) FILTER (WHERE stage = 'hatch_to_release') / 100
            - max(pooled_pct) FILTER (WHERE stage = 'delivered_to_release') AS gap
        FROM stage_survival
        WHERE stage = 'hatch'
            OR (estimate = 'release_based' AND stage IN ('hatch_to_release', 'delivered_to_release'))
        GROUP BY season, species
        """
    ).fetchall()
    same = [row for row in rows if row[2] == 1 and row[3] == 0]
    assert all(abs(row[4]) < ROUNDING * 100 for row in same)


def test_every_tank_is_counted_once(simulated: duckdb.DuckDBPyConnection) -> None:
    total = simulated.execute("SELECT count(*) FROM setups").fetchone()
    assert simulated.execute("SELECT count(*) FROM tank_seasons").fetchone() == total
    assert simulated.execute("SELECT sum(tanks_supplied)::BIGINT FROM accounting").fetchone() == total
    eggs = simulated.execute("SELECT sum(eggs_live)::BIGINT FROM staged_deliveries").fetchone()
    assert simulated.execute("SELECT sum(eggs)::BIGINT FROM accounting").fetchone() == eggs


def test_no_row_is_lost_between_seasons_and_orphans(simulated: duckdb.DuckDBPyConnection) -> None:
    for name in ("losses", "stages", "exits", "incidents", "water_tests", "deliveries"):
        counts = simulated.execute(
            f"SELECT (SELECT count(*) FROM {name}), (SELECT count(*) FROM staged_{name})"
            f" + (SELECT coalesce(sum(orphaned_rows), 0) FROM orphaned_rows WHERE table_name = '{name}')"
        ).fetchone()
        assert counts is not None
        assert counts[0] == counts[1], name


def test_days_follow_each_other(simulated: duckdb.DuckDBPyConnection) -> None:
    holes = simulated.execute(
        "SELECT season, tank_id FROM daily_temperature GROUP BY ALL HAVING max(day) - min(day) + 1 <> count(*)"
    ).fetchall()
    assert holes == []


def test_windows_of_a_tank_share_its_days(simulated: duckdb.DuckDBPyConnection) -> None:
    wrong = simulated.execute(
        """
        SELECT season, tank_id FROM exposure_windows GROUP BY ALL
        HAVING sum(days) FILTER (WHERE exposure_window IN ('egg', 'alevin', 'fry'))
            <> sum(days) FILTER (WHERE exposure_window = 'whole')
            OR sum(days) FILTER (WHERE exposure_window IN ('alevin', 'fry'))
            <> sum(days) FILTER (WHERE exposure_window = 'after_hatch')
        """
    ).fetchall()
    assert wrong == []
