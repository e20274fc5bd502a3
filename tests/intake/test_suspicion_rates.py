"""How often the rules are right: an invented programme without mistakes, and the same with planted ones."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.intake.suspicion_rates import PLANTED, Rates, measure, suspicions_of

from broodyear.synthetic import simulate

SEED, SEASONS, TANKS = 11, 4, 60

#: Least share of the planted cases that is found. Where it is below 1, records hold no trace of the rest: a
#: swapped date that is the last of a short file; a running total of four numbers; a copied date of a species
#: with too few dates to tell habit from chance.
LEAST_FOUND = {
    "day_month_swapped": 0.90,
    "losses_cumulative": 0.60,
    "readings_copied": 0.85,
    "dating_equals_forecast": 0.50,
}
#: Most findings that are no planted case, as a share of tank-seasons. Copies are judged at 1 honest series in
#: 100; of the dates that agree with a forecast some agree by chance, and their message says how many.
MOST_FALSE = {"readings_copied": 0.015, "dating_equals_forecast": 0.04, "day_month_swapped": 0.01}
#: Most findings in records without mistakes, as a share of tank-seasons. All but the first tell of conditions
#: that the programme really holds, the last of tanks with a stage whose last absence nobody wrote; rules that are
#: not named must be silent.
MOST_HONEST = {
    "readings_copied": 0.015,
    "large_unaccounted": 0.02,
    "warm_with_eggs": 0.06,
    "more_out_than_in": 0.01,
    "short_conditioning": 0.09,
    "wide_differential": 0.05,
    "look_before_stage": 0.7,
}


@pytest.fixture(scope="module")
def rates() -> Rates:
    return measure(simulate(SEED, seasons=SEASONS, tanks=TANKS))


@pytest.mark.parametrize("rule", [*PLANTED, "same_tank_two_labels"])
def test_planted_mistakes_are_found(rates: Rates, rule: str) -> None:
    assert rates.planted[rule] > 0, "nothing planted, nothing tested"
    assert rates.found[rule] >= LEAST_FOUND.get(rule, 1.0) * rates.planted[rule]


@pytest.mark.parametrize("rule", [*PLANTED, "same_tank_two_labels"])
def test_what_is_told_was_planted(rates: Rates, rule: str) -> None:
    assert rates.false[rule] <= MOST_FALSE.get(rule, 0.0) * rates.tank_seasons


def test_records_without_mistakes_raise_few_suspicions(rates: Rates) -> None:
    for rule, count in rates.honest.items():
        assert count <= MOST_HONEST.get(rule, 0.0) * rates.tank_seasons, f"{rule}: {count}"


def test_no_honest_date_is_doubted_while_the_deliveries_of_a_season_are_still_to_be_sent() -> None:
    records = simulate(SEED, seasons=3, tanks=40).clean
    sent = records.deliveries[records.deliveries["_season"] < records.deliveries["_season"].max()]
    told = suspicions_of(replace(records, deliveries=sent.reset_index(drop=True)))
    assert [one.message for one in told if one.rule in ("day_month_swapped", "year_off")] == []
