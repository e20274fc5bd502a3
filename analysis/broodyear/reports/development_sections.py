"""Sections of the development report: the answer, cold water, the scores, the method."""

from __future__ import annotations

from typing import TYPE_CHECKING

from markupsafe import Markup

from broodyear.claims import ClaimKind, Decision, Reason
from broodyear.reports.numbers import known, words
from broodyear.reports.parts import Block, Bullets, Heading, Notice, Prose, Section, TableBlock, joined, say
from broodyear.reports.sentences import Statements
from broodyear.reports.tables import column, interval_column, table_view
from broodyear.reports.vocabulary import model_words, stage_words

if TYPE_CHECKING:
    from broodyear.reports.development import DevelopmentResults

#: Leaving one batch out is the scheme the page speaks of; the others are in the table.
MAIN_SCHEME = "batch_out"

#: The bands on either side of 5 °C.
COLD_BANDS = ("<5", "5-7")


def named(species: object, stage: object) -> str:
    """A species and stage in words."""
    return f"{words(species)}, {stage_words(stage)}"


def answer_section(results: DevelopmentResults) -> Section:
    """Is the model biased, and is it the model or the thermometer: the claims over all temperatures in words."""
    claims = results.claims
    judged = claims.rows(ClaimKind.MODEL_BIASED, section="answer")
    if not judged:
        none = Notice("No answer.", Markup("No published or given model could be scored on these records."))
        return Section("answer", _QUESTION, (none,))
    by_decision = {one: [row for row in judged if claims.claim(row).decision is one] for one in Decision}
    biased = by_decision[Decision.CLAIMED]
    untold = len(by_decision[Decision.CANNOT_TELL])
    blocks: list[Block] = [Prose(_counted(len(biased), untold, len(judged)), (claims.table,), lead=True)]
    blocks += [_stated(claims, by_decision[one]) for one in Decision if by_decision[one]]
    readings = claims.rows(ClaimKind.THERMOMETER)
    if readings:
        blocks += [Heading(Markup("The model or the thermometer?")), _stated(claims, readings)]
    return Section("answer", _QUESTION, (*blocks, Prose(_HOW)))


_QUESTION = "Is the model biased, and is it the model or the thermometer?"
_BIASED = ("late", "early")

_HOW = Markup(
    "Each model was asked to predict batches it had not seen. Limits allow for batches and for sites, whose"
    " thermometers differ. A bias that loggers share with hand thermometers is the model’s; one that only"
    " hand-read tanks show is more likely the thermometers’. Fits to these records are near zero on them by"
    " construction and are not counted."
)


def _counted(biased: int, untold: int, shown: int) -> Markup:
    if not biased and not untold:
        return Markup("No published or given model is shown to be biased over all temperatures.")
    return say(
        "{biased} of {shown} published or given models are biased over all temperatures{rest}.",
        biased=str(biased or "None"),
        shown=str(shown),
        rest=f"; of {untold} it cannot be told" if untold else "",
    )


def _stated(claims: Statements, rows: list[int]) -> Bullets:
    """Sentences of claims, each traced to its row."""
    return Bullets(tuple(say("{said}", said=claims.at(row)) for row in rows), (claims.table,))


def where_section(results: DevelopmentResults) -> Section:
    """Bands and stocks for which a model is off, and models that predict better than others on the same tanks."""
    claims = results.claims
    parts = claims.rows(ClaimKind.MODEL_BIASED, section="where")
    better = claims.rows(ClaimKind.MODEL_BETTER, section="better")
    compared = len(claims.rows(ClaimKind.MODEL_BETTER))
    blocks: list[Block] = []
    if parts:
        blocks.append(_stated(claims, parts))
    else:
        blocks.append(Prose(Markup("No band of temperature and no donor stock is clearly off for any model.")))
    blocks.append(Heading(Markup("Against each other, on the same tanks")))
    count = say("{better} of {all} pairs are told apart.", better=str(len(better)), all=str(compared))
    blocks.append(Prose(count, (claims.table,)))
    if better:
        blocks.append(_stated(claims, better))
    return Section("where", "Where it is off, and which model predicts better", tuple(blocks))


def cold_section(results: DevelopmentResults) -> Section:
    """Whether a model can be trusted near 5 °C: the bands on either side, model by model."""
    table = results.scores
    found = [
        (row, species, stage, model)
        for species, stage in results.shown
        for model in _models(results, species, stage)
        for band in COLD_BANDS
        for row in table.rows(species=species, stage=stage, model=model, scheme=MAIN_SCHEME, band=band)
    ]
    items = [_cold_words(results, found, band, verdict) for band in COLD_BANDS for verdict in _VERDICTS]
    rows = [row for row, *_ in found]
    view = table_view(table, "Bias on either side of 5 °C", COLD_COLUMNS, rows, anchor="cold-scores")
    blocks = (Prose(_COLD), Bullets(tuple(item for item in items if item), (table,)), TableBlock(view))
    return Section("cold", "Can it be trusted at 5 °C?", blocks)


