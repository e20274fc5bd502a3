"""The page of files: hand over, see what was understood, mend, load or not."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from functools import partial

from flask import Blueprint, Response, abort, jsonify, redirect, render_template, request, send_file, url_for
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response as AnyResponse

from broodyear.desk import multipart
from broodyear.desk.access import KEY_FIELD
from broodyear.desk.basket import LARGEST_FILE_BYTES, Waiting, room_for
from broodyear.desk.findings_book import Book, Sieve
from broodyear.desk.reports_pages import week_list
from broodyear.desk.state import Desk, the_desk
from broodyear.desk.store_pages import leaf_of
from broodyear.errors import UsageError
from broodyear.findings import mend_name
from broodyear.settings import SameKind, SameLabel

pages = Blueprint("files", __name__)
#: What the script takes of a folder: the endings that the intake takes.
ENDINGS = (
    ".csv", ".tsv", ".txt", ".csv.gz", ".tsv.gz", ".txt.gz", ".xlsx", ".xlsm", ".xls", ".ods", ".zip",
)  # fmt: skip

#: Rules about labels that nobody has listed, with what they label.
UNLISTED: Mapping[str, SameKind] = {"unknown_tank": "tank", "unknown_site": "site", "unknown_batch": "batch"}


class NoRoom(HTTPException):
    """The disk has no room for what is to be handed over."""

    code = 507
    description = "The disk of this computer has no room for this. Nothing was taken."


@pages.get("/")
def show() -> str:
    """The page of files."""
    desk = the_desk()
    files = desk.waiting()
    checked = desk.found() if files else None
    return render_template(
        "files.html",
        files=files,
        checked=checked,
        loaded=desk.loaded(),
        namesakes=_namesakes(files),
        by_name={waiting.shown: waiting for waiting in files},
        is_fresh=checked is not None and checked.basket == [file.number for file in files],
        unexplained=_unexplained(files, checked) if checked else [],
        drafts=desk.drafts.listed(),
        week=_week(),
        last=desk.runner.latest("check", "load", "demo"),
        limit=LARGEST_FILE_BYTES,
        endings=ENDINGS,
        has_records=desk.has_records(),
    )


def _week() -> dict[str, object] | None:
    """What to look at while a season runs: the first lines, and whether the records changed since; else None."""
    desk = the_desk()
    if not desk.season_runs():
        return None
    made = desk.made().get("week")
    is_old = made is not None and made["state"] != desk.workplace.state()
    last = desk.runner.latest("report_week")
    failed = last if last is not None and last.state == "failed" else None
    return {"lines": week_list(desk.workplace.reports), "is_old": is_old, "failed": failed}


def _unexplained(files: list[Waiting], checked: Book) -> list[str]:
    """The waiting files whose columns a layout can explain, or that hold sheets that fit no table and no
    layout."""
    refused = {file["path"] for file in checked.files if file["is_refused"] and file["is_explainable"]}
    # A path is that of a file itself, or of a sheet or file inside it.
    paths = [f"{path}#" for path in refused | {path for path, _ in checked.skipped}]
    return [
        file.shown
        for file in files
        if any(path.startswith((f"{file.shown}#", f"{file.shown}/")) for path in paths)
    ]


def _namesakes(files: list[Waiting]) -> dict[int, list[int]]:
    """Newest file of each name that came more than once -> the older ones."""
    by_name: dict[str, list[int]] = {}
    for waiting in files:
        by_name.setdefault(waiting.given, []).append(waiting.number)
    return {numbers[-1]: numbers[:-1] for numbers in by_name.values() if len(numbers) > 1}


@pages.post("/files/add")
def add() -> AnyResponse:
    """A form with files, read in pieces; they are looked at then. The script sends a form for each file, asks for
    JSON, and asks for the look itself when all have come."""
    desk = the_desk()
    if not room_for(request.content_length or 0, desk.workplace.files):
        raise NoRoom

    def allow(name: str, value: str) -> None:
        if name != KEY_FIELD or not desk.access.has_key(value):
            abort(403, "This page is out of date. Go back, load it again, and try once more.")

    taken = multipart.receive(request.headers.get("Content-Type", ""), request.stream, allow, desk.basket.add)
    if "application/json" in request.headers.get("Accept", ""):
        return jsonify(taken=taken)
    desk.look()
    return _home()


#: What the buttons of the page do, each with its address; the page is shown again after it.
BUTTONS: Mapping[str, tuple[str, Callable[[Desk], object]]] = {
    "look": ("check", Desk.look),
    # Of the waiting files only those that the page showed: what came since has to be looked at first.
    "load": ("load", lambda desk: desk.load(up_to=_whole("up_to"))),
    "remove": ("remove", lambda desk: desk.take_out([_whole("number")])),
    "newer": ("newer", lambda desk: desk.take_out(_namesakes(desk.waiting()).get(_whole("number"), []))),
    "clear": ("clear", lambda desk: desk.take_out(file.number for file in desk.waiting())),
    "put_away": ("put-away", lambda desk: shutil.rmtree(desk.workplace.loaded, ignore_errors=True)),
}


def _press(act: Callable[[Desk], object]) -> AnyResponse:
    act(the_desk())
    return _home()


for _name, (_address, _act) in BUTTONS.items():
    pages.add_url_rule(f"/files/{_address}", _name, partial(_press, _act), methods=["POST"])


@pages.get("/files/<any(checked, loaded):which>/findings")
def findings(which: str) -> str:
    """One leaf of the findings, as many as pass the sieve."""
    book = _book(which)
    sieve = _sieve(book)
    count = book.count(sieve)
    turned = leaf_of(count)
    return render_template(
        "findings.html", which=which, book=book, sieve=sieve, count=count, **turned,
        found=book.leaf(sieve, turned["leaf"] - 1), numbers={file["path"]: file["number"] for file in book.files},
        unlisted=UNLISTED,
    )  # fmt: skip


@pages.post("/files/<any(checked, loaded):which>/label")
def label(which: str) -> AnyResponse:
    """Read a label that nobody has listed as one that is, from now on; the waiting files are looked at again."""
    rule, other = request.form.get("rule", ""), request.form.get("other", "")
    label = "".join(filter(str.isprintable, request.form.get("label", ""))).strip()[:60]
    if rule not in UNLISTED or other not in _book(which).values(Sieve(rule=rule)):
        abort(404)
    if label in {"", other}:
        raise UsageError(f"which listed {UNLISTED[rule]} {other} is has to be said; write its label")
    the_desk().join(SameLabel(UNLISTED[rule], label, (other,)))
    return _home()


@pages.get("/files/<any(checked, loaded):which>/findings.csv")
def findings_csv(which: str) -> Response:
    """The findings that pass the sieve, as a table to keep."""
    book = _book(which)
    response = Response(book.as_csv(_sieve(book)), mimetype="text/csv")
    response.headers["Content-Disposition"] = 'attachment; filename="findings.csv"'
    return response


@pages.get("/files/<any(checked, loaded):which>/changes.csv")
def changes_csv(which: str) -> Response:
    """Every changed cell of rows already there, as a table to keep."""
    return send_file(_book(which).changes_file, mimetype="text/csv", as_attachment=True)


@pages.get("/files/<any(checked, loaded):which>/mend/<int:number>")
def mend(which: str, number: int) -> Response:
    """The rejected rows of one file with their problems, to be mended and handed over again."""
    book = _book(which)
    path = book.mend_file(number)
    if path is None or not path.is_file():
        abort(404)
    name = mend_name(book.files[number]["path"]).replace(".csv", "_to_mend.csv")
    return send_file(path, mimetype="text/csv", as_attachment=True, download_name=name)


def _book(which: str) -> Book:
    book = the_desk().found() if which == "checked" else the_desk().loaded()
    if book is None:
        abort(404)
    return book


def _sieve(book: Book) -> Sieve:
    file = request.args.get("file", type=int)
    rule, level = request.args.get("rule"), request.args.get("level")
    return Sieve(
        file if file is not None and 0 <= file < len(book.files) else None,
        rule if rule in book.rules else None,
        level if level in {"error", "warning"} else None,
    )


def _whole(field: str) -> int:
    value = request.form.get(field, type=int)
    if value is None:
        abort(400, "The form lacks a number.")
    return value


def _home() -> AnyResponse:
    return redirect(url_for("files.show"), 303)
