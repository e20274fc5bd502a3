"""pandera schemas made from the declarations refuse what the declarations refuse."""

from __future__ import annotations

import io

import pandas as pd
import pandera.pandas as pa
import pytest

from broodyear.schemas import TABLE_NAMES, Table, pandera_schema, table, template_csv


def example_frame(one: Table) -> pd.DataFrame:
    """The template's example row, typed."""
    frame = pd.read_csv(io.StringIO(template_csv(one)), dtype=str)
    for column in one.columns:
        if column.name not in frame:
            continue
        if column.kind == "boolean":
            frame[column.name] = frame[column.name] == "true"
        elif column.is_number:
            frame[column.name] = pd.to_numeric(frame[column.name])
        elif column.kind in {"date", "moment"}:
            frame[column.name] = pd.to_datetime(frame[column.name])
    return frame


def rules_broken(one: Table, frame: pd.DataFrame) -> set[str]:
    try:
        pandera_schema(one).validate(frame, lazy=True)
    except pa.errors.SchemaErrors as found:
        return set(found.failure_cases["check"])
    return set()


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_the_templates_example_row_is_accepted(name: str) -> None:
    assert rules_broken(table(name), example_frame(table(name))) == set()


@pytest.mark.parametrize(
    ("name", "changes", "rule"),
    [
        ("setups", {"room_type": "cellar"}, "not_allowed"),
        ("setups", {"media_carried_over_pct": 101.0}, "out_of_range"),
        ("temperatures", {"water_temp": 101.0}, "out_of_range"),
        ("temperatures", {"water_temp": 27.9, "unit": "F"}, "out_of_range"),
        ("deliveries", {"thermal_units_at_delivery": 3000.1}, "out_of_range"),
        ("water_tests", {"analyte": "ph"}, "ph_in_another_unit"),
        ("water_tests", {"unit": "ph"}, "unit_ph_for_another_analyte"),
        ("losses", {"entry": "not_checked"}, "number_without_check"),
        ("losses", {"dead": pd.NA}, "counted_without_number"),
        ("stages", {"last_absent_on": pd.Timestamp("2024-12-09")}, "absent_not_before_seen"),
        ("incidents", {"ended_at": pd.Timestamp("2025-01-10T01:59")}, "ended_before_started"),
        ("sites", {"site_id": "S\x0707"}, "bad_code"),
        ("sites", {"site_id": "S" * 61}, "bad_code"),
    ],
)
def test_one_change_breaks_one_rule(name: str, changes: dict[str, object], rule: str) -> None:
    frame = example_frame(table(name)).assign(**changes)
    assert rules_broken(table(name), frame) == {rule}


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("temperatures", {"water_temp": 100.0}),
        ("temperatures", {"water_temp": 212.0, "unit": "F"}),
        ("temperatures", {"water_temp": 8.0, "unit": None}),
        ("deliveries", {"thermal_units_at_delivery": 5400.0, "thermal_unit": "f_days"}),
        ("water_tests", {"analyte": "ph", "unit": "ph", "value": 14.0}),
        # A date without an hour counts to the end of that day, so it is not before an hour of the same day.
        ("incidents", {"ended_at": pd.Timestamp("2025-01-10")}),
        ("stages", {"last_absent_on": pd.NaT}),
    ],
)
def test_the_edges_are_inside(name: str, changes: dict[str, object]) -> None:
    assert rules_broken(table(name), example_frame(table(name)).assign(**changes)) == set()


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_a_repeated_key_is_found(name: str) -> None:
    frame = example_frame(table(name))
    assert rules_broken(table(name), pd.concat([frame, frame], ignore_index=True)) == {"duplicate_key"}


def test_the_same_stage_in_another_season_is_another_key() -> None:
    one = table("stages")
    frame = pd.concat([example_frame(one)] * 2, ignore_index=True)
    frame.loc[1, ["last_absent_on", "first_seen_on"]] = [pd.NaT, pd.Timestamp("2025-12-08")]
    schema = pandera_schema(one, season_of=lambda day: day.year)
    assert len(schema.validate(frame, lazy=True)) == 2


def test_a_blank_in_a_needed_column_is_found() -> None:
    frame = example_frame(table("sites")).assign(region=None)
    assert rules_broken(table("sites"), frame) == {"not_nullable"}
