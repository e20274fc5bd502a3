"""The pages for the season to come: plan a delivery, make a comparison by random assignment."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

from flask import Blueprint, Response, abort, redirect, render_template, request, send_file, url_for
from werkzeug.wrappers import Response as AnyResponse

from broodyear.desk.state import the_desk
from broodyear.desk.workplace import read_json
from broodyear.errors import UsageError
from broodyear.reports.numbers import FACTORS, called
from broodyear.schemas import Column, table, with_words
from broodyear.settings import words_of_species

pages = Blueprint("planning", __name__)
#: Seeds that a person may ask for.
MOST_SEED = 1_000_000


@pages.get("/plan")
def show() -> str:
    """Plan a delivery, or a comparison."""
    desk = the_desk()
    return render_template(
        "plan.html",
        species=with_words(table("batches"), *words_of_species(desk.settings_now())).column("species").allowed,
        factors={name: _practice(name) for name in table("trials").column("factor").allowed},
        factor=_factor(),
        plan=read_json(desk.workplace.plans / "plan.json"),
        trial=read_json(desk.workplace.plans / "trial.json"),
        last=desk.runner.latest("plan", "trial"),
        has_records=desk.has_records(),
    )


def _practice(name: str) -> str:
    """A practice as people say it, with its unit."""
    unit = table("setups").column(name).unit
    return f"{called(FACTORS, name)} ({unit})" if unit else called(FACTORS, name)


def _factor() -> Column | None:
    """The practice to be compared, where one was chosen."""
    name = request.args.get("factor", "")
    return table("setups").column(name) if name in table("trials").column("factor").allowed else None


@pages.post("/plan/delivery")
def delivery() -> AnyResponse:
    """Work out the dates of a delivery."""
    window = [day for name in ("from", "to") if (day := _date(name)) is not None]
    if len(window) == 1:
        raise UsageError("the window for button-up needs both a first and a last day, or none")
    delivered, units = _date("delivered_on"), _number("units")
    if delivered is None or units is None:
        raise UsageError("a delivery needs its date and the thermal units of its eggs")
    after = _number("release_after_days")
    the_desk().submit(
        "plan", "working out the dates of the delivery",
        asked={
            "species": request.form.get("species", ""), "delivered_on": delivered,
            "units_at_delivery_c_days": units,
            "hatchery_temp_c": _number("hatchery_temp_c"), "window": window,
            "release_after_days": None if after is None else int(after),
        },
    )  # fmt: skip
    return redirect(url_for("planning.show"), 303)


@pages.post("/plan/trial")
def trial() -> AnyResponse:
    """Draw who gets what, and work out what the comparison could find."""
    factor = request.form.get("factor", "")
    if factor not in table("trials").column("factor").allowed:
        abort(400, "There is no such practice to compare.")
    written = request.form.get("levels", "").replace(";", ",").split(",")
    levels = [level.strip() for level in [*request.form.getlist("level"), *written] if level.strip()]
    if len(set(levels)) < 2:
        raise UsageError("a comparison needs two or more different ways to do it; choose them and try again")
    season, seed = request.form.get("season", type=int), request.form.get("seed", 1, type=int)
    asked = {"factor": factor, "levels": levels, "season": season, "seed": min(abs(seed), MOST_SEED)}
    the_desk().submit("trial", f"drawing a comparison of {called(FACTORS, factor)}", asked=asked)
    return redirect(url_for("planning.show", factor=factor), 303)


@pages.get("/plan/<any(plan, trial):name>.csv")
def saved(name: str) -> Response:
    """The dates, or the list of who gets what."""
    path = the_desk().workplace.plans / f"{name}.csv"
    if not path.is_file():
        abort(404)
    return send_file(path, mimetype="text/csv", as_attachment=True, download_name=f"{name}.csv")


def _date(name: str) -> str | None:
    text = request.form.get(name, "").strip()
    try:
        return dt.date.fromisoformat(text).isoformat() if text else None
    except ValueError:
        raise UsageError(f"{text!r} is no date; write it with the year first, as 2026-01-10") from None


def _number(name: str) -> float | None:
    text = request.form.get(name, "").strip().replace(",", ".")
    try:
        value: Any = float(text) if text else None
    except ValueError:
        value = math.nan
    if value is not None and not math.isfinite(value):
        raise UsageError(f"{text!r} is no number; write it alone, as 310 or 9.5")
    return value if value is None else float(value)