_COLD = Markup(
    "Five degrees lies on the border of two bands, so both are given. Constant thermal units are right near the"
    " temperature they were tuned at and go wrong in the cold, because the published curves bend and a constant"
    " does not. Where fewer than three batches lived that cold, or the interval is wide, these records cannot"
    " tell, and a date for such water is a guess."
)

#: Verdict of a band and how it is said.
_VERDICTS = {
    "late": "too late",
    "early": "too early",
    "alike": "no bias shown",
    "wide": "cannot be told, the interval is too wide",
    "seldom": "cannot be told, too few tanks or looked at too seldom",
    "unknown": "cannot be told, fewer than three batches",
}


def _models(results: DevelopmentResults, species: str, stage: str) -> tuple[str, ...]:
    """The models shown, and constant units as fitted here."""
    shown = list(results.shown[(species, stage)])
    constant = "own_constant_units"
    rows = results.scores.rows(species=species, stage=stage, model=constant, scheme=MAIN_SCHEME)
    return tuple([*shown, constant] if constant not in shown and rows else shown)


def _cold_words(
    results: DevelopmentResults, found: list[tuple[int, str, str, str]], band: str, verdict: str
) -> Markup:
    """Models with one verdict in one band, in one line; empty when there are none."""
    chosen = [
        one
        for one in found
        if str(results.scores.value(one[0], "band")) == band and _trust(results, one[0]) == verdict
    ]
    if not chosen:
        return Markup("")
    place = {"<5": "Below 5 °C", "5-7": "At 5 to 7 °C"}[band]
    named_ones = [_cold_name(results, *one) for one in chosen]
    return say("{place}, {what}: {those}.", place=place, what=_VERDICTS[verdict], those=joined(named_ones))


def _cold_name(results: DevelopmentResults, row: int, species: str, stage: str, model: str) -> Markup:
    name = say("{model} ({name}", model=model_words(model), name=named(species, stage))
    if _trust(results, row) in _BIASED:
        return name + say(", {bias})", bias=results.scores.at(row, "bias_days", "days_signed"))
    return name + Markup(")")


COLD_COLUMNS = (
    column("species", "species", "words"),
    column("stage", "stage", "stage"),
    column("model", "model", "model"),
    column("band", "mean °C", "text"),
    column("tanks", "tanks", "whole"),
    column("batches", "batches", "whole"),
    column("bias_days", "bias (d)", "points"),
    interval_column("bias_low", "bias_high", "95 % interval (d)", "points"),
    column("mae_days", "mean error (d)", "number"),
)


#: An interval of the bias wider than this (days) says nothing a planner could use.
WIDE_DAYS = 10.0


def _trust(results: DevelopmentResults, row: int) -> str:
    """late, early, alike (no bias shown), wide or seldom (cannot be told) or unknown (too few batches or sites).

    Read from the claim on the row, so that the page says the same everywhere.
    """
    table = results.scores
    bounds = table.value(row, "bias_low"), table.value(row, "bias_high")
    if not all(known(bound) for bound in bounds):
        return "seldom" if table.value(row, "unscored") == Reason.NO_INTERVAL else "unknown"
    low, high = (float(bound) for bound in bounds)
    level = f"{table.value(row, 'species')} {table.value(row, 'stage')} {table.value(row, 'band')}"
    found = results.claims.rows(ClaimKind.MODEL_BIASED, subject=str(table.value(row, "model")), level=level)
    if any(results.claims.claim(one).is_claimed for one in found):
        return "late" if low > 0 else "early"
    return "wide" if high - low > WIDE_DAYS else "alike"


def scores_section(results: DevelopmentResults) -> Section:
    """Scores of the shown models by band, batches left out; and the bias by thermometer."""
    table = results.scores
    rows = [
        row
        for species, stage in results.shown
        for model in _models(results, species, stage)
        for row in table.rows(species=species, stage=stage, model=model, scheme=MAIN_SCHEME)
    ]
    note = "Above zero the model is late. Every model, also with sites and seasons left out, is in the file."
    view = table_view(table, "Scores with one batch left out at a time", SCORE_COLUMNS, rows, note=note)
    blocks: list[Block] = [Prose(_SCORES), TableBlock(view)]
    if len(results.thermometers):
        caption = "The same models where a logger read the tank and where a hand did"
        blocks.append(TableBlock(table_view(results.thermometers, caption, THERMOMETER_COLUMNS)))
    if len(results.comparisons):
        blocks.append(
            TableBlock(
                table_view(results.comparisons, "Against each other, on the same tanks", COMPARISON_COLUMNS)
            )
        )
    return Section("scores", "Scores", tuple(blocks))


