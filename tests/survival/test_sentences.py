"""Sentences a coordinator can repeat without lying."""

from __future__ import annotations

import numpy as np
import pytest

from broodyear.survival.sentences import effect_sentence

ROW = {
    "outcome": "delivered_to_release", "factor": "gravel_practice", "level": "single_layer_stones",
    "reference": "bare", "tanks": 61, "batches": 9, "difference_points": 4.2, "difference_low": 0.4,
    "difference_high": 8.1, "adjusted_for": "room type, species, site and batch", "note": "",
}  # fmt: skip


def test_a_clear_difference():
    assert effect_sentence(ROW) == (
        "Tanks with one layer of stones kept 4 points more alive from delivery to release than bare ones,"
        " between 0 and 8, from 61 tanks in 9 batches, allowing for room type, species, site and batch."
        " Not shown to be cause."
    )


def test_an_interval_on_both_sides_of_zero_says_so():
    said = effect_sentence({**ROW, "difference_points": -1.2, "difference_low": -4.4, "difference_high": 2.1})
    assert "kept 1 point fewer alive" in said
    assert "between 4 fewer and 2 more" in said
    assert "do not show which way the difference goes" in said


def test_no_difference_to_speak_of():
    said = effect_sentence({**ROW, "difference_points": 0.2, "difference_low": -2.6, "difference_high": 3.1})
    assert (
        "kept about as many alive from delivery to release as bare ones, between 3 fewer and 3 more points" in said
    )


def test_rooms_and_hatch():
    hall = {**ROW, "outcome": "hatch", "factor": "room_type", "level": "hallway", "reference": "classroom"}
    said = effect_sentence({**hall, "difference_points": -7.6, "difference_low": -11.4, "difference_high": -4.0})
    assert said.startswith("Tanks in hallways hatched 8 points fewer than those in classrooms, between 4 and 11,")


def test_temperature_has_no_reference():
    warm = {**ROW, "factor": "mean_water_temp_c", "level": "+1 °C", "reference": ""}
    said = effect_sentence({**warm, "difference_points": -2.4, "difference_low": -3.6, "difference_high": -1.3})
    assert said.startswith("Tanks whose water was 1 °C warmer kept 2 points fewer alive from delivery to release,")


def test_within_batch_disagreement_is_carried():
    assert "Comparing only tanks that share a batch gives a different answer" in effect_sentence(
        {**ROW, "within_batch_differs": True}
    )


@pytest.mark.parametrize(("tanks", "shown"), [(3, "3 tanks"), (1, "1 tank")])
def test_no_estimate_says_why(tanks, shown):
    missing = {**ROW, "difference_points": np.nan, "tanks": tanks, "note": "too few tanks to say"}
    assert effect_sentence(missing) == (
        f"Nothing can be said of gravel practice single layer stones ({shown}): too few tanks to say."
    )
