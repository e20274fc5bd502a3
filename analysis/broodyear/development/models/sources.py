"""What models and published values were taken from, as references: for a list with DOIs and for BibTeX.

sources.csv gives each text by which published_models.csv and published_pairs.csv cite a work its parts. A DOI
stands there when it was read beside the work's title; a work without one in the file may have one.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path

import pandas as pd

from broodyear.development.models.own_models import SETTINGS_SOURCE
from broodyear.development.models.published import known_models

_HERE = Path(__file__).resolve().parent
#: Where constants come from that no work holds: fits to the records, and what the settings declare.
OWN_SOURCE = "fitted to these records"
NO_WORKS = ("", OWN_SOURCE, SETTINGS_SOURCE)
_FIELDS = ("author", "title", "journal", "year", "volume", "issue", "pages", "publisher", "doi")
#: Fields that BibTeX calls otherwise in a work that is part of a book, or of no kind of its own.
_CALLED = {"incollection": {"journal": "booktitle"}, "misc": {"journal": "howpublished"}}
_ISSUE = {"issue": "number"}
_DOI = re.compile(r"10\.\d{4,9}/[^\s\"]*[^\s\".,;)]")
REFERENCE_COLUMNS = ("number", "key", "type", *_FIELDS, "cited_as")


def references(cited: Iterable[str]) -> pd.DataFrame:
    """The works behind texts that cite them, each once, numbered in the order of authors and year.

    Columns REFERENCE_COLUMNS; text, blank where not known. A text may cite several works. What it cites that is
    not in sources.csv becomes a work of type misc by its own words, with the DOI it holds.

    >>> references(["Crisp DT 1988. Prediction, from temperature, of eyeing, hatching and 'swim-up' times for "
    ...             "salmonid embryos. Freshwater Biology 19:41-48"])["doi"].iloc[0]
    '10.1111/j.1365-2427.1988.tb00325.x'
    """
    rows = [row for text in dict.fromkeys(cited) for row in _works(text)]
    table = pd.DataFrame(rows, columns=[name for name in REFERENCE_COLUMNS if name != "number"])
    table = table.drop_duplicates("key").sort_values(["author", "year", "title"], kind="stable")
    table.insert(0, "number", range(1, len(table) + 1))
    return table.reset_index(drop=True)


def cited_on_page(constants: pd.DataFrame, pairs: pd.DataFrame, disagreements: pd.DataFrame) -> list[str]:
    """Texts that cite the works of models and published values: constants and pairs by their source,
    disagreements by that of the value and of the model. Fits made here and the settings' units are no works."""
    known = known_models().set_index("model")["source"]
    texts = [constants["source"], pairs["source"], disagreements["pair_source"], disagreements["model"].map(known)]
    return [str(text) for column in texts for text in column.dropna().unique() if text not in NO_WORKS]


def bibtex(works: pd.DataFrame) -> str:
    """The works of ``references`` as BibTeX, one entry each."""
    rows = works.astype(str).to_dict("records")
    return "\n".join(_entry({str(name): value for name, value in row.items()}) for row in rows)


def _works(text: str) -> list[dict[str, str]]:
    """The works that one text cites."""
    found: list[dict[str, str]] = [row for row in _sources() if row["cited_as"] in text]
    if found or not text.strip():
        return found
    doi = _DOI.search(text)
    key = re.sub(r"[^0-9A-Za-z]+", "", text.title())[:40] or "source"
    blank = dict.fromkeys(REFERENCE_COLUMNS[1:], "")
    return [blank | {"key": key, "type": "misc", "title": text, "cited_as": text, "doi": doi[0] if doi else ""}]


@lru_cache(maxsize=1)
def _sources() -> tuple[dict[str, str], ...]:
    table = pd.read_csv(_HERE / "sources.csv", dtype=str, keep_default_na=False)
    return tuple({str(name): str(value) for name, value in row.items()} for row in table.to_dict("records"))


def _entry(row: dict[str, str]) -> str:
    called = _ISSUE | _CALLED.get(row["type"], {})
    lines = [f"  {called.get(name, name)} = {{{_braced(name, row[name])}}}," for name in _FIELDS if row[name]]
    return "\n".join([f"@{row['type']}{{{row['key']},", *lines, "}", ""])


def _braced(name: str, text: str) -> str:
    """Text inside braces: those of its own go, and what TeX would run is escaped; a DOI is no text."""
    bare = re.sub(r"[{}\\]", "", text)
    return bare if name == "doi" else re.sub(r"([&%$#_])", r"\\\1", bare)
