"""The declarations: valid against the open standard, complete, and consistent with each other."""

from __future__ import annotations

import frictionless
import pytest

from broodyear.claims import Reason
from broodyear.places import schemas_folder
from broodyear.schemas import TABLE_NAMES, all_tables, data_package, descriptor, dictionary_markdown, table

# The keys of the record set, as its contract words them.
KEYS = {
    "sites": ("site_id",),
    "tanks": ("tank_id",),
    "setups": ("season", "tank_id"),
    "batches": ("batch_id",),
    "deliveries": ("tank_id", "batch_id", "delivered_on"),
    "temperatures": ("tank_id", "read_at", "instrument"),
    "losses": ("tank_id", "checked_on", "stage"),
    "stages": ("tank_id", "stage"),
    "exits": ("tank_id", "exited_on", "fate"),
    "incidents": ("tank_id", "started_at", "kind"),
    "water_tests": ("tank_id", "tested_on", "analyte"),
    "trials": ("season", "tank_id", "factor"),
}
REQUIRED = {
    "sites": {"site_id", "region"},
    "tanks": {"tank_id"},
    "setups": {"season", "tank_id", "site_id", "room_type", "gravel_practice"},
    "batches": {"batch_id", "donor_stock", "species", "brood_year"},
    "deliveries": {"tank_id", "batch_id", "delivered_on", "stage_at_delivery", "eggs_live"},
    "temperatures": {"tank_id", "read_at", "water_temp"},
    "losses": {"tank_id", "checked_on", "stage"},
    "stages": {"tank_id", "stage", "first_seen_on"},
    "exits": {"tank_id", "exited_on", "fate", "count"},
    "incidents": {"tank_id", "started_at", "kind"},
    "water_tests": {"tank_id", "tested_on", "analyte", "value", "unit"},
    "trials": {"season", "tank_id", "factor", "level", "block"},
}


def test_there_is_one_file_per_table_and_no_other() -> None:
    assert {path.stem for path in schemas_folder().glob("*.json")} == set(TABLE_NAMES) == set(KEYS)


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_declaration_is_valid_by_the_standards_own_profile(name: str) -> None:
    schema = frictionless.Schema.from_descriptor(descriptor(name))
    assert tuple(schema.field_names) == table(name).column_names


def test_a_broken_declaration_would_be_refused_by_the_profile() -> None:
    broken = descriptor("losses")
    broken["fields"][0]["type"] = "colour"
    with pytest.raises(frictionless.FrictionlessException):
        frictionless.Schema.from_descriptor(broken)


@pytest.mark.parametrize("csv_or_parquet", ["csv", "parquet"])
def test_descriptor_of_an_export_is_a_valid_data_package(csv_or_parquet: str) -> None:
    package = frictionless.Package.from_descriptor(data_package(csv_or_parquet))
    assert package.resource_names == list(TABLE_NAMES)


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_keys_and_required_columns_are_those_of_the_contract(name: str) -> None:
    assert table(name).primary_key == KEYS[name]
    assert set(table(name).required_names) == REQUIRED[name]


def test_the_season_belongs_to_the_key_of_stages_alone() -> None:
    seasonal = {one.name: one.key_season_of for one in all_tables() if one.key_season_of}
    assert seasonal == {"stages": "first_seen_on"}


def test_references_point_to_keys_of_tables_loaded_before() -> None:
    for position, one in enumerate(all_tables()):
        for reference in one.references:
            assert reference.target_table in TABLE_NAMES[:position]
            assert table(reference.target_table).primary_key == (reference.target_column,)
            assert reference.column in one.column_names


def test_every_column_says_what_it_means_and_gives_an_example_that_fits() -> None:
    for one in all_tables():
        for column in one.columns:
            assert column.meaning.endswith("."), (one.name, column.name)
            assert not column.allowed or column.example in column.allowed
            if column.is_number:
                low = float("-inf") if column.minimum is None else column.minimum
                high = float("inf") if column.maximum is None else column.maximum
                assert low <= float(column.example) <= high


def test_the_same_quantity_has_the_same_kind_in_every_table() -> None:
    kinds: dict[str, set[str]] = {}
    for one in all_tables():
        for column in one.columns:
            kinds.setdefault(column.name, set()).add(column.kind)
    assert {name: found for name, found in kinds.items() if len(found) > 1} == {}


def test_unit_suffixes_agree_with_declared_units() -> None:
    suffixes = {"_c": "°C", "_pct": "%", "_cm": "cm", "_mm": "mm", "_hours": "hours", "_l": "litres"}
    for one in all_tables():
        for column in one.columns:
            for suffix, unit in suffixes.items():
                if column.name.endswith(suffix):
                    assert column.unit == unit, (one.name, column.name)


def test_the_data_dictionary_page_is_current() -> None:
    page = (schemas_folder() / "data_dictionary.md").read_text(encoding="utf-8")
    assert page == dictionary_markdown(), "run `broodyear dictionary > schemas/data_dictionary.md`"


def test_the_data_dictionary_says_what_every_reason_of_a_claim_means() -> None:
    section = dictionary_markdown().split("claims.csv\n")[1]
    for reason in Reason:
        assert f"| `{reason}` | `{reason.decision}` | {reason.meaning} |" in section
    assert "claims.csv" not in dictionary_markdown(all_tables()[:2])


def test_the_data_dictionary_names_every_column_and_allowed_value() -> None:
    page = dictionary_markdown()
    for one in all_tables():
        section = page.split(f"## {one.name}\n")[1].split("\n## ")[0]
        for column in one.columns:
            assert f"| `{column.name}`" in section
            assert all(f"`{value}`" in section for value in column.allowed)
