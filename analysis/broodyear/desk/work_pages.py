"""What the desk is doing, stopping it, the demonstration, and closing the desk."""

from __future__ import annotations

from flask import Blueprint, Response, abort, jsonify, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from broodyear.desk.state import DEMO, the_desk
from broodyear.desk.wording import duration, sentence

pages = Blueprint("work", __name__)
#: Pages from which work is stopped.
PLACES = {"files.show", "store.show", "reports.show", "planning.show"}


@pages.get("/work.json")
def state() -> Response:
    """What runs and waits, for the script that shows progress."""
    jobs = [
        {
            "number": job.number,
            "kind": job.kind,
            "title": job.title,
            "state": job.state,
            "share": round(job.done / job.total, 3) if job.total else None,
            "said": f"{sentence(job.what or job.title)} {duration(job.seconds)} so far.",
        }
        for job in the_desk().runner.pending()
    ]
    return jsonify(jobs)


@pages.post("/stop-work")
def stop() -> AnyResponse:
    """Stop one piece of work."""
    number = request.form.get("number", type=int)
    if number is None:
        abort(400, "The form lacks a number.")
    the_desk().runner.stop(number)
    the_desk().runner.wait_over(number, 5)
    back = request.form.get("back", "files.show")
    return redirect(url_for(back if back in PLACES else "files.show"), 303)


@pages.post("/demo/make")
def make_demo() -> AnyResponse:
    """Make the demonstration and look at it."""
    desk = the_desk()
    if desk.is_demo:
        abort(409, "You are looking at the demo already.")
    desk.submit("demo", "making the invented programme", **DEMO)
    return redirect(url_for("files.show"), 303)


@pages.post("/demo/enter")
def enter_demo() -> AnyResponse:
    """Look at the demonstration that was made before."""
    desk = the_desk()
    if not desk.own.demo.store.exists():
        abort(404)
    desk.go_to(desk.own.demo)
    return redirect(url_for("reports.show"), 303)


@pages.post("/demo/leave")
def leave_demo() -> AnyResponse:
    """Look at the person's own store again."""
    the_desk().go_to(the_desk().own)
    return redirect(url_for("files.show"), 303)


@pages.post("/close")
def close() -> str:
    """End the desk, a moment after this answer."""
    the_desk().on_close()
    return render_template(
        "outside.html",
        title="The desk is closed",
        text="You can close this window. Everything that was loaded is kept.",
    )
