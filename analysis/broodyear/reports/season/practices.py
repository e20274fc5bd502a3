"""Practices: combinations, effects in sentences, what to change next season, and whether the method matters."""

from __future__ import annotations

from functools import partial

from markupsafe import Markup

from broodyear.claims import Claim, ClaimKind, Decision, Reason
from broodyear.figures.intervals import MOST_ROWS, Estimate, intervals_figure
from broodyear.reports.numbers import known, words
from broodyear.reports.parts import Block, Bullets, Drawing, Heading, Prose, Section, folded_table, joined, say
from broodyear.reports.rendering import phrase
from broodyear.reports.season.action import next_step
from broodyear.reports.season.results import SeasonResults
from broodyear.reports.season.stating import COMPARED
from broodyear.reports.tables import ReportTable, column, interval_column
from broodyear.reports.vocabulary import MAIN_OUTCOME, OUTCOMES, factor_words, level_words
from broodyear.reports.wording import refusal

_WORDS = "season/practices.txt"


def changes_section(results: SeasonResults) -> Section:
    """The changes that the records speak for, most fish first, each with what stands behind it."""
    title = "What to change next season"
    table, statements = results.changes, results.statements
    if table.refusal:
        return Section("changes", title, (refusal("No change can be recommended.", table),))
    claimed = [row for row in range(len(table)) if _claim_of(results, row) is not None]
    if not claimed:
        none = Prose(phrase(_WORDS, "changes_none"), (statements.table,))
        return Section("changes", title, (none, Prose(next_step(results))))
    items = tuple(_change(results, row) for row in claimed)
    changes = Bullets(items, (statements.table, table), numbered=True)
    return Section("changes", title, (Prose(phrase(_WORDS, "no_experiment")), changes))


def _claim_of(results: SeasonResults, row: int) -> int | None:
    """Row of the claim that a row of changes makes; None where it is not claimed."""
    names = {"subject": "practice", "level": "proposed", "reference": "level"}
    wanted = {name: str(results.changes.value(row, source)) for name, source in names.items()}
    found = results.statements.rows(ClaimKind.CHANGE, decision=Decision.CLAIMED, **wanted)
    return found[0] if found else None


def _change(results: SeasonResults, row: int) -> Markup:
    """The claim of a row of changes, and what stands behind it."""
    table, statements = results.changes, results.statements
    text = say("<strong>{it}</strong>", it=statements.at(_claim_of(results, row) or 0))
    text += Markup(" ") + phrase(
        _WORDS, "how",
        tanks=table.at(row, "tanks", "tanks"),
        batches=table.at(row, "batches", "batches"),
        points=table.at(row, "difference_points", "points_words"),
        low=table.at(row, "difference_low", "points"),
        high=table.at(row, "difference_high", "points"),
    )  # fmt: skip
    if known(table.value(row, "days_longer")) and float(table.value(row, "days_longer")) >= 1:
        text += Markup(" ") + phrase(_WORDS, "longer", days=table.at(row, "days_longer", "whole"))
    return text


def practices_section(results: SeasonResults) -> Section:
    """Adjusted survival of each combination, the effect of each practice, and the methods beside each other."""
    blocks: list[Block] = [*_effects(results), *_combinations(results), *_methods(results)]
    return Section("practices", "Practices and temperature: what goes with survival", tuple(blocks))


def _effects(results: SeasonResults) -> list[Block]:
    table = results.effects
    if table.refusal or not len(table):
        return [refusal("The effect of practices cannot be worked out.", table)]
    rows = headline_rows(table, MAIN_OUTCOME)
    blocks: list[Block] = [Prose(phrase(_WORDS, "differences")), *_effect_figure(results, rows)]
    blocks.append(Bullets(_effect_sentences(results), (results.statements.table, table)))
    every = [row for outcome in OUTCOMES for row in headline_rows(table, outcome)]
    caption = "Effect of each practice and of temperature, all outcomes"
    return [*blocks, folded_table(table, caption, EFFECT_COLUMNS, every)]


