"""What tests ask of a written page: its traced numbers, its text, its outside addresses."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

#: Elements that never close.
VOID = {"meta", "link", "br", "input", "hr", "img", "path", "use", "circle"}


@dataclass
class Seen(HTMLParser):
    """Every traced number (source, column, value, text), every row's source, every heading, link and id."""

    numbers: list[dict[str, str]] = field(default_factory=list)
    rows: list[str] = field(default_factory=list)
    headings: list[int] = field(default_factory=list)
    links: list[str] = field(default_factory=list)
    addresses: list[str] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)
    tags: list[str] = field(default_factory=list)
    text: str = ""

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        self.tags.append(tag)
        if tag == "data":
            self.numbers.append({**found, "text": ""})
        if tag == "tr" and "data-from" in found:
            self.rows.append(found["data-from"])
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag == "a":
            self.links.append(found.get("href", ""))
        self.addresses += [
            found[name] for name in ("src", "href", "xlink:href", "data", "action") if name in found
        ]
        if "id" in found:
            self.ids.append(found["id"])
        self._inside_data = tag == "data" or (getattr(self, "_inside_data", False) and tag == "bdi")

    def handle_endtag(self, tag: str) -> None:
        self.tags.append(f"/{tag}")
        if tag == "data":
            self._inside_data = False

    def handle_data(self, data: str) -> None:
        if self.tags and self.tags[-1] in ("script", "style"):
            return  # the page's own code and look, not its words
        self.text += data
        if getattr(self, "_inside_data", False) and self.numbers:
            self.numbers[-1]["text"] += data


def seen(page: Path) -> Seen:
    """A page, parsed."""
    found = Seen()
    found.feed(page.read_text(encoding="utf-8"))
    return found


def written_rows(folder: Path, name: str) -> list[dict[str, str]]:
    """Rows of a written table, as a spreadsheet would read them."""
    with (folder / "tables" / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def cell(folder: Path, source: str, column: str) -> str:
    """The cell that a number on a page says it came from."""
    name, _, row = source.partition("#row=")
    return written_rows(folder, name)[int(row) - 2][column]
