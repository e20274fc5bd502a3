"""Where models are off: by temperature, by stock, near 5 °C; and which of two predicts better."""

from __future__ import annotations

from functools import partial

import pandas as pd
from markupsafe import Markup

from broodyear.claims import ClaimKind, Decision, Reason
from broodyear.figures.development import bands_figure
from broodyear.reports.development.results import (
    CONSTANT_UNITS,
    MAIN_SCHEME,
    OF_MODEL,
    WORDS,
    DevelopmentResults,
    folded_table,
    named,
    stated,
    titled,
)
from broodyear.reports.numbers import known, whole
from broodyear.reports.parts import (
    Block,
    Bullets,
    Drawing,
    Folded,
    Heading,
    Prose,
    Section,
    TableBlock,
    joined,
    say,
)
from broodyear.reports.rendering import phrase
from broodyear.reports.tables import column, interval_column, table_view
from broodyear.reports.vocabulary import BAND_WORDS, model_words

#: The bands on either side of 5 °C.
COLD_BANDS = ("<5", "5-7")
#: An interval of the bias wider than this (days) says nothing a planner could use.
WIDE_DAYS = 10.0
#: Verdict of a band and how it is said; the first three say something.
_VERDICTS = {
    "late": "too late",
    "early": "too early",
    "alike": "no bias shown",
    "wide": "cannot be told, the interval is too wide",
    "seldom": "cannot be told, too few tanks or looked at too seldom",
    "spreads": "cannot be told, the spreads between batches and sites could not be estimated",
    "unknown": "cannot be told, fewer than three batches or sites",
}
_UNTOLD = {Reason.NO_INTERVAL: "seldom", Reason.SPREADS_UNKNOWN: "spreads"}
_TELLING = ("late", "early", "alike")


def where_section(results: DevelopmentResults) -> Section:
    """Bands and stocks for which a model is off, and whether a model can be trusted near 5 °C."""
    claims = results.claims
    parts = claims.rows(ClaimKind.MODEL_BIASED, section="where")
    blocks: list[Block] = [_bands(results)]
    if parts:
        said = phrase(WORDS, "where_some", count=whole(len(parts)))
        blocks += [Prose(said, (claims.table,)), stated(claims, parts)]
    else:
        blocks.append(Prose(phrase(WORDS, "where_none"), (claims.table,)))
    return Section("where", "Where is it off, by temperature and by stock?", (*blocks, *_cold(results)))


def _bands(results: DevelopmentResults) -> Block:
    cells = [_band_cells(results, species, stage) for species, stage in results.shown]
    table = pd.concat(cells, ignore_index=True) if cells else pd.DataFrame()
    return Drawing(
        partial(bands_figure, table, name="bands", title="Bias by temperature"),
        name="bands",
        caption=phrase(WORDS, "bands_caption"),
        alt="One panel per species and stage: bias in days by band of temperature, a mark per model.",
        table=results.scores,
        wide=True,
    )


def _band_cells(results: DevelopmentResults, species: str, stage: str) -> pd.DataFrame:
    shown = dict.fromkeys([*results.drawn(species, stage), CONSTANT_UNITS])
    table = results.scores.frame
    rows = table[(table["species"] == species) & (table["stage"] == stage) & (table["scheme"] == MAIN_SCHEME)]
    parts = [rows[rows["model"] == model].assign(model=model_words(model)) for model in shown]
    return pd.concat(parts).assign(panel=titled(species, stage))


def _cold(results: DevelopmentResults) -> list[Block]:
    """Whether a model can be trusted near 5 °C: the bands on either side, model by model."""
    table = results.scores
    found = [
        (row, species, stage, model)
        for species, stage in results.shown
        for model in results.with_constant_units(species, stage)
        for band in COLD_BANDS
        for row in table.rows(species=species, stage=stage, model=model, scheme=MAIN_SCHEME, band=band)
    ]
    telling = _cold_bullets(results, found, _TELLING)
    rest = _cold_bullets(results, found, tuple(one for one in _VERDICTS if one not in _TELLING))
    blocks: list[Block] = [Heading(Markup("Can it be trusted at 5 °C?"), "cold"), Prose(phrase(WORDS, "cold"))]
    blocks.append(Bullets(telling, (table,)) if telling else Prose(phrase(WORDS, "cold_none"), (table,)))
    if rest:
        blocks.append(Folded("Models of which it cannot be told", (Bullets(rest, (table,)),)))
    view = table_view(
        table, "Bias on either side of 5 °C", COLD_COLUMNS, [row for row, *_ in found], anchor="cold-scores"
    )
    return [*blocks, TableBlock(view, folded=True)]


