"""Who may come in: this computer only, the window that was opened only, and no other site through it."""

from __future__ import annotations

import hmac
import secrets

from flask import Flask, Request, Response, abort, redirect, request
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response as AnyResponse

#: Hours for which the window stays open to the browser that opened it.
COOKIE_HOURS = 12
#: A form without files is never longer than this.
LONGEST_FORM_BYTES = 64 * 1024
KEY_FIELD = "desk_key"
KEY_HEADER = "X-Desk-Key"
SAFE_METHODS = {"GET", "HEAD"}

POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


class Doors:
    """The keys of one desk. address: as opened in the browser, with its port."""

    def __init__(self, host: str, port: int) -> None:
        self.hosts = {f"{host}:{port}", f"localhost:{port}"}
        self.address = f"http://{host}:{port}"
        self.cookie = f"broodyear_desk_{port}"
        self._entry: str | None = secrets.token_urlsafe(32)
        self._session = secrets.token_urlsafe(32)
        #: Goes with every change; another site cannot know it.
        self.key = secrets.token_urlsafe(32)

    @property
    def entry_address(self) -> str:
        """The address to open: it lets one browser in, once."""
        return f"{self.address}/enter?token={self._entry}"

    def enter(self, token: str) -> str | None:
        """The session's cookie for the right token, the first time it is shown."""
        if self._entry is None or not _same(token, self._entry):
            return None
        self._entry = None
        return self._session

    def knows(self, asked: Request) -> bool:
        """Whether the request comes from the browser that was let in."""
        return _same(asked.cookies.get(self.cookie, ""), self._session)

    def has_key(self, given: str) -> bool:
        """Whether a change was asked for by a page of this desk."""
        return _same(given, self.key)


def _same(given: str, known: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), known.encode())


def hang(app: Flask, doors: Doors) -> None:
    """Put the doors before every page of ``app``."""

    @app.before_request
    def guard() -> None:
        _check_host(doors)
        _check_origin(doors)
        if request.endpoint == "enter":
            return
        if not doors.knows(request):
            abort(403, "This page belongs to a desk that another window opened. Start `broodyear desk` again.")
        if request.method not in SAFE_METHODS:
            _check_form(doors)

    @app.after_request
    def seal(response: Response) -> Response:
        return sealed(response)

    @app.get("/enter")
    def enter() -> AnyResponse:
        session = doors.enter(request.args.get("token", ""))
        if session is None:
            if doors.knows(request):
                return redirect("/", 303)
            abort(403, "This address was used before, and works only once. Start `broodyear desk` again.")
        response = redirect("/", 303)
        response.set_cookie(
            doors.cookie, session, max_age=COOKIE_HOURS * 3600, httponly=True, samesite="Strict", path="/"
        )
        return response


def _check_host(doors: Doors) -> None:
    if request.headers.get("Host", "") not in doors.hosts:
        raise Misdirected


def _check_origin(doors: Doors) -> None:
    """No other site, nor another port of this computer, gets an answer or changes anything."""
    if request.headers.get("Sec-Fetch-Site", "none") not in {"same-origin", "none"}:
        abort(403, "Another site asked for this page; it gets nothing from the desk.")
    if request.method in SAFE_METHODS:
        return
    if request.method not in {"POST", "PUT"}:
        abort(405)
    origin = request.headers.get("Origin")
    if origin not in {f"http://{host}" for host in doors.hosts}:
        abort(403, "Another site asked for a change; nothing was changed.")


def _check_form(doors: Doors) -> None:
    """The key of the page, in the form or in a header; forms with files show it while they are read."""
    if request.endpoint == "files.add":
        return
    if KEY_HEADER in request.headers:
        given = request.headers[KEY_HEADER]
    else:
        if (request.content_length or 0) > LONGEST_FORM_BYTES:
            abort(413, "This form is longer than any of the desk's.")
        given = request.form.get(KEY_FIELD, "")
    if not doors.has_key(given):
        abort(403, "This page is out of date. Go back, load it again, and try once more.")


class Misdirected(HTTPException):
    """A request for another host that ended up here."""

    code = 421
    description = "This desk answers only under its own address on this computer."


def sealed(response: Response) -> Response:
    """``response`` with the headers that keep a page to itself."""
    response.headers.setdefault("Content-Security-Policy", POLICY)
    response.headers["X-Content-Type-Options"] = "nosniff"
    response.headers["X-Frame-Options"] = "DENY"
    # "no-referrer" would hide the origin of our own forms as well.
    response.headers["Referrer-Policy"] = "same-origin"
    response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
    response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
    response.headers["Cache-Control"] = "no-store"
    return response
