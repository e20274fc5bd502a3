"""The pages of reports: have them made, open them, and the files themselves, read only."""

from __future__ import annotations

import time

from flask import Blueprint, Response, abort, redirect, render_template, request, send_file, url_for
from werkzeug.wrappers import Response as AnyResponse

from broodyear.desk import report_files
from broodyear.desk.jobs import Job
from broodyear.desk.state import REPORT_KINDS, the_desk
from broodyear.reports.numbers import season_name

pages = Blueprint("reports", __name__)
#: So long the page tells of work that failed.
REMEMBERED_SECONDS = 600


#: Reports of the whole store, in words.
TITLES = {
    "report_week": "list for this week",
    "report_regions": "comparison of regions",
    "report_development": "check of the hatching forecasts",
}


@pages.get("/reports")
def show() -> str:
    """What can be made, and what was made."""
    desk = the_desk()
    picture = desk.picture()
    made = report_files.made_reports(desk.place.reports)
    last = desk.runner.latest(*REPORT_KINDS)
    return render_template(
        "reports.html",
        picture=picture,
        seasons=[line["season"] for line in picture.seasons] if picture else [],
        made=made,
        stale=_stale([report.name for report in made]),
        took={name: about["seconds"] for name, about in desk.made().items()},
        failed=_failed(),
        ready=next((report for report in made if report.name == _ready(last)), None),
        folder=desk.place.reports,
    )


def _failed() -> list[Job]:
    """For each kind of report the last work on it, when it failed or was stopped a short while ago."""
    latest = [the_desk().runner.latest(kind) for kind in REPORT_KINDS]
    return [
        job
        for job in latest
        if job is not None and job.state != "done" and time.time() - job.ended < REMEMBERED_SECONDS
    ]


def _ready(last: Job | None) -> str | None:
    """The report that the last work made."""
    return str(last.outcome["report"]) if last and last.state == "done" else None


def _stale(names: list[str]) -> set[str]:
    """Reports of which it is known that the store changed after they were made."""
    state, made = the_desk().place.state(), the_desk().made()
    return {name for name in names if name in made and made[name]["state"] != state}


@pages.post("/reports/make")
def make() -> AnyResponse:
    """Have a report made."""
    desk = the_desk()
    kind = request.form.get("kind", "")
    if kind not in REPORT_KINDS:
        abort(400, "There is no such report.")
    if kind in {"report_season", "forecast"}:
        season = request.form.get("season", type=int)
        picture = desk.picture()
        if season is None or picture is None or picture.season(season) is None:
            abort(400, "There is no such season in the store.")
        what = "review of season" if kind == "report_season" else "forecast for season"
        desk.submit(kind, f"making the {what} {season_name(season)}", season=season)
    elif kind == "export":
        form = "parquet" if request.form.get("format") == "parquet" else "csv"
        desk.submit(kind, f"writing every table as {form.upper() if form == 'csv' else 'Parquet'}", format=form)
    else:
        desk.submit(kind, f"making the {TITLES[kind]}")
    back = "files.show" if request.form.get("back") == "files.show" else "reports.show"
    return redirect(url_for(back), 303)


@pages.get("/reports/files/<name>/")
def files(name: str) -> str:
    """The files of one report."""
    report = next((one for one in report_files.made_reports(the_desk().place.reports) if one.name == name), None)
    if report is None:
        abort(404)
    listed = report_files.listed(report.folder)
    return render_template("report_files.html", report=report, files=listed)


@pages.get("/reports/open/<name>/<path:inside>")
def open_file(name: str, inside: str) -> Response:
    """One file of a report, exactly as it was written."""
    place = report_files.find(the_desk().place.reports, name, inside)
    if place is None:
        abort(404)
    kind, shown = report_files.TYPES[place.suffix.lower()]
    response = send_file(place, mimetype=kind, as_attachment=not shown, download_name=place.name, max_age=0)
    if shown:
        response.headers["Content-Security-Policy"] = report_files.policy(place)
    return response
