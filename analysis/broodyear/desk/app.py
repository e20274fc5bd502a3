"""The web application: its parts put together."""

from __future__ import annotations

from typing import Any

from flask import Flask, Response, current_app, make_response, render_template, request, url_for
from jinja2 import StrictUndefined
from werkzeug.exceptions import HTTPException

from broodyear.desk import (
    access,
    files_pages,
    mapping_pages,
    planning_pages,
    reports_pages,
    store_pages,
    wording,
    words_pages,
    work_pages,
)
from broodyear.desk.basket import LARGEST_FILE_BYTES
from broodyear.desk.jobs import Busy
from broodyear.desk.state import Desk, the_desk
from broodyear.errors import BroodyearError
from broodyear.failures import in_words
from broodyear.places import PACKAGE


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
    parts = (files_pages, mapping_pages, store_pages, reports_pages, planning_pages, words_pages, work_pages)
    for pages in parts:
        app.register_blueprint(pages.pages)

    @app.context_processor
    def shared() -> dict[str, Any]:
        return {"desk": desk, "key": desk.access.key, "pending": desk.runner.pending(), "here": request.blueprint}

    app.jinja_env.tests["match_end"] = str.endswith
    app.jinja_env.globals["same_page"] = _same_page

    @app.get("/look.css")
    def look() -> Response:
        """The style of the reports, which the desk shares."""
        return Response(
            (PACKAGE / "reports" / "templates" / "page.css").read_text(encoding="utf-8"), mimetype="text/css"
        )

    app.register_error_handler(Busy, _busy)
    app.register_error_handler(BroodyearError, _refused)
    app.register_error_handler(HTTPException, _http_error)
    app.register_error_handler(Exception, _unexpected)
    return app


def _same_page(leaf: int) -> str:
    """The address of another leaf of the page that is asked for."""
    assert request.endpoint is not None
    words = {**request.args.to_dict(), "leaf": str(leaf), **(request.view_args or {})}
    return url_for(request.endpoint, **words)


def _busy(error: Exception) -> Response:
    return _message(409, "The desk is busy", str(error))


def _refused(error: Exception) -> Response:
    return _message(400, "That did not work", wording.sentence(str(error)))


def _http_error(error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    titles = {404: "There is no such page", 403: "Not for this window", 413: "Too large", 421: "Wrong address"}
    said = {404: "Choose one of the pages above."}
    code = error.code or 500
    return _message(code, titles.get(code, "That did not work"), said.get(code, error.description or ""))


def _unexpected(error: Exception) -> Response:
    told = in_words(error, the_desk().place.store)
    if told is not None:
        return _refused(told)
    current_app.logger.error("unexpected failure", exc_info=error)
    return _message(
        500, "The desk made a mistake", "This is a fault of the program, not yours. Nothing was changed."
    )


def _message(code: int, title: str, text: str) -> Response:
    """An answer that is no page: plain to a script, and to whoever was not let in; else a page of the desk."""
    if "application/json" in request.headers.get("Accept", ""):
        response = make_response({"error": text})
    elif not access.is_let_in() or code in {403, 421}:
        response = make_response(render_template("outside.html", title=title, text=text))
    else:
        response = make_response(render_template("message.html", title=title, text=text))
    response.status_code = code
    return response
