"""Practices: assigned at random, combinations, effects in sentences, what to change, whether methods agree."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup

from broodyear.claims import Claim, ClaimKind, Decision, Reason
from broodyear.figures.intervals import MOST_ROWS, Estimate, intervals_figure
from broodyear.reports.numbers import FACTORS, MAIN_OUTCOME, called, known, words
from broodyear.reports.parts import Block, Bullets, Heading, Prose, Section, joined, say
from broodyear.reports.rendering import bullets, drawing, phrase, prose, refusal
from broodyear.reports.season.action import next_step
from broodyear.reports.season.results import COMPARED, SeasonResults
from broodyear.reports.sentences import worded
from broodyear.reports.tables import ReportTable, report_table, shown
from broodyear.trials import COMPARISON_COLUMNS, trial_claims

_WORDS, _ASSIGNED = "season/practices.txt", "season/assigned.txt"
_UNCLEAR = (Reason.NOT_CLEAR, Reason.WATCH)
_TOO_FEW = (Reason.TOO_FEW_TANKS, Reason.TOO_FEW_BATCHES)


def changes_section(results: SeasonResults) -> Section:
    """The changes that the records speak for, most fish first, each with what stands behind it."""
    title, table, statements = "What to change next season", results.changes, results.statements
    if table.refusal:
        return Section("changes", title, (refusal("No change can be recommended.", table),))
    items = tuple(
        phrase(_WORDS, "change", row=table.row(row), claim=statements.at(claim))
        for row in range(len(table))
        for claim in _claims_of(results, row)[:1]
    )
    if not items:
        return Section("changes", title, (prose(_WORDS, "changes_none", statements.table),))
    changes = Bullets(items, (statements.table, table), numbered=True)
    return Section("changes", title, (prose(_WORDS, "no_experiment"), changes))


def _claims_of(results: SeasonResults, row: int) -> list[int]:
    """Row of the claim that a row of changes makes; none where it is not claimed."""
    names = {"subject": "practice", "level": "proposed", "reference": "level"}
    wanted = {name: str(results.changes.value(row, source)) for name, source in names.items()}
    return results.statements.rows(ClaimKind.CHANGE, decision=Decision.CLAIMED, **wanted)


def practices_section(results: SeasonResults) -> Section:
    """Adjusted survival of each combination, the effect of each practice, and the methods beside each other."""
    blocks: list[Block] = [*_effects(results), *_combinations(results), *_methods(results)]
    return Section("practices", "Practices and temperature: what goes with survival", tuple(blocks))


def _effects(results: SeasonResults) -> list[Block]:
    table = results.effects
    if not len(table):
        return [refusal("The effect of practices cannot be worked out.", table)]
    sentences = Bullets(_effect_sentences(results), (results.statements.table, table))
    rows = _estimated(table)
    names = joined(list(dict.fromkeys(called(FACTORS, table.value(row, "factor")) for row in rows)))
    blocks: list[Block] = [prose(_WORDS, "differences"), *_effect_figure(results), sentences]
    return [*blocks, shown(table, rows), prose(_WORDS, "scope", compared=names)] if rows else blocks


def _estimated(table: ReportTable) -> list[int]:
    """Rows of the main outcome by the headline method that have an estimate."""
    return [row for row in headline_rows(table, MAIN_OUTCOME) if known(table.value(row, "difference_points"))]


def _rest(table: ReportTable, count: int) -> list[Block]:
    """How many rows of a table have no figure to show, and stand in the file with the reason."""
    return [prose(_WORDS, "rest", table, count=count)] if count else []


def _effect_sentences(results: SeasonResults) -> tuple[Markup, ...]:
    """What is claimed, and what cannot be judged, in full; what is not clear in one sentence, and what is in too
    few tanks or batches in another."""
    statements = results.statements
    rows = statements.rows(*COMPARED, outcome=MAIN_OUTCOME)
    sentences = [
        say("{it}", it=statements.at(row)) + _beside(results, statements.claim(row))
        for row in rows
        if statements.claim(row).reason not in (*_UNCLEAR, *_TOO_FEW)
    ]
    unclear = [row for row in rows if statements.claim(row).reason in _UNCLEAR]
    is_any_clear = any(statements.claim(row).is_claimed for row in rows)
    sentences += [phrase(_WORDS, "unclear", count=len(unclear), clear=is_any_clear)] if unclear else []
    few = [phrase(_WORDS, "label", claim=claim) for claim in statements.found(rows) if claim.reason in _TOO_FEW]
    sentences += [phrase(_WORDS, "too_few", named=joined(few))] if few else []
    stages = [
        phrase(_WORDS, "at_stage", claim=claim, row=results.effects.row(row))
        for claim in statements.found(statements.rows(*COMPARED, decision=Decision.CLAIMED))
        if claim.outcome != MAIN_OUTCOME
        for row in _rows_of(results.effects, claim)
    ]
    return (*sentences, *([phrase(_WORDS, "at_stages", named=joined(stages))] if stages else []))


def _rows_of(table: ReportTable, claim: Claim) -> list[int]:
    """The row of the effects behind a claim, by the headline method; none where it rests on a trial."""
    return table.rows(
        outcome=claim.outcome, factor=claim.subject, level=claim.level, reference=claim.reference, method="mixed"
    )


def _beside(results: SeasonResults, claim: Claim) -> Markup:
    """What the tanks that fell silent could make of a claimed difference, and by which methods it is not clear;
    nothing where there is neither."""
    table = results.effects
    found = _rows_of(table, claim)
    if not claim.is_claimed or claim.reason is Reason.ASSIGNED or not found:
        return Markup("")
    row, sentences = table.row(found[0]), Markup("")
    lost, alike = (table.value(found[0], f"points_if_silent_{name}") for name in ("lost", "alike"))
    if known(lost) and lost != alike:
        sentences += Markup(" ") + phrase(_WORDS, "silence", row=row)
    if row.value("methods_not_clear"):
        sentences += Markup(" ") + phrase(_WORDS, "other_methods", row=row)
    return sentences


def headline_rows(table: ReportTable, outcome: str) -> list[int]:
    """Rows of one outcome by the headline method: the mixed model, or the first method given."""
    rows = table.rows(outcome=outcome)
    methods = [str(table.value(row, "method")) for row in rows]
    headline = "mixed" if "mixed" in methods else (methods[0] if methods else "")
    return [row for row, method in zip(rows, methods, strict=True) if method == headline]


def _effect_figure(results: SeasonResults) -> list[Block]:
    table = results.effects
    drawn = _estimated(table)[:MOST_ROWS]
    if not drawn:
        return []
    statements = results.statements
    claims = statements.found(statements.rows(*COMPARED, outcome=MAIN_OUTCOME))
    clear = [f"{called(FACTORS, one.subject)} {words(one.level)}" for one in claims if one.is_claimed]
    frame = table.frame.iloc[drawn].assign(label=[effect_label(table, row) for row in drawn])
    estimate = Estimate("difference_points", "difference_low", "difference_high", "difference")
    return [
        drawing(
            intervals_figure, frame, name="effects", table=table, words={"clear": clear}, label="label",
            estimates=[estimate], zero_note="no difference",
            unit="difference in survival from delivery to release (points)",
        )
    ]  # fmt: skip


def effect_label(table: ReportTable, row: int) -> str:
    factor = called(FACTORS, table.value(row, "factor"))
    level, reference = words(table.value(row, "level")), table.value(row, "reference")
    return f"{factor}: {level}" + (f" v. {words(reference)}" if known(reference) and str(reference) else "")


def _combinations(results: SeasonResults) -> list[Block]:
    table, heading = results.practices, Heading(Markup("Rooms and gravel together"))
    if not len(table):
        return [heading, refusal("Combinations of practices cannot be compared.", table)]
    rows = table.rows(outcome=MAIN_OUTCOME)
    estimated = [row for row in rows if known(table.value(row, "adjusted_pct"))]
    both = [row for row in estimated if str(table.value(row, "practice")) == "room_and_gravel"]
    single = [row for row in estimated if row not in both]
    views = (("combinations", both), ("each-practice", single))
    tables = [shown(table, chosen, view) for view, chosen in views if chosen]
    intro = [prose(_WORDS, "against_others")] if estimated else []
    return [heading, *intro, *_combination_figure(table, both), *tables, *_rest(table, len(rows) - len(estimated))]


def _combination_figure(table: ReportTable, rows: list[int]) -> list[Block]:
    drawn = table.frame.iloc[[row for row in rows if known(table.value(row, "adjusted_pct"))]]
    if drawn.empty:
        return []
    labels = [
        f"{words(room)}, {words(gravel)} ({tanks:.0f})"
        for room, gravel, tanks in zip(drawn["room_type"], drawn["gravel_practice"], drawn["tanks"], strict=True)
    ]
    return [
        drawing(
            intervals_figure, drawn.assign(label=labels), name="practices", table=table, label="label",
            estimates=[Estimate("adjusted_pct", "adjusted_low", "adjusted_high", "adjusted survival")],
            unit="adjusted survival from delivery to release (%)",
        )
    ]  # fmt: skip


def _methods(results: SeasonResults) -> list[Block]:
    table, heading = results.methods, Heading(Markup("Does the conclusion depend on the method?"))
    if not len(table):
        return [heading, refusal("Only one method could be used.", table)]
    rows = [row for row in table.rows(outcome=MAIN_OUTCOME) if known(table.value(row, "odds_ratio"))]
    effects, statements = results.effects, results.statements
    keys = [_key(table, row) for row in rows]
    compared = [row for row in _estimated(effects) if keys.count(_key(effects, row)) > 1]
    apart = [row for row in compared if not effects.value(row, "methods_agree")]
    claims = statements.found(statements.rows(*COMPARED, outcome=MAIN_OUTCOME, decision=Decision.CLAIMED))
    named = {*(_key(effects, row) for row in apart), *((one.subject, one.level, one.reference) for one in claims)}
    rows = [row for row, key in zip(rows, keys, strict=True) if key in named]
    labels = [effect_label(effects, row) for row in apart]
    agreement = prose(_WORDS, "methods", compared=len(compared), apart=labels)
    which = "What is clear, and where methods differ" if apart else "What is clear"
    return [heading, agreement, *([shown(table, rows, which=which)] if rows else [])] if compared else []


def _key(table: ReportTable, row: int) -> tuple[str, ...]:
    return tuple(str(table.value(row, name) or "") for name in ("factor", "level", "reference"))


def trials_table(compared: pd.DataFrame) -> ReportTable:
    """Every comparison of trials, with its sentence."""
    frame = compared.assign(sentence=list(worded(trial_claims(compared))))
    return report_table("trials", frame, COMPARISON_COLUMNS)


def assigned_section(results: SeasonResults) -> Section:
    """The comparisons as assigned, which outrank every observed one; without any, the line that draws one."""
    title, table = "Practices assigned at random", results.trials
    if not len(table):
        return Section("assigned", title, (prose(_ASSIGNED, "none_yet"), Prose(next_step(results))))
    return Section(
        "assigned", title, (prose(_ASSIGNED, "intro"), bullets(_ASSIGNED, "compared", table), shown(table))
    )
