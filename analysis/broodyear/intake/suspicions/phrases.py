"""Sentences that depend on which evidence speaks for a case. Blanks are columns of the rule's query."""

from __future__ import annotations

from typing import Any

from broodyear.layouts import same_text
from broodyear.settings import SameLabel

Case = dict[str, Any]

WITHDRAW_FIRST = (
    "where it is loaded already, withdraw that upload first, because the mended rows do not replace these."
)
FAHRENHEIT_ADVICE = "If they were read in °F, write F in the column unit and send the file again."
ABOVE_25_ADVICE = (
    "Mend the reading or its unit and send the file again, or acknowledge it; until then it is left out of every "
    "exposure."
)


def fahrenheit(case: Case) -> str:
    """Single readings, or a tank's readings as a whole."""
    if case["is_group"]:
        return (
            "{instrument} of {tank_id}, season {season}: {alike:,} of {entries:of reading} lie between "
            "{lowest:g} and {highest:g} °C as stated, which no tank survives; the first, {water_temp:g}, would "
            "be {as_fahrenheit_c:.1f} °C as °F"
        )
    if case["usual_c"] is None:
        return "{water_temp:g} °C as stated is too warm for a tank; as °F it would be {as_fahrenheit_c:.1f} °C"
    return (
        "{water_temp:g} °C as stated, where {tank_id} usually reads {usual_c:.1f} °C; as °F it would be "
        "{as_fahrenheit_c:.1f} °C"
    )


def above_25(case: Case) -> str:
    """Single readings, or a tank's readings as a whole."""
    if case["is_group"]:
        return (
            "{instrument} of {tank_id}, season {season}: {alike:of reading} above 25 °C in the unit stated, at "
            "most {highest:g} {unit}"
        )
    if case["usual_c"] is None:
        return "{water_temp_c:.1f} °C in the unit stated is above 25 °C"
    return "{water_temp_c:.1f} °C in the unit stated is above 25 °C; {tank_id} usually reads {usual_c:.1f} °C"


def fahrenheit_units(case: Case) -> str:
    """Held against the hatchery's temperature, the calendar, or the species."""
    start = "{written:g} °C·d at delivery of {stage_at_delivery} eggs to {tank_id}"
    end = "; as °F·d they would be {as_fahrenheit_c_days:.0f} °C·d"
    if case["evidence"] == "hatchery":
        return (
            start + ", where days since spawning and the hatchery's temperature make {expected_c_days:.0f}" + end
        )
    if case["evidence"] == "calendar":
        return start + " need a hatchery at {implied_temp_c:.1f} °C since spawning" + end
    return start + " are more than the {most_c_days:.0f} that fit {species} at that stage" + end


def restarted_units(case: Case) -> str:
    """Held against the hatchery's temperature, or the stage alone."""
    start = (
        "{written:g} °C·d at delivery of {stage_at_delivery} eggs to {tank_id} is too few: that stage needs at "
        "least {least_c_days:.0f}"
    )
    if case["expected_c_days"] is not None:
        return start + ", and days since spawning and the hatchery's temperature make {expected_c_days:.0f}"
    return start


def swapped(case: Case) -> str:
    """Held against the season, the order of the file, or the spawning date."""
    start = "{column_name} {written_on:day} of {tank_id}"
    if case["rows"] > 1:
        start += " ({rows:of row})"
    if case["evidence"] == "order":
        return start + (
            " stands between {day_before:day} and {day_after:day}; with day and month changed, {swapped_on:day} "
            "fits between them"
        )
    if case["evidence"] == "close":
        return start + (
            ", {swapped_on:day} with day and month changed, would be the day on which the tank was emptied"
        )
    if case["evidence"] == "spawning":
        return start + (
            " does not follow the spawning of its batch on {starts_on:day}; with day and month changed, "
            "{swapped_on:day} does"
        )
    return start + (
        " lies outside every season of the tank; with day and month changed, {swapped_on:day} lies between "
        "{starts_on:day} and {ends_on:day}"
    )


def cumulative(case: Case) -> str:
    """The order of the numbers, and what their sum exceeds."""
    start = (
        "{tank_id}, season {season}: {checks:of number} of dead never fall, from {first_dead:,} up to "
        "{last_dead:,}, with {rises:of rise}; numbers since the last check would come in this order at most "
        "once in {orders:,}"
    )
    if case["exceeds_eggs"]:
        return start + ", and their sum of {total:,} with the fish that left exceeds the {eggs:,} eggs delivered"
    return start


def outside_season(case: Case) -> str:
    """Before the delivery or after the close."""
    if case["is_before"]:
        return "{stage} of {tank_id} is dated {first_seen_on:day}, before its eggs came on {delivered_on:day}"
    return "{stage} of {tank_id} is dated {first_seen_on:day}, after the tank was emptied on {closed_on:day}"


def forecast_date(case: Case) -> str:
    """Stated in the row, or seen in the agreement."""
    if case["is_stated"]:
        return "{stage} of {tank_id}, {first_seen_on:day}, is stated to be copied from the forecast"
    return (
        "hatch_half of {tank_id}, {first_seen_on:day}, is to the day what {units_c_days} °C·d at the set point "
        "forecast; so are {agreeing} of {judged} such dates without a last_absent_on, where {by_chance:.1f} "
        "would be by chance"
    )


def conditioning(case: Case) -> str:
    """Eggs soon after the water, or before it."""
    if case["days"] < 0:
        return (
            "{tank_id}, season {season}: eggs came on {delivered_on:day}, before the tank was filled on "
            "{filled_on:day}"
        )
    return (
        "{tank_id}, season {season}: eggs came on {delivered_on:day}, {days:of day} after the tank was filled on "
        "{filled_on:day}; 5 days are the least"
    )


def two_labels(case: Case) -> str:
    """Spelling alike, or one label following the other."""
    first = "{tank_id} stood at {sites} in {seasons}" if case["sites"] else "{tank_id} has no set-up"
    other = "{other_tank_id} stood at {other_sites} in {other_seasons}"
    where = f"; {first}, {other if case['other_sites'] else '{other_tank_id} has no set-up'}"
    if case["evidence"] == "spelling":
        return "{tank_id} and {other_tank_id} differ only in case, spaces, punctuation or leading zeros" + where
    return (
        "{tank_id} begins where {other_tank_id} ends, with nearly the same label and the same volume, chiller "
        "year and "
        "filter" + where
    )


def one_tank(case: Case) -> SameLabel:
    """The later label is read as the earlier."""
    return SameLabel("tank", str(case["other_tank_id"]), (str(case["tank_id"]),))


def spelled_twice(case: Case) -> str:
    """Which of two spellings more rows have."""
    start = (
        "the {kind} labels {tank_id} and {other_label} differ only in case, blanks, punctuation or leading zeros"
    )
    if case["kind"] == "region":
        return start + "; {tank_id} has {sites:of site}, {other_label} {other_sites:of site}"
    return start


def one_spelling(case: Case) -> SameLabel:
    """The rarer spelling is read as the other."""
    return SameLabel(case["kind"], str(case["other_label"]), (str(case["tank_id"]),))


def join_advice(same: SameLabel) -> str:
    """The entry that joins labels, ready to paste."""
    return (
        f"If they are two, acknowledge it; if both mean one {same.kind}, put this entry into layouts.toml:\n"
        f"{same_text(same).strip()}"
    )
