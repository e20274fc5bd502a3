"""What is counted in the text of an upload: enough to prove afterwards that the loader lost no line, and to spare
every cell the work that its file does not need.
"""

from __future__ import annotations

import codecs
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from broodyear.errors import UnreadableFile
from broodyear.intake.records import LONGEST_CELL, SEPARATORS
from broodyear.intake.shapes import BLANKS

#: Blanks that are neither the space nor the tab, in UTF-8: feeds, and the wide and unbreakable spaces.
_FEEDS = (b"\x0b", b"\x0c")
#: What a cell begins after, or ends before.
_AT_EDGES = np.isin(np.arange(256), np.frombuffer("".join(SEPARATORS).encode() + b'\r\n"', np.uint8))
_ODD_BLANKS = (*_FEEDS, *(blank.encode() for blank in BLANKS if not blank.isascii()))
#: As many bytes as a line may have: a longer line does not fit into one piece, and is noticed by that.
PIECE = LONGEST_CELL


@dataclass
class Census:
    """What was counted in the UTF-8 text of a file: enough to prove later that no line was lost."""

    newlines: int = 0
    returns: int = 0
    size: int = 0
    separators: Counter[str] = field(default_factory=Counter)
    ends_open: bool = False
    trailing_blank: int = 0
    has_quote: bool = False
    has_apostrophe: bool = False
    has_space: bool = False
    has_outer_space: bool = False
    has_tab: bool = False
    has_odd_blank: bool = False
    has_plus: bool = False
    has_lone_return: bool = False
    has_long_line: bool = False
    is_ascii: bool = True

    @property
    def is_uniform(self) -> bool:
        """Whether all lines end alike."""
        return not self.has_lone_return and self.returns in (0, self.newlines)

    @property
    def lines(self) -> int:
        """Lines of the text; a last line without a line break counts."""
        return self.newlines + self.ends_open


def survey(place: Path, skip: int, census: Census) -> bool:
    """Count the text piece by piece into ``census``, passing over the first ``skip`` bytes.

    Returns False when it is not UTF-8. Raises UnreadableFile (message, advice) when it is not text.
    """
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    last = tail = b""
    begun = 0
    first = True
    for piece in pieces(place):
        body = piece[skip:] if first else piece
        first = False
        is_ascii = body.isascii()
        census.is_ascii = census.is_ascii and is_ascii
        _count(body, last, census, is_ascii)
        begun = _line_begun(body, begun, census)
        if not census.is_ascii:
            try:
                decoder.decode(body)
            except UnicodeDecodeError:
                return False
        tail = body[-4096:] if len(body) >= 4096 else (tail + body)[-4096:]
        last = tail[-3:]
    try:
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    census.ends_open = bool(last) and not last.endswith(b"\n")
    census.has_lone_return |= last.endswith(b"\r")
    census.has_outer_space |= last.endswith(b" ")
    kept = tail.rstrip(b"\r\n")
    census.trailing_blank = max(tail[len(kept) :].count(b"\n") - 1, 0)
    return True


def _line_begun(body: bytes, begun: int, census: Census) -> int:
    """Bytes of the line that ``body`` ends in; notes a line too long for any table. begun: bytes, before ``body``,
    of the line it begins in."""
    end = body.find(b"\n")
    whole = begun + (len(body) if end < 0 else end)
    census.has_long_line = census.has_long_line or whole > LONGEST_CELL
    return whole if end < 0 else len(body) - 1 - body.rfind(b"\n")


def _count(body: bytes, last: bytes, census: Census, is_ascii: bool) -> None:
    numbers = np.frombuffer(body, np.uint8)
    newlines = int(np.count_nonzero(numbers == ord("\n")))
    census.size += len(body)
    census.newlines += newlines
    for separator in SEPARATORS:
        if separator.encode() in body:
            census.separators[separator] += int(np.count_nonzero(numbers == ord(separator)))
    if is_ascii and not last.endswith((b"\r", b" ")) and np.count_nonzero(numbers < ord(",")) == newlines:
        # The usual piece of a large file. What is looked for below all comes before the comma.
        return
    _count_rare(body, last, census)


def _count_rare(body: bytes, last: bytes, census: Census) -> None:
    if b"\0" in body:
        raise UnreadableFile("this is not text (it holds zero bytes)", "Send the table as CSV.")
    census.has_quote = census.has_quote or b'"' in body
    census.has_apostrophe = census.has_apostrophe or b"'" in body
    _count_spaces(body, last, census)
    census.has_tab = census.has_tab or b"\t" in body
    census.has_plus = census.has_plus or b"+" in body
    looked_for = _FEEDS if body.isascii() else _ODD_BLANKS
    joined = body if looked_for is _FEEDS else last + body
    census.has_odd_blank = census.has_odd_blank or any(blank in joined for blank in looked_for)
    if last.endswith(b"\r"):
        census.returns += body.startswith(b"\n")
        census.has_lone_return = census.has_lone_return or not body.startswith(b"\n")
    if b"\r" in body:
        pairs = body.count(b"\r\n")
        census.returns += pairs
        lone = body.count(b"\r") - pairs - body.endswith(b"\r")
        census.has_lone_return = census.has_lone_return or lone > 0


def _count_spaces(body: bytes, last: bytes, census: Census) -> None:
    """Note spaces, and whether one stands at the edge of a cell; one that ends a piece is judged with the next."""
    joined = (b"\n\n" + last)[-2:] + body
    if census.has_outer_space or b" " not in joined:
        return
    census.has_space = True
    numbers = np.frombuffer(joined, np.uint8)
    spaces = np.flatnonzero(numbers[1:-1] == ord(" "))
    census.has_outer_space = bool((_AT_EDGES[numbers[spaces]] | _AT_EDGES[numbers[spaces + 2]]).any())


def pieces(place: Path, skip: int = 0) -> Iterator[bytes]:
    """The bytes of a file piece by piece, from ``skip`` on."""
    with place.open("rb") as file:
        file.seek(skip)
        while piece := file.read(PIECE):
            yield piece
