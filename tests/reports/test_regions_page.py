"""A stranger reading the regions page does not take a bad batch for a bad region."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.reports import invented
from tests.reports.invented_regions import alone, results, row
from tests.reports.pages import cell, seen, written_rows

from broodyear.reports.regions import REGIONS, write_regions
from broodyear.reports.regions_sections import verdict_of


def said(page: Path) -> str:
    """The page's words, with plain spaces."""
    return " ".join(seen(page).text.replace("\u202f", " ").split())


def test_the_region_with_the_bad_batch_is_not_called_worse(tmp_path: Path) -> None:
    page = write_regions(results(), tmp_path, invented.uploads()).page
    text = said(page)
    assert "No region is shown to do better or worse than its eggs explain" in text
    assert "raw survival from delivery to release runs from 72 % to 86 %" in text
    assert "north: 72 % raw" in text and "−1 points (95 % interval −6.2 to +3.8) from the others" in text
    assert "worse than the others" not in text


def test_a_region_without_a_shared_batch_is_not_separable(tmp_path: Path) -> None:
    page = write_regions(results(), tmp_path, invented.uploads()).page
    assert "south: 84 % raw, from 40 tanks and 6 batches, of which 0 also went elsewhere. Not separable" in said(
        page
    )
    south = next(line for line in written_rows(tmp_path, "regions.csv") if line["region"] == "south")
    assert south["separable"] == "false" and south["adjusted_pct"] == ""


def test_a_difference_is_claimed_only_when_both_answers_are_clear() -> None:
    both = results(row("north", 60.0, -12.0, 0.003))
    one = results(row("north", 60.0, -12.0, 0.003, within_batch_p_value=0.4))
    opposite = results(row("north", 60.0, -12.0, 0.003, within_batch_points=9.0))
    assert verdict_of(both.regions, 0) == "lower"
    assert verdict_of(one.regions, 0) == "alike"
    assert verdict_of(opposite.regions, 0) == "alike"
    assert verdict_of(results(row("north", 90.0, 9.0, 0.003)).regions, 0) == "higher"
    assert verdict_of(results(alone("north", 60.0)).regions, 0) == "not separable"


def test_a_claimed_difference_is_said_without_a_reason(tmp_path: Path) -> None:
    shown = results(row("east", 86.0, 2.0, 0.6), row("north", 60.0, -12.0, 0.003))
    text = said(write_regions(shown, tmp_path, invented.uploads()).page)
    assert "north did worse than the others from the same batches" in text
    assert "why, these records do not say" in text


def test_no_ranks_and_alphabetical_order(tmp_path: Path) -> None:
    page = write_regions(results(), tmp_path, invented.uploads()).page
    text = said(page)
    assert "rank" not in text.replace("No ranks", "")
    assert text.index("east: 86 %") < text.index("north: 72 %") < text.index("south: 84 %")


def test_every_number_equals_the_cell_it_names(tmp_path: Path) -> None:
    page = write_regions(results(), tmp_path, invented.uploads()).page
    numbers = seen(page).numbers
    assert len(numbers) > 20
    for number in numbers:
        assert cell(tmp_path, number["data-from"], number["data-column"]) == number["value"]


def test_a_refusal_stands_in_place_and_the_table_keeps_its_columns(tmp_path: Path) -> None:
    result = write_regions(results(refusal="no tank has a batch"), tmp_path, invented.uploads())
    assert "No tank has a batch." in said(result.page)
    header = (tmp_path / "tables" / "regions.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    assert header[: len(REGIONS)] == list(REGIONS)


@pytest.mark.parametrize("count", [1, 60])
def test_one_region_and_many_regions_make_a_page(count: int, tmp_path: Path) -> None:
    many = results(*(row(f"region {place:02d}", 80.0, 0.5, 0.9) for place in range(count)))
    assert write_regions(many, tmp_path, invented.uploads()).page.exists()
