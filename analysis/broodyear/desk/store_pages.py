"""The pages of the store: seasons, tanks and their records as a picture, uploads and taking one back."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from flask import Blueprint, abort, redirect, render_template, request, send_file, url_for
from werkzeug.wrappers import Response

from broodyear.desk.findings_book import LEAF
from broodyear.desk.picture import KINDS, LEGEND, Picture, drawing, read_listed, with_levels
from broodyear.desk.state import the_desk
from broodyear.errors import UsageError
from broodyear.settings import Acknowledged, SameLabel

pages = Blueprint("store", __name__)
#: Labels with their cases on one leaf.
CASES_LEAF = 25


@pages.get("/store")
def show() -> str:
    """What is kept: seasons, tables, the latest uploads."""
    desk = the_desk()
    picture = desk.picture()
    counts = desk.runner.latest("count")
    return _counted(
        "store.html", picture, kinds=KINDS, last=desk.runner.latest("withdraw", "load"),
        failed=counts if counts and counts.state == "failed" else None,
        latest=picture.uploads[:10] if picture else [],
    )  # fmt: skip


@pages.get("/store/season/<int:season>")
def season(season: int) -> str:
    """The tanks of one season, and which records each has."""
    picture = _picture()
    line = picture.season(season)
    if line is None:
        abort(404)
    tanks = [with_levels(row) for row in read_listed(the_desk().workplace, f"season_{season}")]
    chosen, wanted = _wanted(tanks)
    return _counted(
        "season.html", picture, **_leaf("tanks", chosen), line=line, count=len(chosen), kinds=KINDS,
        wanted=wanted, legend=LEGEND, drawing=drawing(chosen),
        regions=sorted({tank["region"] for tank in tanks if tank["region"]}),
    )  # fmt: skip


def _wanted(tanks: list[dict[str, Any]]) -> tuple[list[dict[str, Any]], dict[str, str]]:
    """The tanks asked for by region, by a piece of their label, or by a kind of record they lack."""
    wanted = {name: request.args.get(name, "")[:80].strip() for name in ("region", "with", "lacks")}
    lacks = wanted["lacks"] if wanted["lacks"] in {kind.name for kind in KINDS} else None
    piece = wanted["with"].casefold()
    chosen = [
        tank
        for tank in tanks
        if (not wanted["region"] or tank["region"] == wanted["region"])
        and piece in f"{tank['tank_id']}\n{tank['site_id']}".casefold()
        and (lacks is None or tank["levels"][lacks] == "none")
    ]
    return chosen, wanted


@pages.get("/store/uploads")
def uploads() -> str:
    """Every upload, newest first."""
    picture = _picture()
    piece = request.args.get("with", "")[:80].strip()
    found = [
        upload
        for upload in picture.uploads
        if piece.casefold() in f"{upload['path']}\n{upload['table']}".casefold()
    ]
    return _counted("uploads.html", picture, **_leaf("uploads", found), count=len(found), piece=piece)


@pages.get("/store/upload/<int:number>")
def upload(number: int) -> str:
    """One upload, and what taking it back would do."""
    picture = _picture()
    found = picture.upload(number)
    if found is None:
        abort(404)
    return _counted("upload.html", picture, upload=found, state=".".join(map(str, picture.state)))


@pages.get("/store/open")
def still_open() -> str:
    """Rejected rows still to be mended, and suspicions nobody has looked into."""
    desk, picture = the_desk(), _picture()
    rows, odd = read_listed(desk.workplace, "open_rows"), desk.suspicions()
    return _counted(
        "open.html", picture, **_leaf("shown", rows), rows=rows, copies=[copy.name for copy in _copies()],
        suspicions=len(odd), kinds=_kinds(odd), last=desk.runner.latest("dismiss"),
        joined=desk.joined(), layouts=desk.layouts_file,
    )  # fmt: skip


def _kinds(suspicions: list[dict[str, Any]]) -> list[tuple[str, int, int]]:
    """Each rule with its cases and the labels they stand under, the most frequent first."""
    labels: dict[str, list[str]] = {}
    for one in suspicions:
        labels.setdefault(one["rule"], []).append(one["tank_id"])
    return sorted(((rule, len(of), len(set(of))) for rule, of in labels.items()), key=lambda kind: -kind[1])


@pages.get("/store/open/strange/<rule>")
def strange(rule: str) -> str:
    """The open suspicions of one kind, label by label: a reason closes all cases of a label."""
    desk, picture = the_desk(), _picture()
    cases: dict[str, list[dict[str, Any]]] = {}
    for one in desk.suspicions():
        if one["rule"] == rule:
            cases.setdefault(one["tank_id"], []).append(one)
    return _counted(
        "strange.html", picture, **_leaf("shown", list(cases.items()), CASES_LEAF), rule=rule, labels=len(cases),
        count=sum(map(len, cases.values())), file=desk.settings_file,
    )  # fmt: skip


def _copies() -> list[Path]:
    """The files of rows to mend, one for each upload that has any."""
    return sorted((the_desk().workplace.picture / "to_mend").glob("*.csv"))


@pages.get("/store/open/<int:number>.csv")
def copy(number: int) -> Response:
    """The rows of one upload still to be mended, with what is wrong with them."""
    copies = _copies()
    if number >= len(copies):
        abort(404)
    return send_file(copies[number], mimetype="text/csv", as_attachment=True, download_name=copies[number].name)


@pages.post("/store/dismiss")
def dismiss() -> Response:
    """Put a rejected row off the list, with a reason."""
    row, reason = request.form.get("row", ""), _reason()
    known = {f"{one['path']}#{one['line']}" for one in read_listed(the_desk().workplace, "open_rows")}
    if row not in known:
        abort(404)
    the_desk().submit("dismiss", f"putting {row} off the list", row=row, reason=reason)
    return redirect(url_for("store.still_open"), 303)


@pages.post("/store/acknowledge")
def acknowledge() -> Response:
    """Keep that somebody looked into a suspicion, and why all is well."""
    entry = Acknowledged(request.form.get("rule", ""), request.form.get("tank_id", ""), _reason())
    known = {(one["rule"], one["tank_id"]) for one in the_desk().suspicions()}
    if (entry.rule, entry.tank_id) not in known:
        abort(404)
    the_desk().acknowledge(entry)
    return redirect(url_for("store.strange", rule=entry.rule), 303)


@pages.post("/store/join")
def join() -> Response:
    """Read the two labels of a suspicion as one from now on."""
    wanted = request.form.get("rule", ""), request.form.get("tank_id", "")
    listed = the_desk().suspicions()
    same = next((one["same"] for one in listed if (one["rule"], one["tank_id"]) == wanted and one["same"]), None)
    if same is None:
        abort(404)
    the_desk().join(SameLabel(same["kind"], same["label"], tuple(same["also"])))
    return redirect(url_for("store.strange", rule=wanted[0]), 303)


@pages.post("/store/part")
def part() -> Response:
    """Read labels that were joined apart again."""
    wanted = request.form.get("kind", ""), request.form.get("label", ""), tuple(request.form.getlist("also"))
    entry = next((one for one in the_desk().joined() if (one.kind, one.label, one.also) == wanted), None)
    if entry is None:
        abort(404)
    the_desk().part(entry)
    return redirect(url_for("store.still_open"), 303)


def _reason() -> str:
    reason = "".join(filter(str.isprintable, request.form.get("reason", ""))).strip()[:200]
    if not reason:
        raise UsageError("a reason is needed; it is kept for whoever asks later")
    return reason


@pages.post("/store/withdraw")
def withdraw() -> Response:
    """Take one upload back, as long as the store is still as it was shown."""
    desk = the_desk()
    number = request.form.get("upload", type=int)
    picture = _picture()
    found = picture.upload(number) if number is not None else None
    if found is None:
        abort(404)
    state = request.form.get("state", "")
    if state != ".".join(map(str, desk.reading())) or state != ".".join(map(str, picture.state)):
        abort(
            409, "The store has changed since this was shown, so nothing was taken back. Look again, then decide."
        )
    desk.submit("withdraw", f"taking back upload {number} ({found['path']})", upload=number)
    return redirect(url_for("store.show"), 303)


def _picture() -> Picture:
    picture = the_desk().picture()
    if picture is None:
        abort(404)
    return picture


def _counted(template: str, picture: Picture | None, **more: Any) -> str:
    """A page about what was counted, which says whether that is still true."""
    return render_template(template, picture=picture, is_true=the_desk().picture_is_true(picture), **more)


def _leaf(name: str, rows: Sequence[Any], long: int = LEAF) -> dict[str, Any]:
    """The rows of the leaf asked for, under ``name``, and which leaf of how many it is."""
    turned = leaf_of(len(rows), long)
    return {name: rows[(turned["leaf"] - 1) * long : turned["leaf"] * long], **turned}


def leaf_of(count: int, long: int = LEAF) -> dict[str, int]:
    """Which leaf of how many is asked for, where a table of ``count`` rows has leaves of ``long`` rows."""
    leaves = max((count - 1) // long + 1, 1)
    return {"leaf": min(max(request.args.get("leaf", 1, type=int), 1), leaves), "leaves": leaves}
