"""From the bytes of an upload to plain UTF-8 text: compression, encodings, and what is no text at all.

The bytes are read once, in pieces: hashed as they lie, and counted, so that the loader can prove afterwards that
it lost no line, and spares every cell the work that its file does not need."""

from __future__ import annotations

import codecs
import gzip
import hashlib
import os
import shutil
import zlib
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from broodyear.errors import UnreadableFile
from broodyear.intake.shapes import BLANKS
from broodyear.intake.sources import Source
from broodyear.intake.sources.archives import Allowance
from broodyear.workspace import NO_ROOM

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
#: No cell of these tables is anywhere near this long; a file with a longer one is refused.
LONGEST_CELL = 1_000_000
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
    def lines(self) -> int:
        """Lines of the text; a last line without a line break counts."""
        return self.newlines + self.ends_open


def survey(path: Path, skip: int, census: Census) -> bool:
    """Count the text piece by piece into ``census``, passing over the first ``skip`` bytes.

    Returns False when it is not UTF-8. Raises UnreadableFile (message, advice) when it is not text.
    """
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    last = tail = b""
    begun = 0
    first = True
    for piece in pieces(path):
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


def pieces(path: Path, skip: int = 0) -> Iterator[bytes]:
    """The bytes of a file piece by piece, from ``skip`` on."""
    with path.open("rb") as file:
        file.seek(skip)
        while piece := file.read(PIECE):
            yield piece


#: Control characters that have no business in a table.
_STRANGE = bytes([*range(1, 9), 11, 12, *range(14, 32), 127])

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_KINDS = (
    (b"PK\x03\x04", "a spreadsheet workbook or zip archive", "Save the sheet as CSV and send that."),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet or text document", "Save the sheet as CSV and send that."),
    (b"%PDF", "a PDF", "Send the table as CSV."),
    (b"PAR1", "a Parquet file", "Send the table as CSV."),
    (b"\x89PNG", "a picture", "Send the table as CSV."),
    (b"\xff\xd8\xff", "a picture", "Send the table as CSV."),
    (b"SQLite format 3", "a database", "Send the tables as CSV."),
)


@dataclass
class Text:
    """An upload as UTF-8 text. path: a file with the text (a link or a working copy, with a name of our own);
    sha256: of the bytes as they were sent; notes: what was done to them; was_packed: they were compressed."""

    path: Path
    sha256: str
    census: Census
    notes: list[str] = field(default_factory=list)
    was_packed: bool = False


def read_text(source: Source, scratch: Path, number: int, *, may_link: bool = True) -> Text:
    """The upload as UTF-8 text, in a file of our own naming inside ``scratch``: a link to it, or a copy.

    Raises UnreadableFile (message, advice) for what is not text, or unpacks to absurd size.
    """
    original = _spooled(source, scratch / f"sent_{number}", may_link)
    with ThreadPoolExecutor(max_workers=1) as beside:
        # Hashing lets other work go on, so a large file is hashed and surveyed at the same time.
        sha256 = beside.submit(_hash, original)
        path, census, notes = _as_utf8(original, scratch, number)
        return Text(path, sha256.result(), census, notes, _is_packed(original))


def _as_utf8(original: Path, scratch: Path, number: int) -> tuple[Path, Census, list[str]]:
    """A file with the text in UTF-8, what was counted in it, and what was done to it."""
    path = original
    if _is_packed(original):
        path = _unpacked(original, scratch / f"unpacked_{number}")
    _refuse_other_kinds(_head(path))
    encoding, skip = _encoding(_head(path))
    census = Census()
    if encoding == "utf-8" and survey(path, skip, census):
        return path, census, ["a byte-order mark was left out"] if skip else []
    encoding = "cp1252" if encoding == "utf-8" else encoding
    copy = scratch / f"text_{number}"
    _transcode(path, copy, encoding, skip)
    census = Census()
    survey(copy, 0, census)
    return copy, census, [f"read as {_called(encoding)} and turned into UTF-8"]


def _called(encoding: str) -> str:
    return "Windows-1252" if encoding == "cp1252" else encoding[:6].upper()


def _spooled(source: Source, path: Path, may_link: bool) -> Path:
    """The bytes of the source under a name of our own: whatever characters the given name has, none is obeyed."""
    # A link that an earlier reading left here stands for the file somebody sent: nothing is written through it.
    path.unlink(missing_ok=True)
    if source.path is None:
        assert source.stream is not None
        with path.open("wb") as copy:
            shutil.copyfileobj(source.stream, copy)
        return path
    try:
        with source.path.open("rb"):
            pass
        if may_link:
            with suppress(OSError):
                os.symlink(source.path.resolve(), path)
                return path
        shutil.copyfile(source.path, path)
    except OSError as error:
        if error.errno in NO_ROOM:
            raise
        raise UnreadableFile(f"the file cannot be read ({error.strerror})", "Check its permissions.") from None
    return path


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(1 << 16)


def _is_packed(path: Path) -> bool:
    return _head(path).startswith(b"\x1f\x8b")


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _unpacked(packed: Path, path: Path) -> Path:
    allowance = Allowance(packed, "compressed file")
    try:
        with gzip.open(packed, "rb") as source, path.open("wb") as copy:
            while piece := source.read(PIECE):
                allowance.use(len(piece))
                copy.write(piece)
    except (OSError, EOFError, zlib.error) as error:
        if isinstance(error, OSError) and error.errno in NO_ROOM:
            raise
        message = "the compressed file is broken or was cut off"
        raise UnreadableFile(message, "Pack it again and send that.") from None
    return path


def _refuse_other_kinds(head: bytes) -> None:
    for start, kind, advice in _KINDS:
        if head.startswith(start):
            raise UnreadableFile(f"this is {kind}, not text", advice)
    if head[:2] not in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        strange = len(head) - len(head.translate(None, _STRANGE))
        if strange > 20 and strange > len(head) // 20 and b"\0" not in head:
            raise UnreadableFile("this is not text (it is full of control characters)", "Send the table as CSV.")


def _encoding(head: bytes) -> tuple[str, int]:
    """Encoding told by a byte-order mark or by the pattern of zero bytes, and the bytes of the mark."""
    for mark, encoding in _BOMS:
        if head.startswith(mark):
            return encoding, len(mark)
    sample = head[:4096]
    if b"\0" in sample:
        even, odd = sample[::2].count(0), sample[1::2].count(0)
        if odd > len(sample) * 0.3 and not even:
            return "utf-16-le", 0
        if even > len(sample) * 0.3 and not odd:
            return "utf-16-be", 0
    return "utf-8", 0


def _transcode(path: Path, copy: Path, encoding: str, skip: int) -> None:
    decoder = codecs.getincrementaldecoder(encoding)("strict" if encoding != "cp1252" else "broodyear_cp1252")
    with copy.open("w", encoding="utf-8", newline="") as out:
        try:
            for piece in pieces(path, skip):
                out.write(decoder.decode(piece))
            out.write(decoder.decode(b"", final=True))
        except UnicodeError:
            raise UnreadableFile(f"the text is not valid {_called(encoding)}", "Save it as UTF-8.") from None


def _undefined_in_cp1252(error: UnicodeError) -> tuple[str, int]:
    """Bytes that Windows-1252 does not define stay what they are in Latin-1: control characters, found later."""
    assert isinstance(error, UnicodeDecodeError)
    return error.object[error.start : error.end].decode("latin-1"), error.end


codecs.register_error("broodyear_cp1252", _undefined_in_cp1252)