def _effect_sentences(results: SeasonResults) -> tuple[Markup, ...]:
    """What is claimed and what cannot be told in full; what is not clear together in one sentence."""
    statements = results.statements
    rows = statements.rows(*COMPARED, outcome=MAIN_OUTCOME)
    said = [
        say("{it}", it=statements.at(row)) + _if_silent(results, statements.claim(row))
        for row in rows
        if statements.claim(row).reason not in _UNCLEAR
    ]
    unclear = [statements.claim(row) for row in rows if statements.claim(row).reason in _UNCLEAR]
    if unclear:
        labels = [
            phrase(
                _WORDS, "label", factor=factor_words(claim.subject), level=level_words(claim.level),
                reference=level_words(claim.reference),
            )
            for claim in unclear
        ]  # fmt: skip
        said.append(phrase(_WORDS, "unclear", named=joined(labels)))
    return tuple(said)


def _if_silent(results: SeasonResults, claim: Claim) -> Markup:
    """What the tanks that fell silent could make of a claimed difference; nothing where none could."""
    found = results.effects.rows(
        outcome=claim.outcome, factor=claim.subject, level=claim.level, reference=claim.reference, method="mixed"
    )
    if not claim.is_claimed or claim.reason is Reason.ASSIGNED or not found:
        return Markup("")
    row, table = found[0], results.effects
    lost, alike = (table.value(row, f"points_if_silent_{name}") for name in ("lost", "alike"))
    if not known(lost) or lost == alike:
        return Markup("")
    return Markup(" ") + phrase(
        _WORDS, "silence",
        lost=table.at(row, "points_if_silent_lost", "points"),
        alike=table.at(row, "points_if_silent_alike", "points"),
        blurs=bool(table.value(row, "silence_blurs")),
    )  # fmt: skip


_UNCLEAR = (Reason.NOT_CLEAR, Reason.WATCH)

EFFECT_COLUMNS = (
    column("factor", "practice", "factor"),
    column("level", "level", "words"),
    column("reference", "compared with", "words"),
    column("outcome", "outcome", "outcome"),
    column("tanks", "tanks", "whole"),
    column("batches", "batches", "whole"),
    column("difference_points", "difference (points)", "points"),
    interval_column("difference_low", "difference_high", "95 % interval", "points"),
    column("odds_ratio", "odds ratio", "odds"),
    interval_column("or_low", "or_high", "95 % interval", "odds"),
    column("p_value", "p", "p"),
    column("note", "note", "text", long=True),
)


def headline_rows(table: ReportTable, outcome: str) -> list[int]:
    """Rows of one outcome by the headline method: the mixed model, or the first method given."""
    rows = table.rows(outcome=outcome)
    methods = [str(table.value(row, "method")) for row in rows]
    headline = "mixed" if "mixed" in methods else (methods[0] if methods else "")
    return [row for row, method in zip(rows, methods, strict=True) if method == headline]


def _effect_figure(results: SeasonResults, rows: list[int]) -> list[Block]:
    table = results.effects
    shown = [row for row in rows if known(table.value(row, "difference_points"))][:MOST_ROWS]
    if not shown:
        return []
    frame = table.frame.iloc[shown].copy()
    frame["label"] = [effect_label(table, row) for row in shown]
    estimate = Estimate("difference_points", "difference_low", "difference_high", "difference")
    return [
        Drawing(
            partial(
                intervals_figure, frame, name="effects", title="Effect of each practice", label="label",
                estimates=[estimate], reference=0.0,
                unit="difference in survival from delivery to release (points)",
                reference_note="no difference",
            ),
            name="effects",
            caption="Difference of each level from its reference, with 95 % interval, delivery to release.",
            alt="Dot plot with intervals, one row per practice level, with a line at no difference. Clear after"
            f" allowing for all: {_clear_ones(results)}.",
            table=table,
        )
    ]  # fmt: skip


def _clear_ones(results: SeasonResults) -> str:
    """The contrasts that are claimed, for who cannot see the drawing."""
    statements = results.statements
    claims = [statements.claim(row) for row in statements.rows(*COMPARED, outcome=MAIN_OUTCOME)]
    said = [f"{factor_words(one.subject)} {level_words(one.level)}" for one in claims if one.is_claimed]
    return "; ".join(said) or "none"


