"""A plain form with files, read as it comes: each file goes to the disk in pieces, none is held in memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import IO

from werkzeug.exceptions import BadRequest, RequestEntityTooLarge
from werkzeug.http import parse_options_header
from werkzeug.sansio.multipart import Data, Epilogue, Event, Field, File, MultipartDecoder, NeedData

PIECE = 1 << 16
#: A field that is no file holds a key of this many bytes at most.
LONGEST_FIELD = 1_000
MOST_PARTS = 6_000

#: Called with the name of a file and its pieces.
Take = Callable[[str, Iterator[bytes]], object]


def receive(content_type: str, stream: IO[bytes], allow: Callable[[str, str], None], take: Take) -> int:
    """Hand each file of a multipart body to ``take``; returns how many there were.

    allow: called with name and value of each plain field, and may raise; no file is taken before it was called.
    Raises BadRequest for a body that is no such form.
    """
    kind, options = parse_options_header(content_type)
    if kind != "multipart/form-data" or not options.get("boundary"):
        raise BadRequest("This form must be sent as multipart/form-data.")
    events = _events(
        MultipartDecoder(options["boundary"].encode("latin-1", "replace"), max_parts=MOST_PARTS), stream
    )
    taken, allowed = 0, False
    for event in events:
        if isinstance(event, Field):
            allow(event.name, _value(events))
            allowed = True
        elif isinstance(event, File):
            if not allowed:
                raise BadRequest("The form lacks its key.")
            pieces = _pieces(events)
            if event.filename:
                take(event.filename, pieces)
                taken += 1
            for _ in pieces:
                pass  # an empty file box, or what ``take`` left
    return taken


def _events(decoder: MultipartDecoder, stream: IO[bytes]) -> Iterator[Event]:
    try:
        while True:
            event = decoder.next_event()
            if isinstance(event, Epilogue):
                return
            if isinstance(event, NeedData):
                # An empty piece means the end of the body: a body cut off then raises.
                decoder.receive_data(stream.read(PIECE) or None)
            else:
                yield event
    except (ValueError, RequestEntityTooLarge):
        raise BadRequest("The form was cut off or is no form.") from None


def _pieces(events: Iterator[Event]) -> Iterator[bytes]:
    for event in events:
        if not isinstance(event, Data):
            raise BadRequest("The form was cut off or is no form.")
        if event.data:
            yield event.data
        if not event.more_data:
            return
    raise BadRequest("The form was cut off.")


def _value(events: Iterator[Event]) -> str:
    value = b""
    for piece in _pieces(events):
        value += piece
        if len(value) > LONGEST_FIELD:
            raise BadRequest("A field of the form is too long.")
    return value.decode("utf-8", "replace")
