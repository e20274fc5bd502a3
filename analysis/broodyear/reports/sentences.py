"""Claims in words: one sentence each, rendered from templates/claims, one file a section; nothing is decided here.

    statements = state(claims)                 # claims.csv and its sentences, in the order given
    statements.at(row)                         # the sentence, traced to its row of claims.csv
    worded(claims)                             # the plain sentences alone

A claim whose ``section`` is empty is looked for but not stated on the page: its sentence in claims.csv is blank.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from jinja2 import Environment
from markupsafe import escape

from broodyear.claims import Claim, ClaimKind, Decision, claims_table, excludes_zero
from broodyear.reports.numbers import BAND_WORDS, STAGES, THIN, called, counted, plain, signed, words
from broodyear.reports.parts import Bullets
from broodyear.reports.rendering import TEMPLATES, environment_of
from broodyear.reports.tables import ReportTable, Traced, report_table

#: The file under templates/claims whose macro of the claim's name words it.
_FILES = {
    ClaimKind.TANK_BELOW: "tanks",
    ClaimKind.TANK_ABOVE: "tanks",
    ClaimKind.PLACE_BELOW: "sites",
    ClaimKind.PRACTICE_DIFFERS: "practices",
    ClaimKind.TEMPERATURE_DIFFERS: "practices",
    ClaimKind.CHANGE: "practices",
    ClaimKind.REGION_DIFFERS: "regions",
    ClaimKind.REGIONS_DIFFER: "regions",
    ClaimKind.REGION_BATCHES: "regions",
    ClaimKind.BATCH_DIFFERS: "regions",
    ClaimKind.MODEL_BIASED: "development",
    ClaimKind.MODEL_BETTER: "development",
    ClaimKind.STOCKS_DIFFER: "development",
    ClaimKind.THERMOMETER: "development",
}

#: Sizes from here on are written without a decimal.
_WHOLE_FROM = 9.95
_SIGNS = "+\u2212"


@dataclass(frozen=True, eq=False)
class Statements:
    """The claims of one page with their sentences.

    table: claims.csv, one row per claim in the order of ``claims``; sentences: every claim in words, also those
    that the page does not state.
    """

    claims: tuple[Claim, ...]
    sentences: tuple[str, ...]
    table: ReportTable

    def rows(self, *kinds: ClaimKind, decision: Decision | None = None, **wanted: Any) -> list[int]:
        """Rows of these kinds and this decision whose fields equal the values given, in order."""
        return [
            row
            for row, claim in enumerate(self.claims)
            if (not kinds or claim.kind in kinds)
            and (decision is None or claim.decision is decision)
            and all(getattr(claim, name) == value for name, value in wanted.items())
        ]

    def claim(self, row: int) -> Claim:
        """The claim behind a row."""
        return self.claims[row]

    def found(self, rows: Iterable[int]) -> list[Claim]:
        """The claims behind some rows."""
        return [self.claims[row] for row in rows]

    def parted(self, rows: Iterable[int]) -> tuple[list[int], list[int]]:
        """Of some rows those that are claimed, and the others."""
        chosen = list(rows)
        claimed = [row for row in chosen if self.claims[row].is_claimed]
        return claimed, [row for row in chosen if row not in claimed]

    def subjects(self, rows: Iterable[int]) -> list[str]:
        """What the claims of some rows are about, each once."""
        return list(dict.fromkeys(self.claims[row].subject for row in rows))

    def and_also(self, claims: Iterable[Claim]) -> Statements:
        """These statements and, behind them, those of further claims."""
        more = tuple(claims)
        return _with_sentences(self.claims + more, self.sentences + worded(more))

    def at(self, row: int) -> Traced:
        """The sentence of a row, traced to claims.csv."""
        return self.table.at(row, "sentence", "text")

    def bullets(self, rows: Iterable[int]) -> Bullets:
        """The sentences of these rows as a list."""
        return Bullets(tuple(escape(self.at(row)) for row in rows), (self.table,))


def state(claims: Iterable[Claim]) -> Statements:
    """The claims of a page in words, and their table; those without a section have a blank sentence there."""
    made = tuple(claims)
    return _with_sentences(made, worded(made))


def _with_sentences(claims: tuple[Claim, ...], sentences: tuple[str, ...]) -> Statements:
    stated = (sentence if claim.section else "" for claim, sentence in zip(claims, sentences, strict=True))
    table = report_table("claims", claims_table(claims, stated))
    return Statements(claims, sentences, table)


def worded(claims: Iterable[Claim]) -> tuple[str, ...]:
    """One plain sentence per claim, with thin spaces before units and true minus signs."""
    return tuple(_worded(claim, str(claim.kind)) for claim in claims)


def in_short(claim: Claim) -> str:
    """A claim of a site or a tank below expected in a few words, for a table beside whose head they make sense."""
    return _worded(claim, f"{claim.kind}_in_short")


def _worded(claim: Claim, macro: str) -> str:
    macros = _environment().get_template(f"{_FILES[claim.kind]}.txt").module
    return " ".join(str(getattr(macros, macro)(claim)).split(" ")).strip()


@lru_cache(maxsize=1)
def _environment() -> Environment:
    # Plain text; the page escapes it where it stands.
    environment = environment_of(TEMPLATES / "claims", autoescape=False)
    environment.filters |= {
        "amount": amount,
        "size": lambda value, unit: amount(abs(value), unit),
        "change_in": lambda value, unit: _with_unit(_signed(value), unit),
        "allowing": allowing,
        "between": between,
        "between_sizes": between_sizes,
        "is_free_of_zero": lambda claim: excludes_zero(claim.low, claim.high),
        "ends": lambda claim: _with_unit(_ends(claim), claim.unit),
        "capital": lambda text: f"{text[:1].upper()}{text[1:]}",
        "level": words,
        "cell": _cell_words,
        "meaning": lambda claim: claim.reason.meaning,
        "chance": chance_words,
        "plural": counted,
    }
    return environment


def amount(value: float, unit: str) -> str:
    """A size with its unit: 12 points, 34 fish, 1.5 days."""
    return _with_unit(plain(value, _digits(value, unit)), unit)


def allowing(claim: Claim) -> str:
    """The claim's estimate without its unit; signed only where its interval lies on both sides of zero."""
    digits = _digits(claim.estimate, claim.unit)
    if excludes_zero(claim.low, claim.high):
        return plain(abs(claim.estimate), digits)
    return signed(claim.estimate, digits)


