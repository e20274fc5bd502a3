"""The web application: its parts put together; what it is doing, stopping that, the demonstration, and closing."""

from __future__ import annotations

from typing import Any

from flask import (
    Blueprint,
    Flask,
    Response,
    abort,
    current_app,
    jsonify,
    make_response,
    redirect,
    render_template,
    request,
    send_file,
    url_for,
)
from jinja2 import StrictUndefined
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response as AnyResponse

from broodyear.desk import (
    access,
    files_pages,
    mapping_pages,
    planning_pages,
    reports_pages,
    store_pages,
    wording,
    words_pages,
)
from broodyear.desk.basket import LARGEST_FILE_BYTES
from broodyear.desk.jobs import Busy
from broodyear.desk.state import DEMO, Desk, the_desk
from broodyear.endings import in_words
from broodyear.errors import BroodyearError
from broodyear.places import PACKAGE

work = Blueprint("work", __name__)
_TITLES = {404: "There is no such page", 403: "Not for this window", 413: "Too large", 421: "Wrong address"}


def create_app(desk: Desk) -> Flask:
    """The application over an open desk, behind its checks."""
    app = Flask("broodyear.desk")
    app.extensions["desk"] = desk
    app.config["MAX_CONTENT_LENGTH"] = LARGEST_FILE_BYTES + access.LONGEST_FORM_BYTES
    app.jinja_env.undefined = StrictUndefined
    app.jinja_env.autoescape = True
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.filters |= wording.FILTERS
    access.protect(app, desk.access)
    parts = (files_pages, mapping_pages, store_pages, reports_pages, planning_pages, words_pages)
    for pages in (*(part.pages for part in parts), work):
        app.register_blueprint(pages)

    @app.context_processor
    def shared() -> dict[str, Any]:
        return {"desk": desk, "key": desk.access.key, "pending": desk.runner.pending(), "here": request.blueprint}

    app.jinja_env.tests["match_end"] = str.endswith
    app.jinja_env.globals["same_page"] = _same_page

    @app.get("/look.css")
    def look() -> Response:
        """The style of the reports, which the desk shares."""
        return send_file(PACKAGE / "reports" / "templates" / "page.css", mimetype="text/css")

    app.register_error_handler(Exception, _failed)
    return app


def _same_page(leaf: int) -> str:
    """The address of another leaf of the page that is asked for."""
    assert request.endpoint is not None
    words = {**request.args.to_dict(), "leaf": str(leaf), **(request.view_args or {})}
    return url_for(request.endpoint, **words)


def _failed(error: Exception) -> Response:
    """What went wrong, as a page."""
    if isinstance(error, HTTPException):
        code = error.code or 500
        text = "Choose one of the pages above." if code == 404 else error.description or ""
        return _message(code, _TITLES.get(code, "That did not work"), text)
    if isinstance(error, Busy):
        return _message(409, "The desk is busy", str(error))
    known = error if isinstance(error, BroodyearError) else in_words(error, the_desk().workplace.store)
    if known is not None:
        return _message(400, "That did not work", wording.sentence(str(known)))
    current_app.logger.error("unexpected failure", exc_info=error)
    return _message(
        500, "The desk made a mistake", "This is a fault of the program, not yours. Nothing was changed."
    )


def _message(code: int, title: str, text: str) -> Response:
    """An answer that is no page: plain to a script, and to whoever was not let in; else a page of the desk."""
    if "application/json" in request.headers.get("Accept", ""):
        return make_response({"error": text}, code)
    is_inside = access.is_let_in() and code not in {403, 421}
    page = "message.html" if is_inside else "outside.html"
    return make_response(render_template(page, title=title, text=text), code)


#: Pages from which work is stopped.
PLACES = {"files.show", "store.show", "reports.show", "planning.show"}


@work.get("/work.json")
def state() -> Response:
    """What runs and waits, for the script that shows progress."""
    jobs = [
        {
            **{name: getattr(job, name) for name in ("number", "kind", "title", "state")},
            "share": round(job.done / job.total, 3) if job.total else None,
            "said": f"{wording.sentence(job.what or job.title)} {wording.duration(job.seconds)} so far.",
        }
        for job in the_desk().runner.pending()
    ]
    return jsonify(jobs)


@work.post("/stop-work")
def stop() -> AnyResponse:
    """Stop one piece of work."""
    number = request.form.get("number", type=int)
    if number is None:
        abort(400, "The form lacks a number.")
    the_desk().runner.stop(number)
    the_desk().runner.wait_over(number, 5)
    back = request.form.get("back", "files.show")
    return redirect(url_for(back if back in PLACES else "files.show"), 303)


@work.post("/demo/<any(make, enter, leave):what>")
def demo(what: str) -> AnyResponse:
    """Make the demonstration and look at it, look at the one made before, or at the person's own store again."""
    desk = the_desk()
    if what == "make" and desk.is_demo:
        abort(409, "You are looking at the demo already.")
    if what == "make":
        desk.submit("demo", "making the invented programme", **DEMO)
    elif what == "enter" and not desk.own.demo.store.exists():
        abort(404)
    else:
        desk.go_to(desk.own.demo if what == "enter" else desk.own)
    return redirect(url_for("reports.show" if what == "enter" else "files.show"), 303)


@work.post("/close")
def close() -> str:
    """End the desk, a moment after this answer."""
    the_desk().on_close()
    return render_template(
        "outside.html",
        title="The desk is closed",
        text="You can close this window. Everything that was loaded is kept.",
    )
