"""Numbers of another unit than the column's: a layout says so, and they are read in the column's own."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from tests.intake.drafting.test_drafts import draft, read

from broodyear.intake import load_paths
from broodyear.intake.drafting import draft_text
from broodyear.layouts import layouts_from
from broodyear.store import Store

SET_UPS = """
[[layout]]
name = "set-ups"
header = ["Tank", "Set to (F)"]
  [[layout.rows]]
  table = "tanks"
    [layout.rows.columns]
    tank_id = { column = "Tank" }
    volume_l = { column = "Gallons", unit = "gal" }
  [[layout.rows]]
  table = "setups"
    [layout.rows.columns]
    season = { constant = 2024 }
    tank_id = { column = "Tank" }
    site_id = { column = "School" }
    room_type = { column = "Room" }
    gravel_practice = { constant = "gravel" }
    gravel_depth_cm = { column = "Depth", unit = "in" }
    stone_diameter_mm = { column = "Stones", unit = "in" }
    set_point_c = { column = "Set to (F)", unit = "F", words = { "cold" = "5" } }
    differential_c = { column = "Width", unit = "F" }
"""
HEADINGS = ("Tank", "School", "Room", "Gallons", "Depth", "Stones", "Set to (F)", "Width")


@pytest.mark.parametrize(("separator", "half", "decimal"), [(",", "0.5", "."), (";", "0,5", ",")])
def test_numbers_are_read_in_the_unit_of_their_column(
    store: Store, tmp_path: Path, separator: str, half: str, decimal: str
) -> None:
    """46 °F are 7.78 °C, a width of 2 °F 1.11 °C, 29 gallons 109.78 litres, half an inch 1.27 cm."""
    lines = [
        HEADINGS, ("T-001", "S-01", "office", "29", half, half, "46", "2"),
        ("T-002", "S-02", "office", "", "", "", "46 F", ""),
        ("T-003", "S-01", "office", "x", "-", "2", "Cold", "+1"),
    ]  # fmt: skip
    place = tmp_path / "set-ups.csv"
    place.write_text("".join(separator.join(line) + "\n" for line in lines), encoding="utf-8")
    text = SET_UPS.replace("[[layout.rows]]", f'decimal = "{decimal}"\n  [[layout.rows]]', 1)
    result = load_paths(store, [place], layouts=layouts_from(tomllib.loads(text), "layouts.toml"))
    names = ["gravel_depth_cm", "stone_diameter_mm", "set_point_c", "differential_c"]
    (row,) = store.table("setups")[names].itertuples(index=False)
    assert tuple(row) == (1.27, 12.7, 7.78, 1.11)
    assert store.table("tanks").set_index("tank_id")["volume_l"]["T-001"] == 109.78
    told = {(one.line, one.column, one.value) for one in result.findings if one.level == "error"}
    assert told == {(3, "set_point_c", "46 F"), (4, "volume_l", "x"), (4, "gravel_depth_cm", "-")}


def test_a_word_is_meant_in_the_unit_of_the_column(store: Store, tmp_path: Path) -> None:
    place = tmp_path / "set-ups.csv"
    place.write_text(",".join(HEADINGS) + "\nT-003,S-01,office,,,2,Cold,\n", encoding="utf-8")
    load_paths(store, [place], layouts=layouts_from(tomllib.loads(SET_UPS), "layouts.toml"))
    (row,) = store.table("setups")[["stone_diameter_mm", "set_point_c"]].itertuples(index=False)
    assert tuple(row) == (50.8, 5.0)


def test_a_draft_takes_the_unit_from_the_heading(tmp_path: Path) -> None:
    headings = "Season,Tank,School,Room,Gravel,Gravel depth (inches),Set to (F),Differential (F),Gallons"
    made = draft(tmp_path, "set-ups.csv", f"{headings}\n2024,A-1,Hill,office,gravel,2,46,2,29\n")
    values = {name: value for rows in made.layout.rows for name, value in rows.columns}
    units = {name: value.unit for name, value in values.items() if value.unit}
    assert units == {"gravel_depth_cm": "in", "set_point_c": "F", "differential_c": "F", "volume_l": "gal"}
    text = draft_text(made)
    assert (
        'set_point_c     = { column = "Set to (F)", unit = "F" }  # guess: synonym, with the unit in the heading'
        in text
    )
    assert read(text).layouts == (made.layout,)
    shown = dict(zip(made.preview[1].columns, made.preview[1].rows[0][1], strict=True))
    assert (shown["gravel_depth_cm"], shown["set_point_c"], shown["differential_c"]) == ("5.08", "7.78", "1.11")