_SCORES = Markup(
    "Bias and error come from the interval in which a stage was seen to come about, not from the day it was"
    " first seen. Coverage says how often the 50, 80 and 95 % intervals held the truth; it should be near those"
    " figures. Skill is the gain in mean error over constant units: 0 is no gain, 1 would be no error at all."
)

SCORE_COLUMNS = (
    column("species", "species", "words"),
    column("stage", "stage", "stage"),
    column("model", "model", "model"),
    column("band", "mean °C", "text"),
    column("tanks", "tanks", "whole"),
    column("batches", "batches", "whole"),
    column("bias_days", "bias (d)", "points"),
    interval_column("bias_low", "bias_high", "95 % interval (d)", "points"),
    column("mae_days", "mean error (d)", "number"),
    column("coverage_50", "50 % held (%)", "pct_bare"),
    column("coverage_80", "80 % held (%)", "pct_bare"),
    column("coverage_95", "95 % held (%)", "pct_bare"),
    column("log_score", "log score", "number_fine"),
    column("skill_vs_constant", "skill", "number_fine"),
    column("note", "note", "text"),
)

THERMOMETER_COLUMNS = (
    column("species", "species", "words"),
    column("stage", "stage", "stage"),
    column("model", "model", "model"),
    column("read_by", "read by", "words"),
    column("tanks", "tanks", "whole"),
    column("batches", "batches", "whole"),
    column("sites", "sites", "whole"),
    column("bias_days", "bias (d)", "points"),
    interval_column("bias_low", "bias_high", "95 % interval (d)", "points"),
    column("site_sd_days", "SD between sites (d)", "number"),
    column("days_per_c", "1 °C of thermometer moves a date by (d)", "points"),
    column("implied_offset_c", "offset that would explain it (°C)", "number_fine"),
    column("note", "note", "text"),
)

COMPARISON_COLUMNS = (
    column("species", "species", "words"),
    column("stage", "stage", "stage"),
    column("model", "model", "model"),
    column("tanks", "tanks", "whole"),
    column("batches", "batches", "whole"),
    column("against", "against", "model"),
    column("mae_gain_days", "misses less by (d)", "points"),
    interval_column("mae_gain_low", "mae_gain_high", "95 % interval (d)", "points"),
    column("log_score_gain", "log score gained per tank", "number_fine"),
    interval_column("gain_low", "gain_high", "95 % interval", "number_fine"),
    column("band_low_c", "water from (°C)", "number"),
    column("band_high_c", "to (°C)", "number"),
    column("is_told_apart", "told apart", "yes_no"),
)


def method_section(results: DevelopmentResults) -> Section:
    """How it was done, rows left out, and what these records can and cannot tell."""
    blocks: list[Block] = [Bullets(_METHOD)]
    if len(results.left_out):
        columns = (
            column("species", "species", "words"),
            column("stage", "stage", "stage"),
            column("reason", "left out because", "text", long=True),
            column("rows", "stages", "whole"),
        )
        blocks.append(TableBlock(table_view(results.left_out, "Stages left out of the validation", columns)))
    table = results.statements
    told = [
        row for topic in ("data", "band", "suspects", "intervals", "survivors") for row in table.rows(topic=topic)
    ]
    if told:
        items = tuple(say("{said}", said=table.at(row, "sentence", "statement")) for row in told)
        blocks += [Heading(Markup("What these records can and cannot tell")), Bullets(items, (table,))]
    return Section("method", "Method and limits", tuple(blocks))


_METHOD = (
    Markup(
        "A stage is known to lie between the last look without it and the first with it; the likelihood uses that"
        " interval, from the day of delivery on, and tanks that ended first count as not yet there."
    ),
    Markup(
        "Development adds up day by day as 1 ÷ days-to-stage at that day’s temperature; what eggs had behind"
        " them at delivery comes from their thermal units. Only the rest is being tested."
    ),
    Markup("Own fits are refitted without the batch, site or season that is then predicted; published ones stay."),
    Markup("Cells with fewer than three batches are not estimated: a batch develops as one."),
    Markup("A forecast never replaces looking. Fish are released only where and when the permit says."),
)
