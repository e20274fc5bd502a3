"""What is said beside forecasts and plans."""

from __future__ import annotations

FORECAST_CAUTIONS = (
    "A forecast never replaces looking: the date written down is the one on which the event was seen.",
    "Release only when, where and what the permit says, whatever the date of button-up.",
    "Where no interval is given, the temperatures are not among those tested, or the model's spread is not known.",
)
# Said beside a plan, and beside a forecast for a day that somebody names: the two may rest on other records.
ALL_FITS = (
    "Own fits rest on every stage on record; a forecast for an earlier day rests on what was seen by then, and "
    "may show another model first."
)
EARLIER_FITS = (
    "Own fits rest on stages seen by {date}; a plan rests on every stage on record, and may show another model "
    "first."
)
