"""Practices assigned at random on the season's page: in words, in a table, and how to draw one."""

from __future__ import annotations

from dataclasses import replace

from tests.reports import invented

from broodyear.reports.season.action import next_step
from broodyear.reports.season.practices import assigned_section, trials_table
from broodyear.reports.season.results import SeasonResults
from broodyear.trials import analyse_trials


def text_of(results: SeasonResults) -> str:
    return " ".join(str(block) for block in assigned_section(results).blocks)


def test_the_comparison_is_said_as_assigned_with_what_could_move_it() -> None:
    results = invented.season_results()
    (row,) = results.trials.frame.to_dict("records")
    assert row["decision"] == "claimed" and row["reason"] == "assigned"
    assert row["sentence"].startswith("Gravel practice: gravel instead of bare, as assigned at random: +")
    said = text_of(results)
    assert "did as assigned" in said and "without a count, which could move the difference" in said
    assert results.trials in results.tables


def test_trials_of_later_seasons_wait_for_their_review() -> None:
    results = invented.season_results()
    frame = results.trials.frame.head(0).assign(season=[], usable=[], block=[], eggs=[])
    none = trials_table(analyse_trials(frame, 2022))
    said = text_of(replace(results, trials=none))
    assert "No practice was assigned at random so far." in said
    # The contrast to draw is the one that the first screen would split a delivery for, never one that is settled.
    assert str(next_step(results)).startswith("To find out, split a delivery")
    assert str(next_step(results)) in said
