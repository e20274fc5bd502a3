"""The pages of reports: have them made, open them, and the files as they lie on the disk, read only."""

from __future__ import annotations

import base64
import csv
import datetime as dt
import hashlib
import html
import re
import time
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any

from flask import Blueprint, Response, abort, redirect, render_template, request, send_file, url_for
from werkzeug.wrappers import Response as AnyResponse

from broodyear.desk.jobs import Job
from broodyear.desk.state import the_desk
from broodyear.desk.workplace import read_json
from broodyear.places import PACKAGE
from broodyear.reports.numbers import season_name

pages = Blueprint("reports", __name__)
#: So long the page tells of work that failed.
REMEMBERED_SECONDS = 600
#: What each report is called, and its making; in the order in which the page lists failures.
REPORTS: Mapping[str, tuple[str, str]] = {
    "report_week": ("This week", "making the list for this week"),
    "report_season": ("Review of season {season}", "making the review of season {season}"),
    "report_regions": ("Regions compared", "making the comparison of regions"),
    "report_development": ("Hatching forecasts checked", "making the check of the hatching forecasts"),
    "forecast": ("Forecast for season {season}", "making the forecast for season {season}"),
    "export": ("Every table as {format}", "writing every table as {format}"),
}


@pages.get("/reports")
def show() -> str:
    """What can be made, and what was made."""
    desk = the_desk()
    picture, known, state = desk.picture(), desk.made(), desk.workplace.state()
    made = made_reports(desk.workplace.reports)
    last = desk.runner.latest(*REPORTS)
    ready = last.outcome["report"] if last and last.state == "done" else None
    return render_template(
        "reports.html",
        picture=picture,
        seasons=[line["season"] for line in picture.seasons] if picture else [],
        made=made,
        stale={name for name, about in known.items() if about["state"] != state},
        took={name: about["seconds"] for name, about in known.items()},
        failed=_failed(),
        ready=next((report for report in made if report.name == ready), None),
        folder=desk.workplace.reports,
    )


def _failed() -> list[Job]:
    """For each kind of report the last work on it, when it failed or was stopped a short while ago."""
    latest = [the_desk().runner.latest(kind) for kind in REPORTS]
    return [
        job
        for job in latest
        if job is not None and job.state != "done" and time.time() - job.ended < REMEMBERED_SECONDS
    ]


@pages.post("/reports/make")
def make() -> AnyResponse:
    """Have a report made."""
    desk = the_desk()
    kind = request.form.get("kind", "")
    if kind not in REPORTS:
        abort(400, "There is no such report.")
    given: dict[str, Any] = {}
    if kind in {"report_season", "forecast"}:
        given["season"] = request.form.get("season", type=int)
        picture = desk.picture()
        if given["season"] is None or picture is None or picture.season(given["season"]) is None:
            abort(400, "There is no such season in the store.")
    elif kind == "export":
        given["format"] = "parquet" if request.form.get("format") == "parquet" else "csv"
    desk.submit(kind, _named(REPORTS[kind][1], "".join(map(str, given.values()))), **given)
    back = "files.show" if request.form.get("back") == "files.show" else "reports.show"
    return redirect(url_for(back), 303)


@pages.get("/reports/files/<name>/")
def files(name: str) -> str:
    """The files of one report."""
    report = next((one for one in made_reports(the_desk().workplace.reports) if one.name == name), None)
    if report is None:
        abort(404)
    return render_template("report_files.html", report=report, files=listed(report.folder))


@pages.get("/reports/open/<name>/<path:inside>")
def open_file(name: str, inside: str) -> Response:
    """One file of a report, exactly as it was written."""
    file = find(the_desk().workplace.reports, name, inside)
    if file is None:
        abort(404)
    kind, shown = TYPES[file.suffix.lower()]
    response = send_file(file, mimetype=kind, as_attachment=not shown, download_name=file.name, max_age=0)
    if shown:
        response.headers["Content-Security-Policy"] = policy(file)
    return response


#: Ending -> its type, and whether it is shown in the browser (else it is saved).
TYPES: Mapping[str, tuple[str, bool]] = {
    ".html": ("text/html", True),
    ".svg": ("image/svg+xml", True),
    ".pdf": ("application/pdf", True),
    ".json": ("application/json", False),
    ".csv": ("text/csv", False),
    ".md": ("text/plain", False),
    ".bib": ("text/plain", False),
    ".py": ("text/plain", False),
    ".parquet": ("application/vnd.apache.parquet", False),
}


