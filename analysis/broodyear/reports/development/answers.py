"""The answers: which models are biased and where, whether thermometers are to blame, which predicts better."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd
from markupsafe import Markup

from broodyear.claims import ClaimKind, Decision, Reason, excludes_zero
from broodyear.figures.development import bands_figure, biases_figure
from broodyear.reports.development.results import (
    CONSTANT_UNITS,
    MAIN_SCHEME,
    WORDS,
    DevelopmentResults,
    named,
    shown_if_any,
    titled,
)
from broodyear.reports.numbers import BAND_WORDS, known, model_words
from broodyear.reports.parts import Block, Bullets, Drawing, Folded, Heading, Notice, Pair, Prose, Section, joined
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
    by_decision = {one: [row for row in judged if claims.claim(row).decision is one] for one in Decision}
    biased = by_decision[Decision.CLAIMED]
    words: list[Prose | Bullets | Notice] = [_lead(results, judged, biased)]
    words += [claims.bullets(biased)] if biased else []
    blocks: list[Block] = [Pair((*words, prose(WORDS, "how")), _picture(results, judged, len(biased)))]
    rest = {Decision.NOT_CLAIMED: "Not shown to be biased", Decision.CANNOT_TELL: "Cannot be judged"}
    blocks += [
        Folded(f"{title} ({len(by_decision[decision])})", (claims.bullets(by_decision[decision]),))
        for decision, title in rest.items()
        if by_decision[decision]
    ]
    return Section("answer", _QUESTION, (*blocks, *_thermometers(results)))


def _lead(results: DevelopmentResults, judged: list[int], biased: list[int]) -> Prose:
    """The headline, which also counts models that are off in a part only."""
    claims = results.claims
    not_shown = claims.rows(ClaimKind.MODEL_BIASED, section="answer", decision=Decision.NOT_CLAIMED)
    whole_ones = {(claims.claim(row).subject, claims.claim(row).level) for row in not_shown}
    parts = {
        (claims.claim(row).subject, " ".join(claims.claim(row).level.split(" ")[:2]))
        for row in claims.rows(ClaimKind.MODEL_BIASED, section="where")
    }
    undecided = sum(claims.claim(row).decision is Decision.CANNOT_TELL for row in judged)
    counts = {
        "biased": len(biased),
        "judged": len(judged),
        "undecided": undecided,
        "more": len(parts & whole_ones),
    }
    return prose(WORDS, "lead", claims.table, lead=True, **counts)


def _picture(results: DevelopmentResults, judged: list[int], biased: int) -> Drawing:
    claims = results.claims
    found = [claims.claim(row) for row in judged]
    rows = pd.DataFrame(
        {
            "group": [titled(*claim.level.split(" ")[:2]) for claim in found],
            "label": [model_words(claim.subject) for claim in found],
            "bias_days": [claim.estimate for claim in found],
            "bias_low": [claim.low for claim in found],
            "bias_high": [claim.high for claim in found],
            "is_claimed": [claim.is_claimed for claim in found],
        }
    )
    words = {"biased": biased, "judged": len(judged)}
    return drawing(biases_figure, rows, table=claims.table, words=words)


def _thermometers(results: DevelopmentResults) -> list[Block]:
    claims = results.claims
    readings = claims.rows(ClaimKind.THERMOMETER, reference="")
    if not readings:
        return []
    differ = [row for row in readings if claims.claim(row).is_claimed]
    rest = [row for row in readings if row not in differ]
    heading = Heading(Markup("The model or the thermometer?"))
    is_alike = all(claims.claim(row).reason is Reason.ONE_LEVEL for row in readings)
    undecided = sum(claims.claim(row).decision is Decision.CANNOT_TELL for row in readings)
    lead = prose(
        WORDS, "readers", claims.table, differ=len(differ), judged=len(readings) - undecided, undecided=undecided,
        is_alike=is_alike, sites=_sites_read(results.thermometers),
    )  # fmt: skip
    blocks: list[Block] = [heading, lead, *([claims.bullets(differ)] if differ else [])]
    blocks.append(prose(WORDS, "readers_how"))
    if rest:
        blocks.append(Folded(f"No difference shown, or too few to tell ({len(rest)})", (claims.bullets(rest),)))
    blocks += shown_if_any(results.thermometers)
    sites = [row for row in claims.rows(ClaimKind.THERMOMETER) if claims.claim(row).reference]
    off = [row for row in sites if claims.claim(row).is_claimed]
    decided = [row for row in sites if claims.claim(row).decision is not Decision.CANNOT_TELL]
    counts = [len(_subjects(results, some)) for some in (off, decided)]
    blocks.append(prose(WORDS, "sites", claims.table, off=counts[0], judged=counts[1]))
    return [*blocks, *([claims.bullets(off)] if off else []), *shown_if_any(results.site_offsets)]


def _sites_read(table: ReportTable) -> dict[str, int]:
    """At how many sites tanks were read by a logger and by hand, at most over stages and models."""
    counts = {"logger": 0, "hand": 0}
    for row in range(len(table)):
        reader, sites = str(table.value(row, "read_by")), table.value(row, "sites")
        if reader in counts and known(sites):
            counts[reader] = max(counts[reader], int(sites))
    return counts


def _subjects(results: DevelopmentResults, rows: Sequence[int]) -> set[str]:
    """What some claims are about, each once."""
    return {results.claims.claim(row).subject for row in rows}


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
    stated = [claims.bullets(parts)] if parts else []
    blocks: list[Block] = [prose(WORDS, "bands"), *bands, *_not_drawn(results), lead, *stated, *_cold(results)]
    return Section("where", "Where is it off, by temperature and by stock?", tuple(blocks))


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
    claims = results.claims
    better = claims.rows(ClaimKind.MODEL_BETTER, decision=Decision.CLAIMED)
    compared = sum(known(claims.claim(row).p_value) for row in claims.rows(ClaimKind.MODEL_BETTER))
    table = results.comparisons
    alone = sum(bool(table.value(row, "is_told_apart")) for row in range(len(table))) - len(better)
    lead = prose(WORDS, "pairs", claims.table, better=len(better), all=compared, alone=max(alone, 0))
    blocks: list[Block] = [lead, *([claims.bullets(better)] if better else [])]
    blocks += shown_if_any(results.comparisons)
    return Section("against", "Which model predicts better?", tuple(blocks))