def between(claim: Claim) -> str:
    """The claim's 95 % interval in brackets, signed; empty where it is not known."""
    if math.isnan(claim.low) or math.isnan(claim.high):
        return ""
    return f" (95{THIN}% interval {_ends(claim)})"


def _ends(claim: Claim) -> str:
    digits = _digits(max(abs(claim.low), abs(claim.high)), claim.unit)
    low, high = (signed(end, _beside_zero(end, digits, claim.unit)) for end in (claim.low, claim.high))
    return f"{low} to {high}"


def _beside_zero(end: float, digits: int, unit: str) -> int:
    """Decimals of an end of an interval: one more where it would read as the zero that it is not."""
    return 1 if digits == 0 and abs(end) < 0.5 and unit != "fish" else digits


def between_sizes(claim: Claim) -> str:
    """The same beside a size whose direction is in words: without signs where both ends lie on one side."""
    if not excludes_zero(claim.low, claim.high):
        return between(claim)
    small, large = sorted((abs(claim.low), abs(claim.high)))
    digits = _digits(large, claim.unit)
    return f" (95{THIN}% interval {plain(small, digits)} to {plain(large, digits)})"


def chance_words(p: float) -> str:
    """How often chance alone would show as much, in plain words."""
    if p < 0.001:
        return f"less than once in 1{THIN}000 times"
    if p < 0.15:
        return f"about once in {plain(1.0 / p, 0)} times"
    return f"about {plain(10 * p, 0)} times in 10" if p < 0.95 else "nearly always"


def _digits(value: float, unit: str) -> int:
    return 0 if unit == "fish" or abs(value) >= _WHOLE_FROM else 1


def _signed(value: float) -> str:
    return signed(value, _digits(value, ""))


def _with_unit(number: str, unit: str) -> str:
    named = {"points": ("point", "points"), "days": ("day", "days"), "fish": ("fish", "fish")}.get(unit)
    if named is None:
        return f"{number}{THIN}{unit}" if unit else number
    return f"{number} {named[0] if number.strip(_SIGNS) in ('1', '1.0') else named[1]}"


def _cell_words(level: str) -> str:
    """The species, stage and, behind them, the band or donor stock of a model's claim, in words."""
    species, stage, part = [*level.split(" ", 2), "", ""][:3]
    named = [words(species), called(STAGES, stage), BAND_WORDS.get(part) or (part and f"stock {part}")]
    return ", ".join(one for one in named if one)