@dataclass(frozen=True)
class MadeReport:
    """A report that lies in ``folder``. page: what to open first; made_at: when it was written;
    sheets: pages for single sites."""

    name: str
    title: str
    folder: Path
    page: str
    made_at: str
    sheets: tuple[str, ...]


def made_reports(root: Path) -> list[MadeReport]:
    """The reports below ``root``, newest first."""
    folders = [path for path in root.glob("*") if path.is_dir() and not path.name.startswith(".")]
    found = [report for folder in folders if (report := _report(folder)) is not None]
    return sorted(found, key=lambda report: report.made_at, reverse=True)


def _report(folder: Path) -> MadeReport | None:
    manifest = read_json(folder / "manifest.json")
    named = manifest.get("report") if isinstance(manifest, dict) else None
    kind = named if isinstance(named, str) else folder.name.split("_")[0]
    task = kind if kind in REPORTS else f"report_{kind}"
    if task not in REPORTS:
        return None
    parameters = manifest.get("parameters") if isinstance(manifest, dict) else None
    season = str(
        (parameters.get("season") if isinstance(parameters, dict) else "") or folder.name.partition("_")[2]
    )
    marks = (f"{kind}.html", "forecast.csv", "datapackage.json")
    page = next((mark for mark in marks if (folder / mark).is_file()), None)
    if page is None:
        return None
    made_at = dt.datetime.fromtimestamp((folder / page).stat().st_mtime)
    sheets = tuple(
        sorted(f"sites/{sheet.name}" for sheet in (folder / "sites").glob("*.html") if sheet.name != "index.html")
    )
    return MadeReport(
        folder.name, _named(REPORTS[task][0], season), folder, page, f"{made_at:%Y-%m-%d %H:%M}", sheets
    )


def _named(words: str, which: str) -> str:
    """The words for a report of a season, or for tables in a format."""
    season = season_name(which) if which.isdigit() else ""
    return words.format(season=season, format="Parquet" if which == "parquet" else "CSV").strip()


#: Lines of the week's list that the first page shows.
WEEK_LINES = 12
WEEK_COLUMNS = ("tank_id", "site_id", "kind", "since", "detail", "first_check")


def week_list(root: Path) -> list[dict[str, str]] | None:
    """The first lines of what to look at this week; None when no such report was made."""
    path = root / "week" / "tables" / "watchlist.csv"
    try:
        with path.open(encoding="utf-8-sig", errors="replace", newline="") as lines:
            return [
                {name: line.get(name) or "" for name in WEEK_COLUMNS}
                for line in islice(csv.DictReader(lines), WEEK_LINES)
            ]
    except (OSError, csv.Error):
        return None


def listed(folder: Path) -> list[dict[str, Any]]:
    """The files of a report that can be asked for: name below its folder, title of a page (else its name), size in
    bytes."""
    found = sorted(path for path in folder.rglob("*") if path.suffix.lower() in TYPES and path.is_file())
    names = [path.relative_to(folder).as_posix() for path in found]
    return [
        {"name": name, "title": _title_of(path) or name, "size": path.stat().st_size}
        for name, path in zip(names, found, strict=True)
    ]


def _title_of(page: Path) -> str:
    """What a page calls itself."""
    if page.suffix.lower() != ".html":
        return ""
    with page.open(encoding="utf-8", errors="replace") as file:
        found = re.search(r"<title>(.*?)</title>", file.read(2_000), re.S)
    return html.unescape(found.group(1)).strip() if found else ""


def find(root: Path, name: str, inside: str) -> Path | None:
    """The file ``inside`` the report ``name``; None when there is no such file, or it lies elsewhere after all."""
    parts = [name, *inside.split("/")]
    if any(part in {"", ".", ".."} or part.startswith(".") or "\\" in part or "\0" in part for part in parts):
        return None
    path = root.joinpath(*parts)
    try:
        real, home = path.resolve(strict=True), (root / name).resolve(strict=True)
    except (OSError, RuntimeError):
        return None
    is_inside = real.is_relative_to(home) and home.is_relative_to(root.resolve())
    return path if is_inside and real.is_file() and path.suffix.lower() in TYPES else None


def policy(path: Path) -> str:
    """What a report page may do: its own style and the one script that this version writes into its pages."""
    script = f"script-src 'sha256-{_script_hash()}'; " if path.suffix.lower() == ".html" else ""
    return (
        f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; {script}"
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


@cache
def _script_hash() -> str:
    script = (PACKAGE / "reports" / "templates" / "page.js").read_text(encoding="utf-8")
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
