"""Every command that reads a programme, run as on the command line, and what its words may not hold."""

from __future__ import annotations

import contextlib
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path

from broodyear.cli import main
from broodyear.errors import EXIT_DONE, EXIT_NOTHING_TO_ANALYSE, EXIT_ROWS_HAVE_ERRORS

#: One line a command. {season}: the last one; {out}: a folder for its results; {uploads}: the files sent.
#: --store is added to each.
COMMANDS: tuple[str, ...] = (
    "load {uploads} --rejects {out}/to_mend",
    "check {uploads}",
    "layout {uploads} --out {out}/layouts.toml",
    "mend --out {out}/open",
    "uploads --format csv",
    "report season --season {season} --out {out}/season --sites",
    "report regions --out {out}/regions",
    "report development --out {out}/development",
    "report week --out {out}/week",
    "report week --as-of {season}-12-02 --out {out}/week",
    "forecast --season {season} --out {out}/dates.csv",
    "forecast --season {season} --as-of {season}-12-01",
    "export --out {out}/export",
    "export --out {out}/parquet --format parquet",
    "sql tank_seasons",
    "plan --species chinook --delivered-on {season}-11-08 --units 310",
    "trial --factor gravel_practice --levels gravel,bare --out {out}/trial.csv",
    "withdraw 1",
    "verify --rescue {out}/rescued",
    "uploads",
)

#: The commands dealt out in parts, each of which begins with the load that the others need.
PARTS = 4


def part(number: int) -> tuple[str, ...]:
    """One of the PARTS of the commands."""
    return (COMMANDS[0], *COMMANDS[1:][number % PARTS :: PARTS])


GOOD_CODES = frozenset({EXIT_DONE, EXIT_ROWS_HAVE_ERRORS, EXIT_NOTHING_TO_ANALYSE})

#: A missing value that reached a sentence; a dash may join words or numbers, never stand alone between blanks.
_NO_WORDS = re.compile(r"\b(nan|NaN|NaT|None(?! of)|null|inf)\b|<NA>|(?:^|[\s(])–(?=$|[\s.,;:)])")


#: Commands that print queries or rows, where such words may stand.
_DATA = ("sql", "uploads")


@dataclass(frozen=True)
class Ended:
    """How a command ended. words: what it said on both streams."""

    command: str
    code: int
    words: str


def run(command: str, **places: object) -> Ended:
    """Run one line of COMMANDS in this process. places: what its braces mean, and store."""
    words = [*(word.format(**places) for word in command.split()), "--store", str(places["store"])]
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(words)
    return Ended(" ".join(words), code, out.getvalue() + err.getvalue())


def sweep(uploads: Path, folder: Path, season: int, commands: Sequence[str] = COMMANDS) -> Iterator[str]:
    """Run each command on the files in ``uploads``, results below ``folder``; what is wrong with any of them."""
    for command in commands:
        yield from complaints(run(command, uploads=uploads, out=folder, season=season, store=folder / "s.duckdb"))
    for page in sorted(folder.rglob("*.html")):
        for text in prose(page.read_text(encoding="utf-8")):
            yield from (f"{page.relative_to(folder)} says {found!r}" for found in missing_values(text))


def complaints(ended: Ended) -> Iterator[str]:
    """What is wrong with a command's end and its words."""
    if ended.code not in GOOD_CODES:
        yield f"{ended.command} ended with {ended.code}: {ended.words[-2000:]}"
    if ended.code == EXIT_NOTHING_TO_ANALYSE and not re.search(r"\w+ \w+ \w+", ended.words):
        yield f"{ended.command} was refused without a sentence"
    if not ended.command.startswith(_DATA):
        yield from (f"{ended.command} said {found!r}" for found in missing_values(ended.words))


def missing_values(text: str) -> Iterator[str]:
    """Places in a text where a missing value was put into words, with what stands around them."""
    for found in _NO_WORDS.finditer(text):
        yield text[max(found.start() - 60, 0) : found.end() + 40].strip()


class _Prose(HTMLParser):
    """Collects the text of a page, block by block, outside tables, drawings and scripts."""

    _SKIPPED = frozenset({"table", "svg", "script", "style"})
    _BLOCKS = frozenset({"p", "li", "h1", "h2", "h3", "h4", "figcaption", "summary", "dd", "dt", "div", "section"})

    def __init__(self) -> None:
        super().__init__()
        self._depth = 0
        self.blocks = [""]

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self._depth += tag in self._SKIPPED
        if tag in self._BLOCKS:
            self.blocks.append("")

    def handle_endtag(self, tag: str) -> None:
        self._depth -= tag in self._SKIPPED
        if tag in self._BLOCKS:
            self.blocks.append("")

    def handle_data(self, data: str) -> None:
        if not self._depth:
            self.blocks[-1] += data


def prose(page: str) -> list[str]:
    """The text of a page outside its tables, one entry a block."""
    reader = _Prose()
    reader.feed(page)
    return [" ".join(block.split()) for block in reader.blocks if block.strip()]
