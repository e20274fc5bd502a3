"""The data dictionary and the templates to fill in."""

from __future__ import annotations

import io
import zipfile

from flask import Blueprint, Response, render_template

from broodyear.schemas import TABLE_NAMES, all_tables, dictionary_markdown, template_csv
from broodyear.schemas import table as declared
from broodyear.schemas.dictionary import what_to_write

pages = Blueprint("words", __name__)
#: The zip's own clock stands still: the same templates give the same bytes.
_NO_TIME = (1980, 1, 1, 0, 0, 0)
#: The name of a table, in an address.
_TABLE = f"<any({', '.join(TABLE_NAMES)}):name>"


@pages.get("/words")
def show() -> str:
    """All tables."""
    return render_template("words.html", tables=all_tables())


@pages.get(f"/words/{_TABLE}")
def one(name: str) -> str:
    """One table, column by column."""
    return render_template("word_table.html", table=declared(name), what_to_write=what_to_write)


@pages.get(f"/words/template/{_TABLE}.csv")
def template(name: str) -> Response:
    """An empty table with an example row."""
    # A byte-order mark, so that spreadsheets open the file as UTF-8.
    return _saved(template_csv(declared(name)).encode("utf-8-sig"), f"{name}.csv", "text/csv")


@pages.get("/words/templates.zip")
def templates() -> Response:
    """Every template and the dictionary, in one file."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for table in all_tables():
            content = template_csv(table).encode("utf-8-sig")
            archive.writestr(zipfile.ZipInfo(f"{table.name}.csv", _NO_TIME), content)
        archive.writestr(zipfile.ZipInfo("data_dictionary.md", _NO_TIME), dictionary_markdown().encode())
    return _saved(packed.getvalue(), "templates.zip", "application/zip")


@pages.get("/words/data_dictionary.md")
def dictionary() -> Response:
    """The whole dictionary as one text."""
    return _saved(dictionary_markdown().encode(), "data_dictionary.md", "text/markdown")


def _saved(content: bytes, name: str, kind: str) -> Response:
    response = Response(content, mimetype=kind)
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response
