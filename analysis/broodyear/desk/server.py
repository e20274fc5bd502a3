"""The server: on the loopback address only. Waitress reads and writes; a slow connection holds up nobody."""

from __future__ import annotations

import errno
import http
import logging
import signal
import socket
import tempfile
import threading
import webbrowser
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from waitress import create_server, wasyncore
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import TcpWSGIServer
from waitress.utilities import BadRequest

from broodyear.desk.access import LONGEST_FORM_BYTES, Access
from broodyear.desk.app import create_app
from broodyear.desk.basket import LARGEST_FILE_BYTES, room_for
from broodyear.desk.state import Desk
from broodyear.desk.workplace import AlreadyOpen, Workplace, held
from broodyear.errors import UsageError

HOST = "127.0.0.1"
#: Requests answered at the same time; a browser opens about six connections.
THREADS = 8
#: Connections held open at the same time, however slow they are.
MOST_CONNECTIONS = 2_000
#: Seconds a connection may be silent.
SILENCE_SECONDS = 60
#: Bytes of a file taken at a time.
PIECE = 1 << 18
#: The page that says the desk is closed still has to arrive.
LAST_ANSWER_SECONDS = 0.5
#: How soon the server notices that it is to end.
GLANCE_SECONDS = 0.5


def serve(
    store: Path,
    *,
    settings: Path | None = None,
    layouts: Path | None = None,
    port: int = 0,
    open_browser: bool = True,
    opened: Callable[[str], None] = lambda address: None,
) -> None:
    """Serve the desk for ``store`` until it is closed. port: 0 takes any that is free.

    opened: called with the address that lets one browser in, once. Raises UsageError when the port is taken,
    StoreUnavailable when another desk is open for the store; a browser is then led to that one.
    """
    if not store.parent.is_dir():
        raise UsageError(f"there is no folder {store.parent} for the store; make it, or name another with --store")
    workplace = Workplace(store.resolve())
    show = webbrowser.open if open_browser else lambda address: None
    with _listening(port) as listener:
        access = Access(HOST, listener.getsockname()[1])
        try:
            with held(workplace) as tell_entry, closing(Desk(workplace.store, settings, access, layouts)) as desk:
                access.on_new_entry = tell_entry
                tell_entry(access.entry_address)
                _serve(desk, listener, (opened, show))
        except AlreadyOpen as error:
            show(error.address)
            raise


def _serve(desk: Desk, listener: socket.socket, tell: Iterable[Callable[[str], object]]) -> None:
    ending = threading.Event()
    desk.on_close = lambda: threading.Timer(LAST_ANSWER_SECONDS, ending.set).start()
    # Long bodies wait on the disk beside the store, never in a temporary folder that lies in memory.
    tempfile.tempdir = str(desk.workplace.work)
    with _stopped_by_signals(ending):
        for hear in tell:
            hear(desk.access.entry_address)
        _serve_until(ending, desk, listener)


def _serve_until(ending: threading.Event, desk: Desk, listener: socket.socket) -> None:
    # The command says where the desk is; connections that break off are nothing to tell.
    logging.getLogger("waitress").setLevel(logging.CRITICAL)
    connections: dict[int, wasyncore.dispatcher] = {}
    server = create_server(
        create_app(desk), map=connections, sockets=[listener], ident="broodyear", threads=THREADS,
        connection_limit=MOST_CONNECTIONS, channel_timeout=SILENCE_SECONDS, cleanup_interval=SILENCE_SECONDS // 4,
        recv_bytes=PIECE, max_request_body_size=LARGEST_FILE_BYTES + LONGEST_FORM_BYTES,
        clear_untrusted_proxy_headers=True,
    )  # fmt: skip
    assert isinstance(server, TcpWSGIServer)
    server.channel_class = _channel_class(desk)
    try:
        while not ending.is_set():
            wasyncore.loop(GLANCE_SECONDS, use_poll=True, map=connections, count=1)
    finally:
        server.task_dispatcher.shutdown()
        wasyncore.close_all(connections, ignore_all=True)


def _channel_class(desk: Desk) -> type[HTTPChannel]:
    """Connections that take a long body only from the browser that was let in, and only when it finds room."""

    class Parser(HTTPRequestParser):  # type: ignore[misc]
        def parse_header(self, header_plus: bytes) -> None:
            super().parse_header(header_plus)
            if not self.chunked and self.content_length <= LONGEST_FORM_BYTES:
                return
            if self.chunked or not desk.access.knows(self.headers.get("COOKIE", "")):
                self._refuse(403, "Nothing was taken.")
            # It lies there twice for a moment: as it came, and as a file of its own.
            elif not room_for(2 * self.content_length, desk.workplace.files):
                self._refuse(507, "The disk of this computer has no room for this. Nothing was taken.")

        def _refuse(self, code: int, text: str) -> None:
            self.error, self.completed = BadRequest(text), True
            self.error.code, self.error.reason = code, http.HTTPStatus(code).phrase

    class Channel(HTTPChannel):  # type: ignore[misc]
        parser_class = Parser

    return Channel


def _listening(port: int) -> socket.socket:
    """A socket that only this computer reaches."""
    try:
        return socket.create_server((HOST, port))
    except (OSError, OverflowError) as error:
        if getattr(error, "errno", None) == errno.EADDRINUSE:
            raise UsageError(f"port {port} is taken by another program; name another with --port") from None
        raise UsageError(f"port {port} cannot be used here; name another with --port") from None


@contextmanager
def _stopped_by_signals(ending: threading.Event) -> Iterator[None]:
    """Ctrl-C and a polite request to end close the desk as its own button does."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    numbers = (signal.SIGINT, signal.SIGTERM)
    before = {number: signal.signal(number, lambda *_: ending.set()) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