def _cold_bullets(
    results: DevelopmentResults, found: list[tuple[int, str, str, str]], verdicts: tuple[str, ...]
) -> tuple[Markup, ...]:
    items = [_cold_words(results, found, band, verdict) for band in COLD_BANDS for verdict in verdicts]
    return tuple(item for item in items if item)


def _cold_words(
    results: DevelopmentResults, found: list[tuple[int, str, str, str]], band: str, verdict: str
) -> Markup:
    """Models with one verdict in one band, in one line; empty when there are none."""
    chosen = [one for one in found if results.scores.value(one[0], "band") == band]
    chosen = [one for one in chosen if _trust(results, one[0]) == verdict]
    if not chosen:
        return Markup("")
    place = f"{BAND_WORDS[band][:1].upper()}{BAND_WORDS[band][1:]}"
    named_ones = [_cold_name(results, *one) for one in chosen]
    return say("{place}, {what}: {those}.", place=place, what=_VERDICTS[verdict], those=joined(named_ones))


def _cold_name(results: DevelopmentResults, row: int, species: str, stage: str, model: str) -> Markup:
    name = say("{model} ({name}", model=model_words(model), name=named(species, stage))
    if _trust(results, row) in ("late", "early"):
        return name + say(", {bias})", bias=results.scores.at(row, "bias_days", "days_signed"))
    return name + Markup(")")


def _trust(results: DevelopmentResults, row: int) -> str:
    """late, early, alike (no bias shown), or why it cannot be told: wide, seldom, spreads or unknown (too few
    batches or sites).

    Read from the claim on the row, so that the page says the same everywhere.
    """
    table = results.scores
    bounds = table.value(row, "bias_low"), table.value(row, "bias_high")
    if not all(known(bound) for bound in bounds):
        return _UNTOLD.get(table.value(row, "unscored"), "unknown")
    low, high = (float(bound) for bound in bounds)
    level = f"{table.value(row, 'species')} {table.value(row, 'stage')} {table.value(row, 'band')}"
    found = results.claims.rows(ClaimKind.MODEL_BIASED, subject=str(table.value(row, "model")), level=level)
    if any(results.claims.claim(one).is_claimed for one in found):
        return "late" if low > 0 else "early"
    return "wide" if high - low > WIDE_DAYS else "alike"


COLD_COLUMNS = (
    *OF_MODEL,
    column("band", "mean °C", "band"),
    column("tanks", "tanks", "whole"),
    column("batches", "batches", "whole"),
    column("bias_days", "bias (d)", "points"),
    interval_column("bias_low", "bias_high", "95 % interval (d)", "points"),
    column("mae_days", "mean error (d)", "number"),
)


def against_section(results: DevelopmentResults) -> Section:
    """Models that predict better than others on the same tanks."""
    claims = results.claims
    better = claims.rows(ClaimKind.MODEL_BETTER, decision=Decision.CLAIMED)
    compared = len(claims.rows(ClaimKind.MODEL_BETTER))
    said = phrase(WORDS, "pairs", better=whole(len(better)), all=whole(compared))
    blocks: list[Block] = [Prose(said, (claims.table,))]
    if better:
        blocks.append(stated(claims, better))
    blocks += folded_table(results.comparisons, "Against each other, on the same tanks", COMPARISON_COLUMNS)
    return Section("against", "Which model predicts better?", tuple(blocks))


COMPARISON_COLUMNS = (
    *OF_MODEL,
    column("tanks", "tanks looked at closely", "whole"),
    column("batches", "batches", "whole"),
    column("against", "against", "model"),
    column("mae_gain_days", "misses less by (d)", "points"),
    interval_column("mae_gain_low", "mae_gain_high", "95 % interval (d)", "points"),
    column("log_score_gain", "log score gained per tank", "number_fine"),
    interval_column("gain_low", "gain_high", "95 % interval", "number_fine"),
    column("band_low_c", "water from (°C)", "number"),
    column("band_high_c", "to (°C)", "number"),
    column("is_told_apart", "days told apart", "yes_no"),
)
