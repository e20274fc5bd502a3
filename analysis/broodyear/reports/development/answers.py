"""The answers: which models are biased and where, whether thermometers are to blame, which predicts better."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from markupsafe import Markup

from broodyear.claims import Claim, ClaimKind, Decision, Reason, excludes_zero
from broodyear.development.scoring.model_claims import off_in_part, pairs_compared, sites_read
from broodyear.figures.development import bands_figure, biases_figure
from broodyear.reports.development.results import (
    CONSTANT_UNITS,
    MAIN_SCHEME,
    WORDS,
    DevelopmentResults,
    named,
    titled,
)
from broodyear.reports.numbers import BAND_WORDS, known, model_words
from broodyear.reports.parts import Block, Bullets, Drawing, Folded, Heading, Notice, Pair, Section, joined
from broodyear.reports.rendering import bullets, drawing, phrase, prose, wording
from broodyear.reports.tables import ReportTable, shown

_QUESTION = "Is a model biased, and is it the model or the thermometer?"


def answer_sections(results: DevelopmentResults) -> tuple[Section, ...]:
    """The sections that answer, in the order of the page."""
    return answer_section(results), _where(results), _against(results)


def answer_section(results: DevelopmentResults) -> Section:
    """Is a model biased, and is it the model or the thermometer: the claims over all temperatures in a picture."""
    claims = results.claims
    judged = claims.rows(ClaimKind.MODEL_BIASED, section="answer")
    if not judged:
        return Section("answer", _QUESTION, (Notice("No answer.", phrase(WORDS, "no_answer")),))
    biased, not_shown, undecided = (
        claims.rows(ClaimKind.MODEL_BIASED, section="answer", decision=decision) for decision in Decision
    )
    counts = {"biased": len(biased), "judged": len(judged)}
    more = {"undecided": len(undecided), "more": off_in_part(claims.claims)}  # models that are off in a part only
    lead = prose(WORDS, "lead", claims.table, lead=True, **counts, **more)
    picture = drawing(biases_figure, _biases(claims.found(judged)), table=claims.table, words=counts)
    folded = [
        Folded(f"{title} ({len(rows)})", (claims.bullets(rows),))
        for title, rows in (("Not shown to be biased", not_shown), ("Cannot be judged", undecided))
        if rows
    ]
    words = lead, claims.bullets(biased), prose(WORDS, "how")
    return Section("answer", _QUESTION, (Pair(words, picture), *folded, *_thermometers(results)))


def _biases(claims: Sequence[Claim]) -> pd.DataFrame:
    """The rows of the first picture."""
    rows = [
        {
            "group": titled(*claim.level.split(" ")[:2]), "label": model_words(claim.subject),
            "bias_days": claim.estimate, "bias_low": claim.low, "bias_high": claim.high,
            "is_claimed": claim.is_claimed,
        }
        for claim in claims
    ]  # fmt: skip
    return pd.DataFrame(rows)


def _thermometers(results: DevelopmentResults) -> list[Block]:
    claims = results.claims
    readings = claims.rows(ClaimKind.THERMOMETER, reference="")
    if not readings:
        return []
    differ, rest = claims.parted(readings)
    undecided = sum(claim.decision is Decision.CANNOT_TELL for claim in claims.found(rest))
    lead = prose(
        WORDS, "readers", claims.table, differ=len(differ), judged=len(readings) - undecided, undecided=undecided,
        is_alike=all(claim.reason is Reason.ONE_LEVEL for claim in claims.found(readings)),
        sites=sites_read(results.thermometers.frame),
    )  # fmt: skip
    blocks: list[Block] = [Heading(Markup("The model or the thermometer?")), lead, claims.bullets(differ)]
    blocks.append(prose(WORDS, "readers_how"))
    if rest:
        blocks.append(Folded(f"No difference shown, or too few to tell ({len(rest)})", (claims.bullets(rest),)))
    sites = [row for row in claims.rows(ClaimKind.THERMOMETER) if claims.claim(row).reference]
    off, others = claims.parted(sites)
    decided = [*off, *(row for row in others if claims.claim(row).decision is not Decision.CANNOT_TELL)]
    counts: dict[str, Any] = {"off": len(claims.subjects(off)), "judged": len(claims.subjects(decided))}
    of_sites = prose(WORDS, "sites", claims.table, **counts), claims.bullets(off), shown(results.site_offsets)
    return [*blocks, shown(results.thermometers), *of_sites]


#: The bands on either side of 5 °C.
COLD_BANDS = ("<5", "5-7")
#: An interval of the bias wider than this (days) says nothing a planner could use.
WIDE_DAYS = 10.0
#: Verdicts of a band that say something; the words of all are in the template.
_TELLING = ("late", "early", "alone", "hour", "fitted", "alike")
_UNJUDGED = {Reason.LOOKS_TOO_FAR_APART: "seldom", Reason.SPREADS_UNKNOWN: "spreads"}


def _where(results: DevelopmentResults) -> Section:
    """Bands and stocks for which a model is off, and whether a model can be trusted near 5 °C."""
    claims = results.claims
    parts = claims.rows(ClaimKind.MODEL_BIASED, section="where")
    lead = prose(WORDS, "where", claims.table, count=len(parts))
    bands = [_bands(results, species, stage) for species, stage in results.shown]
    off = lead, claims.bullets(parts), *_stocks(results)
    blocks = prose(WORDS, "bands"), *bands, *_not_drawn(results), *off, *_cold(results)
    return Section("where", "Where is it off, by temperature and by stock?", blocks)


def _stocks(results: DevelopmentResults) -> list[Block]:
    """Which donor stocks differ, and which cannot be separated from their batches or regions."""
    claims = results.claims
    differ, rest = claims.parted(claims.rows(ClaimKind.STOCKS_DIFFER))
    if not (differ or rest):
        return []
    unclear = [row for row in rest if claims.claim(row).decision is Decision.NOT_CLAIMED]
    untold = [row for row in rest if row not in unclear]
    counts: dict[str, Any] = {"differ": len(differ), "judged": len(differ) + len(unclear), "untold": len(untold)}
    blocks: list[Block] = [
        Heading(Markup("Do donor stocks differ?")),
        prose(WORDS, "stocks", claims.table, **counts),
    ]
    named = [row for row in untold if claims.claim(row).section]
    folded = [Folded(f"Stocks that cannot be separated ({len(named)})", (claims.bullets(named),))] if named else []
    return [*blocks, claims.bullets(differ), *folded, shown(results.stocks)]


def _not_drawn(results: DevelopmentResults) -> list[Block]:
    """Which models stand in no drawing, where more are shown than one can hold."""
    left = [
        f"{model_words(model)} ({named(*key)})"
        for key, models in results.shown.items()
        for model in models
        if model not in results.drawn(*key)
    ]
    return [prose(WORDS, "not_drawn", models=left)] if left else []


def _bands(results: DevelopmentResults, species: str, stage: str) -> Drawing:
    shown = dict.fromkeys([*results.drawn(species, stage), CONSTANT_UNITS])
    table = results.scores.frame
    rows = table[(table["species"] == species) & (table["stage"] == stage) & (table["scheme"] == MAIN_SCHEME)]
    cells = pd.concat([rows[rows["model"] == model].assign(model=model_words(model)) for model in shown])
    return drawing(
        bands_figure, cells, table=results.scores, words={"words": named(species, stage)},
        file=f"bands_{species}_{stage}",
    )  # fmt: skip


def _cold(results: DevelopmentResults) -> list[Block]:
    """Whether a model can be trusted near 5 °C: the bands on either side, model by model."""
    table = results.scores
    found = [
        row
        for species, stage in results.shown
        for model in results.with_constant_units(species, stage)
        for band in COLD_BANDS
        for row in table.rows(species=species, stage=stage, model=model, scheme=MAIN_SCHEME, band=band)
    ]
    verdicts: dict[str, str] = wording(WORDS, "verdicts")
    trust = {row: (table.value(row, "band"), _trust(results, row)) for row in found}
    telling = _cold_bullets(table, trust, _TELLING)
    rest = _cold_bullets(table, trust, [one for one in verdicts if one not in _TELLING])
    blocks: list[Block] = [
        Heading(Markup("Can it be trusted at 5 °C?"), "cold"),
        prose(WORDS, "cold", wide=WIDE_DAYS),
    ]
    blocks.append(Bullets(telling, (table,)) if telling else prose(WORDS, "cold_none", table))
    if rest:
        blocks.append(Folded("Models that cannot be judged", (Bullets(rest, (table,)),)))
    return [*blocks, shown(table, found, "cold-scores")]


def _cold_bullets(
    table: ReportTable, trust: Mapping[int, tuple[str, str]], verdicts: Sequence[str]
) -> tuple[Markup, ...]:
    """For each band and verdict the models that have it, in one line each; trust: band and verdict by row."""
    items = []
    for band in COLD_BANDS:
        for verdict in verdicts:
            rows = [row for row, one in trust.items() if one == (band, verdict)]
            if rows:
                those = joined(bullets(WORDS, "cold_model", table, rows, verdict=verdict).items)
                items.append(phrase(WORDS, "cold_models", band=BAND_WORDS[band], verdict=verdict, those=those))
    return tuple(items)


def _trust(results: DevelopmentResults, row: int) -> str:
    """late, early, alike (no bias shown), alone, hour or fitted (the interval leaves out zero and is no finding:
    not after all that was compared, for the hour of looking, or of an own fit), or why it cannot be judged: wide,
    seldom, spreads or unknown (too few batches or sites).

    Read from the claim on the row, so that the page says the same everywhere.
    """
    table = results.scores
    bounds = table.value(row, "bias_low"), table.value(row, "bias_high")
    if not all(known(bound) for bound in bounds):
        return _UNJUDGED.get(table.value(row, "unscored"), "unknown")
    low, high = (float(bound) for bound in bounds)
    level = f"{table.value(row, 'species')} {table.value(row, 'stage')} {table.value(row, 'band')}"
    found = results.claims.rows(ClaimKind.MODEL_BIASED, subject=str(table.value(row, "model")), level=level)
    reasons = {results.claims.claim(one).reason for one in found}
    if Reason.CLEAR in reasons:
        return "late" if low > 0 else "early"
    if excludes_zero(low, high):
        return "hour" if Reason.HOUR_OF_LOOKING in reasons else "fitted" if Reason.OWN_FIT in reasons else "alone"
    return "wide" if high - low > WIDE_DAYS else "alike"


def _against(results: DevelopmentResults) -> Section:
    """Models that predict better than others on the same tanks."""
    claims, table = results.claims, results.comparisons
    better = claims.rows(ClaimKind.MODEL_BETTER, decision=Decision.CLAIMED)
    counts: dict[str, Any] = pairs_compared(claims.claims, table.frame) | {"better": len(better)}
    lead = prose(WORDS, "pairs", claims.table, **counts)
    return Section("against", "Which model predicts better?", (lead, claims.bullets(better), shown(table)))
