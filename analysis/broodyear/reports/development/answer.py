"""The first screen: which models are biased and by how much, and whether thermometers are to blame."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup

from broodyear.claims import ClaimKind, Decision, Reason
from broodyear.figures.development import biases_figure
from broodyear.reports.development.results import WORDS, DevelopmentResults, shown_if_any, titled
from broodyear.reports.parts import Block, Bullets, Drawing, Folded, Heading, Notice, Pair, Prose, Section
from broodyear.reports.rendering import drawing, phrase, prose
from broodyear.reports.vocabulary import model_words

_QUESTION = "Is a model biased, and is it the model or the thermometer?"


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
    untold = [row for row in judged if claims.claim(row).decision is Decision.CANNOT_TELL]
    counts = {"biased": len(biased), "judged": len(judged), "untold": len(untold), "more": len(parts & whole_ones)}
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
    said = prose(WORDS, "readers", claims.table, differ=len(differ), judged=len(readings), is_alike=is_alike)
    blocks: list[Block] = [heading, said, *([claims.bullets(differ)] if differ else [])]
    blocks.append(prose(WORDS, "readers_how"))
    if rest:
        blocks.append(Folded(f"No difference shown, or too few to tell ({len(rest)})", (claims.bullets(rest),)))
    blocks += shown_if_any(results.thermometers)
    sites = [row for row in claims.rows(ClaimKind.THERMOMETER) if claims.claim(row).reference]
    off = [row for row in sites if claims.claim(row).is_claimed]
    judged = sum(claims.claim(row).decision is not Decision.CANNOT_TELL for row in sites)
    blocks.append(prose(WORDS, "sites", claims.table, off=len(off), judged=judged))
    return [*blocks, *([claims.bullets(off)] if off else []), *shown_if_any(results.site_offsets)]
