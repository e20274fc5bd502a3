"""A plain form with files, read as it comes."""

from __future__ import annotations

import io
import tracemalloc
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from werkzeug.exceptions import BadRequest, Forbidden

from broodyear.desk import multipart

KIND = "multipart/form-data; boundary=edge"
#: A form of 40 MB must pass through a small part of that.
MOST_MEMORY_BYTES = 4_000_000


def form(*files: tuple[str, bytes], key: str = "right") -> bytes:
    parts = (
        [b'--edge\r\nContent-Disposition: form-data; name="desk_key"\r\n\r\n' + key.encode() + b"\r\n"]
        if key
        else []
    )
    for name, content in files:
        head = f'--edge\r\nContent-Disposition: form-data; name="files"; filename="{name}"\r\n\r\n'
        parts.append(head.encode() + content + b"\r\n")
    return b"".join(parts) + b"--edge--\r\n"


def allow(name: str, value: str) -> None:
    if (name, value) != ("desk_key", "right"):
        raise Forbidden


def received(body: bytes, kind: str = KIND) -> list[tuple[str, bytes]]:
    taken: list[tuple[str, bytes]] = []
    multipart.receive(kind, io.BytesIO(body), allow, lambda name, pieces: taken.append((name, b"".join(pieces))))
    return taken


class Dribble(io.BytesIO):
    """A stream that gives a few bytes at a time."""

    def __init__(self, body: bytes, step: int) -> None:
        super().__init__(body)
        self.step = step

    def read(self, size: int | None = -1, /) -> bytes:
        return super().read(self.step)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.binary(max_size=300), max_size=4), st.integers(1, 40))
def test_files_come_out_as_they_went_in(contents: list[bytes], step: int) -> None:
    sent = [(f"f{number}.csv", content.replace(b"\r\n--edge", b"")) for number, content in enumerate(contents)]
    taken: list[tuple[str, bytes]] = []
    body = Dribble(form(*sent), step)
    count = multipart.receive(KIND, body, allow, lambda name, pieces: taken.append((name, b"".join(pieces))))
    assert taken == sent and count == len(sent)


def test_an_empty_file_box_is_passed_over() -> None:
    assert received(form(("", b""), ("a.csv", b"x"))) == [("a.csv", b"x")]


@pytest.mark.parametrize("key", ["wrong", ""])
def test_no_file_is_taken_without_the_key(key: str) -> None:
    with pytest.raises((Forbidden, BadRequest)):
        received(form(("a.csv", b"x"), key=key))


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("text/plain", b"x"),
        ("multipart/form-data", form(("a.csv", b"x"))),
        (KIND, b""),
        (KIND, b"no form at all"),
        (KIND, form(("a.csv", b"x"))[:-40]),
        (KIND, form(("a.csv", b"x" * 100))[:150]),
        (KIND, form(key="right" * 1000)),
    ],
)
def test_what_is_no_form_is_refused(kind: str, body: bytes) -> None:
    with pytest.raises((BadRequest, Forbidden)):
        received(body, kind)


class Endless(io.RawIOBase):
    """A form with one file of so many bytes, made as it is read."""

    def __init__(self, size: int) -> None:
        head, tail = form(("big.csv", b"|")).split(b"|")
        self._pieces = self._made(head, size, tail)

    def _made(self, head: bytes, size: int, tail: bytes) -> Iterator[bytes]:
        yield head
        line = b"T-1,2025-01-10T10:00,8.25\n" * 1000
        for _ in range(size // len(line)):
            yield line
        yield tail

    def read(self, size: int = -1, /) -> bytes:
        return next(self._pieces, b"")


def test_a_large_file_passes_through_little_memory() -> None:
    seen = []

    def take(name: str, pieces: Iterator[bytes]) -> None:
        seen.append(sum(len(piece) for piece in pieces))

    tracemalloc.start()
    multipart.receive(KIND, Endless(40_000_000), allow, take)  # type: ignore[arg-type]
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert seen[0] > 39_000_000 and peak < MOST_MEMORY_BYTES
