"""Who may come in: this computer only, the window that was opened only, and no other site through it.

Every page lies under a path that nobody can guess, and the cookie is bound to that path: a browser sends it to no
other program that listens on this computer, since cookies know hosts and paths, but not ports.
"""

from __future__ import annotations

import hmac
import secrets
import threading
from collections.abc import Callable

from flask import Flask, Response, abort, g, redirect, request
from werkzeug.exceptions import HTTPException
from werkzeug.http import parse_cookie
from werkzeug.middleware.dispatcher import DispatcherMiddleware
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

#: What keeps a page to itself.
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # "no-referrer" would hide the origin of our own forms as well.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class Access:
    """The keys of one desk. address: host and port as opened in the browser; home: the path of all its pages."""

    def __init__(self, host: str, port: int) -> None:
        self.hosts = {f"{host}:{port}", f"localhost:{port}"}
        self.address = f"http://{host}:{port}"
        self.home = f"/{secrets.token_urlsafe(24)}"
        self.cookie = f"broodyear_desk_{port}"
        self._entry = secrets.token_urlsafe(32)
        self._entering = threading.Lock()
        #: Called with each new entry address.
        self.on_new_entry: Callable[[str], object] = lambda address: None
        self._session = secrets.token_urlsafe(32)
        #: Goes with every change; another site cannot know it.
        self.key = secrets.token_urlsafe(32)

    @property
    def entry_address(self) -> str:
        """The address to open: it lets one browser in, once."""
        return f"{self.address}/enter?token={self._entry}"

    def enter(self, token: str) -> str | None:
        """The session's cookie for the right token, the first time it is shown; the next entry has another."""
        with self._entering:
            if not _same(token, self._entry):
                return None
            self._entry = secrets.token_urlsafe(32)
            self.on_new_entry(self.entry_address)
        return self._session

    def knows(self, cookies: str) -> bool:
        """Whether a request with this Cookie header comes from the browser that was let in."""
        return _same(parse_cookie(cookies).get(self.cookie, ""), self._session)

    def has_key(self, given: str) -> bool:
        """Whether a change was asked for by a page of this desk."""
        return _same(given, self.key)


def _same(given: str, known: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), known.encode())


def is_let_in() -> bool:
    """Whether the request that is being answered passed every check: only then a page may say anything."""
    return bool(g.get("is_let_in"))


def protect(app: Flask, access: Access) -> None:
    """Put the checks before every page of ``app``, and the path and headers that keep its pages to themselves."""
    # Asked for elsewhere, the application sees a request without a home.
    app.wsgi_app = DispatcherMiddleware(app.wsgi_app, {access.home: app.wsgi_app})  # type: ignore[method-assign]

    @app.before_request
    def check() -> None:
        _check_host(access)
        _check_origin(access)
        if request.endpoint == "enter":
            return
        if request.root_path != access.home or not access.knows(request.headers.get("Cookie", "")):
            abort(
                403, "This page belongs to a desk that another window opened. Close that desk, and open it again."
            )
        if request.method not in SAFE_METHODS:
            _check_form(access)
        g.is_let_in = True

    @app.after_request
    def seal(response: Response) -> Response:
        response.headers.setdefault("Content-Security-Policy", POLICY)
        response.headers.update(HEADERS)
        return response

    @app.get("/enter")
    def enter() -> AnyResponse:
        session = access.enter(request.args.get("token", ""))
        if session is None:
            abort(403, "This address was used before, and works only once. Open the desk again as you did first.")
        response = redirect(f"{access.home}/", 303)
        response.set_cookie(
            access.cookie, session, max_age=COOKIE_HOURS * 3600, httponly=True, samesite="Strict", path=access.home
        )
        return response


def _check_host(access: Access) -> None:
    if request.headers.get("Host", "") not in access.hosts:
        raise Misdirected


def _check_origin(access: Access) -> None:
    """No other site, nor another port of this computer, gets an answer or changes anything."""
    if request.headers.get("Sec-Fetch-Site", "none") not in {"same-origin", "none"}:
        abort(403, "Another site asked for this page; it gets nothing from the desk.")
    is_change = request.method not in SAFE_METHODS
    if is_change and request.method != "POST":
        abort(405)
    origin = request.headers.get("Origin")
    if origin not in {f"http://{host}" for host in access.hosts} and (is_change or origin is not None):
        abort(403, "Another site asked for this; it gets nothing, and nothing was changed.")


def _check_form(access: Access) -> None:
    """The key of the page, in the form or in a header; forms with files show it while they are read."""
    if request.endpoint == "files.add":
        return
    if KEY_HEADER in request.headers:
        given = request.headers[KEY_HEADER]
    else:
        if (request.content_length or 0) > LONGEST_FORM_BYTES:
            abort(413, "This form is longer than any of the desk's.")
        given = request.form.get(KEY_FIELD, "")
    if not access.has_key(given):
        abort(403, "This page is out of date. Go back, load it again, and try once more.")


class Misdirected(HTTPException):
    """A request for another host that ended up here."""

    code = 421
    description = "This desk answers only under its own address on this computer."
