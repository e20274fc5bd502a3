"""A plain form with files, read as it comes: each file goes to the disk in pieces, none is held in memory.

The form is multipart/form-data as browsers send it (RFC 7578): parts between boundaries, line breaks CRLF. The
decoder of werkzeug 3.1 is not used: where a piece ends inside a line break it gives a file a byte too many.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import IO

from werkzeug.exceptions import BadRequest
from werkzeug.http import parse_options_header

PIECE = 1 << 16
#: A field that is no file holds a key of this many bytes at most, and the head of a part its name.
LONGEST_FIELD = 1_000
LONGEST_HEAD = 16_000
MOST_PARTS = 6_000
_CUT_OFF = "The form was cut off, or is no form."


def receive(
    content_type: str,
    stream: IO[bytes],
    allow: Callable[[str, str], None],
    take: Callable[[str, Iterator[bytes]], object],
) -> int:
    """Hand each file of a multipart body to ``take``, with its name and its pieces; returns how many there were.

    allow: called with name and value of each plain field, and may raise; no file is taken before it was called.
    Raises BadRequest for a body that is no such form.
    """
    kind, options = parse_options_header(content_type)
    boundary = options.get("boundary", "").encode("latin-1", "replace")
    if kind != "multipart/form-data" or not boundary:
        raise BadRequest("This form must be sent as multipart/form-data.")
    taken, allowed = 0, False
    for name, file_name, pieces in _parts(_Stream(stream), b"\r\n--" + boundary):
        if file_name is None:
            allow(name, _whole(pieces, LONGEST_FIELD).decode("utf-8", "replace"))
            allowed = True
        elif not allowed:
            raise BadRequest("The form lacks its key.")
        elif file_name:
            take(file_name, pieces)
            taken += 1
    return taken


def _parts(stream: _Stream, boundary: bytes) -> Iterator[tuple[str, str | None, Iterator[bytes]]]:
    """Name, file name (None for a plain field, empty for an empty file box) and content of each part."""
    _whole(stream.until(boundary), LONGEST_HEAD)
    for _ in range(MOST_PARTS):
        after = _whole(stream.until(b"\r\n"), LONGEST_HEAD)
        if after.rstrip(b" \t") == b"--":
            return
        if after.strip(b" \t"):
            raise BadRequest(_CUT_OFF)
        name, file_name = _names(_whole(stream.until(b"\r\n\r\n"), LONGEST_HEAD))
        pieces = stream.until(boundary)
        yield name, file_name, pieces
        for _ in pieces:
            pass  # what was not read of this part
    raise BadRequest("The form has too many parts.")


def _names(head: bytes) -> tuple[str, str | None]:
    for line in head.decode("utf-8", "replace").split("\r\n"):
        title, _, value = line.partition(":")
        if title.strip().lower() == "content-disposition":
            _, options = parse_options_header(value.strip())
            return options.get("name", ""), options.get("filename")
    raise BadRequest(_CUT_OFF)


def _whole(pieces: Iterator[bytes], limit: int) -> bytes:
    whole = b""
    for piece in pieces:
        whole += piece
        if len(whole) > limit:
            raise BadRequest("A field of the form is too long.")
    return whole


class _Stream:
    """The bytes of a body, of which little more than a piece is held at a time."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        # The first boundary begins the body: a line break is put before it, as before the others.
        self._held = bytearray(b"\r\n")

    def until(self, mark: bytes) -> Iterator[bytes]:
        """What comes before the next ``mark``, in pieces; the mark itself is passed over."""
        while (position := self._held.find(mark)) < 0:
            # The end of what is held may be the beginning of the mark.
            sure = len(self._held) - len(mark) + 1
            if sure > 0:
                yield self._take(sure)
            self._read()
        if position:
            yield self._take(position)
        del self._held[: len(mark)]

    def _take(self, size: int) -> bytes:
        taken = bytes(self._held[:size])
        del self._held[:size]
        return taken

    def _read(self) -> None:
        piece = self._stream.read(PIECE)
        if not piece:
            # The last boundary may lack its line break.
            if self._held.rstrip(b" \t") == b"--":
                self._held += b"\r\n"
                return
            raise BadRequest(_CUT_OFF)
        self._held += piece
