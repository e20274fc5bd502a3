"""The first screen: which models are biased and by how much, and whether thermometers are to blame."""

from __future__ import annotations

from functools import partial

import pandas as pd
from markupsafe import Markup

from broodyear.claims import ClaimKind, Decision
from broodyear.figures.development import biases_figure
from broodyear.reports.development.results import OF_MODEL, WORDS, DevelopmentResults, folded_table, stated, titled
from broodyear.reports.numbers import whole
from broodyear.reports.parts import (
    Block,
    Bullets,
    Drawing,
    Folded,
    Heading,
    Notice,
    Pair,
    Prose,
    Section,
)
from broodyear.reports.rendering import phrase, wording
from broodyear.reports.tables import column, interval_column
from broodyear.reports.vocabulary import model_words

_QUESTION = "Is a model biased, and is it the model or the thermometer?"


def answer_section(results: DevelopmentResults) -> Section:
    """Is a model biased, and is it the model or the thermometer: the claims over all temperatures in a picture."""
    claims = results.claims
    judged = claims.rows(ClaimKind.MODEL_BIASED, section="answer")
    if not judged:
        none = Notice("No answer.", Markup("{}").format(wording(WORDS, "no_answer")))
        return Section("answer", _QUESTION, (none,))
    by_decision = {one: [row for row in judged if claims.claim(row).decision is one] for one in Decision}
    biased = by_decision[Decision.CLAIMED]
    said: list[Prose | Bullets | Notice] = [Prose(_lead(results, judged, biased), (claims.table,), lead=True)]
    said += [stated(claims, biased)] if biased else []
    said.append(Prose(phrase(WORDS, "how")))
    blocks: list[Block] = [Pair(tuple(said), _picture(results, judged, len(biased)))]
    rest = {Decision.NOT_CLAIMED: "Not shown to be biased", Decision.CANNOT_TELL: "Cannot be told"}
    for decision, title in rest.items():
        if by_decision[decision]:
            title = f"{title} ({len(by_decision[decision])})"
            blocks.append(Folded(title, (stated(claims, by_decision[decision]),)))
    return Section("answer", _QUESTION, (*blocks, *_thermometers(results)))


def _lead(results: DevelopmentResults, judged: list[int], biased: list[int]) -> Markup:
    """The headline, which also counts models that are off in a part only."""
    claims = results.claims
    said = phrase(WORDS, "lead_none")
    if biased:
        said = phrase(WORDS, "lead_some", biased=whole(len(biased)), judged=whole(len(judged)))
    whole_ones = {(claims.claim(row).subject, claims.claim(row).level) for row in biased}
    parts = {
        (claims.claim(row).subject, " ".join(claims.claim(row).level.split(" ")[:2]))
        for row in claims.rows(ClaimKind.MODEL_BIASED, section="where")
    }
    untold = [row for row in judged if claims.claim(row).decision is Decision.CANNOT_TELL]
    if untold:
        said += phrase(WORDS, "lead_untold", untold=whole(len(untold)))
    if parts - whole_ones:
        said += phrase(WORDS, "lead_parts", more=whole(len(parts - whole_ones)))
    return said


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
    return Drawing(
        partial(biases_figure, rows, name="biases", title="Bias of models over all temperatures"),
        name="biases",
        caption=phrase(WORDS, "picture"),
        alt=phrase(WORDS, "picture_alt", biased=whole(biased), judged=whole(len(judged))),
        table=claims.table,
    )


def _thermometers(results: DevelopmentResults) -> list[Block]:
    claims = results.claims
    readings = claims.rows(ClaimKind.THERMOMETER)
    if not readings:
        return []
    differ = [row for row in readings if claims.claim(row).is_claimed]
    rest = [row for row in readings if row not in differ]
    blocks: list[Block] = [Heading(Markup("The model or the thermometer?"))]
    if differ:
        said = phrase(WORDS, "readers_some", differ=whole(len(differ)), judged=whole(len(readings)))
        blocks += [Prose(said, (claims.table,)), stated(claims, differ)]
    else:
        blocks.append(Prose(phrase(WORDS, "readers_none", judged=whole(len(readings))), (claims.table,)))
    blocks.append(Prose(phrase(WORDS, "readers_how")))
    if rest:
        blocks.append(Folded(f"No difference shown, or too few to tell ({len(rest)})", (stated(claims, rest),)))
    caption = "The same models where a logger read the tank and where a hand did"
    return [*blocks, *folded_table(results.thermometers, caption, THERMOMETER_COLUMNS)]


THERMOMETER_COLUMNS = (
    *OF_MODEL,
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
