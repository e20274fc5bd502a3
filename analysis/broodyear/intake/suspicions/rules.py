"""The rules: which tables each looks at, what a case means in plain words, and the likely fix."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from broodyear.intake.suspicions import phrases
from broodyear.settings import SameLabel

Case = dict[str, Any]


@dataclass(frozen=True)
class Rule:
    """One suspicion.

    name: of the rule and of its query in queries/suspicions; arriving: it is looked for when rows of one of these
    tables arrive; message, advice: sentences with blanks for the columns of the query, or a function of a case
    that picks among such sentences; joins: where the advice is to read two labels as one, the entry that does;
    stays: it is open until something is done about it, else it is told when the rows come and not again.
    """

    name: str
    arriving: str
    message: str | Callable[[Case], str]
    advice: str | Callable[[Case], str]
    joins: Callable[[Case], SameLabel] | None = None
    stays: bool = True

    @property
    def tables(self) -> frozenset[str]:
        """The tables of which new rows call for it."""
        return frozenset(self.arriving.split())


RULES: tuple[Rule, ...] = (
    Rule("looks_fahrenheit", "temperatures", phrases.fahrenheit, phrases.FAHRENHEIT_ADVICE),
    Rule("water_temp_above_25", "temperatures", phrases.above_25, phrases.ABOVE_25_ADVICE),
    Rule(
        "other_temperature_looks_fahrenheit",
        "deliveries setups incidents",
        "{column_name} of {tank_id} is {written:g} °C, above the {plausible_up_to_c:g} °C that is plausible "
        "there; as °F it would be {as_fahrenheit_c:.1f} °C",
        "If it was read in °F, send the row again with {as_fahrenheit_c:.1f}; this column is in °C.",
    ),
    Rule(
        "looks_fahrenheit_units",
        "deliveries batches",
        phrases.fahrenheit_units,
        "If the units were counted in °F, send the row again with thermal_unit f_days, or with "
        "{as_fahrenheit_c_days:.0f} c_days.",
    ),
    Rule(
        "units_restarted",
        "deliveries batches",
        phrases.restarted_units,
        "If the count began on the day of delivery, add the units the hatchery had counted by then and send the "
        "row again.",
    ),
    Rule(
        "day_month_swapped",
        "losses stages exits water_tests incidents temperatures deliveries",
        phrases.swapped,
        "If day and month changed places, write {swapped_on:day} in the file; " + phrases.WITHDRAW_FIRST,
    ),
    Rule(
        "dates_await_mending",
        "losses stages exits water_tests incidents temperatures deliveries setups",
        "{dates:of date} of {tanks:of tank} cannot be held against the seasons of the tanks, the first of them "
        "{column_name} {written_on:day} of {tank_id}: {awaited_rows:of row} of set-ups or deliveries kept out may "
        "belong there, the first {awaited_place}",
        "Mend what was kept out first; whether day and month changed places can be told only then.",
        stays=False,
    ),
    Rule(
        "losses_cumulative",
        "losses deliveries exits",
        phrases.cumulative,
        "If each number is a total since the start, send the rows again with the dead since the last check: each "
        "number less the one before it.",
    ),
    Rule(
        "readings_copied",
        "temperatures",
        "{instrument} of {tank_id}, season {season}: {value} stands {run:,} {counted_in} in a row from "
        "{starts_on:day} to {ends_on:day}, of {entries:,} in all; values there come in steps of "
        "{resolution_c:g} °C, and honest readings of that step repeat at most {critical_run:,} times in 99 of "
        "100 tanks",
        "If one reading was copied from day to day, take the copies out of the file, for a missing reading does "
        "less harm than a copied one; " + phrases.WITHDRAW_FIRST,
    ),
    Rule(
        "set_point_typed",
        "temperatures setups",
        "{instrument} of {tank_id}, season {season}: {run:,} of {entries:,} {counted_in} are {value}, the set "
        "point of the controller ({set_point_c:g} °C), without a change; honest readings in steps of "
        "{resolution_c:g} °C repeat at most {critical_run:,} times in 99 of 100 tanks",
        "If the set point was typed in place of a reading, take these rows out of the file, for the set-up "
        "records it already; " + phrases.WITHDRAW_FIRST,
    ),
    Rule(
        "logger_out_of_water",
        "temperatures",
        "logger of {tank_id}: {readings:of reading} from {starts_at:minute} to {ends_at:minute} average "
        "{mean_c:.1f} °C where its water is usually {water_level_c:.1f} °C; that came with a jump of "
        "{jump_c:.1f} °C within {jump_hours:.0f} h, faster than water warms or cools, and their days swing "
        "{daily_range_c:.1f} °C against a usual {usual_range_c:.1f} °C",
        "If the logger lay in the air, nothing needs doing: these readings stay out of every exposure. If it was "
        "in the water, acknowledge it and they count again.",
    ),
    Rule(
        "stages_out_of_order",
        "stages",
        "{stage} of {tank_id} is dated {first_seen_on:day}, before {earlier_stage} on {earlier_seen_on:day}, "
        "which must come first",
        "Look up which of the two dates is right and send that row again.",
    ),
    Rule(
        "stage_outside_season",
        "stages setups deliveries",
        phrases.outside_season,
        "Look up the date of the event and those of delivery and close, and send the wrong one again.",
    ),
    Rule(
        "stage_on_closed_day",
        "stages sites",
        "{stage} of {tank_id} is said to be seen on {weekday}, {first_seen_on:day}; nobody looks on weekends at "
        "site {site_id}, and nothing else was recorded for this tank that day",
        "If the date was worked out or copied, set dating to inferred or copied_from_forecast; if somebody was "
        "there, set the site's weekend_access to yes.",
    ),
    Rule(
        "dating_equals_forecast",
        "stages deliveries",
        phrases.forecast_date,
        "Give the date on which it was seen, and the last date on which it was not; else leave dating "
        "copied_from_forecast, and the date stays out of every validation.",
    ),
    Rule(
        "more_out_than_in",
        "losses exits deliveries",
        "{tank_id}, season {season}: {dead:,} dead and {left_alive:,} that left make {excess:,} more than the "
        "{eggs:,} eggs delivered; counting error allows for {allowed:.0f}",
        "Check the eggs delivered, whether the dead are totals or since the last check, and whether a delivery "
        "or a transfer in is missing.",
    ),
    Rule(
        "large_unaccounted",
        "losses exits deliveries setups",
        "{tank_id}, season {season}: of {eggs:,} eggs, {dead:,} were counted dead and {left_alive:,} left, so "
        "{missing:,} ({missing_pct:.0f} %) are not accounted for; counting error allows for {allowed:.0f}",
        "Check for rows of losses or exits that were not sent; else the gap stays and is reported as unaccounted.",
    ),
    Rule(
        "wide_differential",
        "setups",
        "the differential of {tank_id}, season {season}, is {differential_c:g} °C, above 2 °C; the column is "
        "the full on-off width in °C",
        "If it was read in °F, send the row again with {fahrenheit_as_c:.1f}; if it was written as ±, the full "
        "width is twice that.",
    ),
    Rule(
        "short_conditioning",
        "setups deliveries",
        phrases.conditioning,
        "Check filled_on and delivered_on; if both are right, the water had little time to settle.",
    ),
    Rule(
        "warm_with_eggs",
        "temperatures deliveries stages setups exits",
        "{tank_id}, season {season}: water above {warm_limit_c:g} °C on {warm_days:of day} "
        "({warm_readings:of reading}) with eggs or alevins present, first at {first_at:minute}, at most "
        "{highest_c:.1f} °C",
        "Check the thermometer and the chiller; if the readings are right, write down the incident.",
    ),
    Rule(
        "same_tank_two_labels",
        "tanks setups deliveries",
        phrases.two_labels,
        "",
        phrases.one_tank,
    ),
    Rule("label_spelled_twice", "sites batches", phrases.spelled_twice, "", phrases.one_spelling),
)