def effect_label(table: ReportTable, row: int) -> str:
    factor = factor_words(table.value(row, "factor"))
    level, reference = words(table.value(row, "level")), table.value(row, "reference")
    return f"{factor}: {level}" + (f" v. {words(reference)}" if known(reference) and str(reference) else "")


def _combinations(results: SeasonResults) -> list[Block]:
    table = results.practices
    heading = Heading(Markup("Rooms and gravel together"))
    if table.refusal or not len(table):
        return [heading, refusal("Combinations of practices cannot be compared.", table)]
    rows = table.rows(outcome=MAIN_OUTCOME)
    both = [row for row in rows if str(table.value(row, "practice")) == "room_and_gravel"]
    single = [row for row in rows if row not in both]
    pairs = (column("room_type", "room", "words"), column("gravel_practice", "gravel", "words"))
    alone = (column("practice", "practice", "factor"), column("level", "level", "words"))
    together = folded_table(
        table, "Each combination of room and gravel practice, all seasons", (*pairs, *_PRACTICE_COLUMNS), both,
        anchor="combinations",
    )  # fmt: skip
    apart = folded_table(
        table, "Each practice by itself, adjusted for room and gravel, all seasons", (*alone, *_PRACTICE_COLUMNS),
        single, anchor="each-practice",
    )  # fmt: skip
    return [
        heading,
        Prose(phrase(_WORDS, "against_others")),
        *_combination_figure(table, both),
        together,
        apart,
    ]


_PRACTICE_COLUMNS = (
    column("tanks", "tanks", "whole"),
    column("batches", "batches", "whole"),
    column("seasons", "seasons", "whole"),
    column("adjusted_pct", "adjusted (%)", "pct_bare"),
    interval_column("adjusted_low", "adjusted_high", "95 % interval (%)", "pct_bare"),
    column("difference_points", "against the others (points)", "points"),
    interval_column("difference_low", "difference_high", "95 % interval", "points"),
    column("within_batch_points", "within batches (points)", "points"),
    column("note", "note", "text", long=True),
)


def _combination_figure(table: ReportTable, rows: list[int]) -> list[Block]:
    shown = [row for row in rows if known(table.value(row, "adjusted_pct"))]
    if not shown:
        return []
    frame = table.frame.iloc[shown].copy()
    frame["label"] = [
        f"{words(room)}, {words(gravel)} ({tanks:.0f})"
        for room, gravel, tanks in zip(frame["room_type"], frame["gravel_practice"], frame["tanks"], strict=True)
    ]
    return [
        Drawing(
            partial(
                intervals_figure, frame, name="practices", title="Rooms and gravel together", label="label",
                estimates=[Estimate("adjusted_pct", "adjusted_low", "adjusted_high", "adjusted survival")],
                unit="adjusted survival from delivery to release (%)",
            ),
            name="practices",
            caption="Adjusted survival of each combination with its 95 % interval; tanks in brackets.",
            alt="Dot plot with intervals, one row per combination of room and gravel practice.",
            table=table,
        )
    ]  # fmt: skip


def _methods(results: SeasonResults) -> list[Block]:
    table = results.methods
    heading = Heading(Markup("Does the conclusion depend on the method?"))
    if table.refusal or not len(table):
        return [heading, refusal("Only one method could be used.", table)]
    columns = (
        column("factor", "practice", "factor"),
        column("level", "level", "words"),
        column("reference", "compared with", "words"),
        column("method", "method", "words"),
        column("odds_ratio", "odds ratio", "odds"),
        interval_column("or_low", "or_high", "95 % interval", "odds"),
        column("difference_points", "difference (points)", "points"),
        interval_column("difference_low", "difference_high", "95 % interval", "points"),
        column("p_value", "p", "p"),
    )
    rows = table.rows(outcome=MAIN_OUTCOME)
    shown = folded_table(table, "The same effects by each method, delivery to release", columns, rows)
    return [heading, Prose(phrase(_WORDS, "methods")), shown]
