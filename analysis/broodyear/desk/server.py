"""The server: on the loopback address only, a limited number of threads, patience with nobody for ever."""

from __future__ import annotations

import logging
import signal
import socket
import threading
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from werkzeug.serving import ThreadedWSGIServer, WSGIRequestHandler

from broodyear.desk.app import create_app
from broodyear.desk.doors import Doors
from broodyear.desk.state import Desk
from broodyear.desk.workplace import Workplace, held
from broodyear.errors import UsageError

HOST = "127.0.0.1"
#: Requests answered at the same time; a browser opens about six connections.
MOST_AT_ONCE = 24
#: Seconds a connection may be silent.
SILENCE_SECONDS = 30
#: The page that says the desk is closed still has to arrive.
LAST_ANSWER_SECONDS = 0.5


class _Handler(WSGIRequestHandler):
    timeout = SILENCE_SECONDS

    def log(self, type: str, message: str, *args: Any) -> None:
        """Say nothing: names of files stand in the addresses."""

    def version_string(self) -> str:
        """What the server tells of itself."""
        return "broodyear"


def _nobody_home(environ: Any, start_response: Any) -> list[bytes]:
    """Stands in until the application knows the port."""
    start_response("503 Service Unavailable", [])
    return []


class _Server(ThreadedWSGIServer):
    """Werkzeug's threaded server with a limit on its threads."""

    def __init__(self, port: int) -> None:
        self._free = threading.BoundedSemaphore(MOST_AT_ONCE)
        super().__init__(HOST, port, _nobody_home, handler=_Handler)

    def process_request(self, request: Any, client_address: Any) -> None:
        """Answer in a thread of its own, when one is free within a moment; else close the connection."""
        if not self._free.acquire(timeout=5):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """Give the place back when the answer is written."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._free.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A browser that went away is no failure."""


def serve(
    store: Path,
    *,
    settings: Path | None = None,
    port: int = 0,
    open_browser: bool = True,
    opened: Callable[[str], None] = lambda address: None,
) -> None:
    """Serve the desk for ``store`` until it is closed. port: 0 takes any that is free.

    opened: called with the address that lets one browser in, once. Raises UsageError when the port is taken,
    StoreUnavailable when another desk is open for the store.
    """
    place = _resolved(store)
    with _server(port) as server:
        doors = Doors(HOST, server.port)
        with held(Workplace(place), doors.address), _desk(place, settings, doors) as desk:
            server.app = create_app(desk)
            desk.on_close = lambda: threading.Timer(LAST_ANSWER_SECONDS, server.shutdown).start()
            with _stopped_by_signals(server):
                opened(doors.entry_address)
                if open_browser:
                    webbrowser.open(doors.entry_address)
                server.serve_forever()


def _resolved(store: Path) -> Path:
    if not store.parent.is_dir():
        raise UsageError(f"there is no folder {store.parent} for the store; make it, or name another with --store")
    return store.resolve()


@contextmanager
def _desk(store: Path, settings: Path | None, doors: Doors) -> Iterator[Desk]:
    desk = Desk(store, settings, doors)
    try:
        yield desk
    finally:
        desk.close()


@contextmanager
def _server(port: int) -> Iterator[_Server]:
    # The server says where it listens on its own log; the command says it better.
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    with socket.socket() as trial:
        if port and trial.connect_ex((HOST, port)) == 0:
            raise UsageError(f"port {port} is taken by another program; name another with --port")
    try:
        server = _Server(port)
    except (OSError, OverflowError, SystemExit):
        raise UsageError(f"port {port} cannot be used here; name another with --port") from None
    try:
        yield server
    finally:
        server.server_close()


@contextmanager
def _stopped_by_signals(server: _Server) -> Iterator[None]:
    """Ctrl-C and a polite request to end close the desk as its own button does."""

    def stop(number: int, frame: object) -> None:
        threading.Thread(target=server.shutdown, daemon=True).start()

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
