"""Practices: combinations, effects in sentences, what to change next season, and whether the method matters."""

from __future__ import annotations

from markupsafe import Markup

from broodyear.figures.intervals import MOST_ROWS, Estimate, intervals_figure
from broodyear.reports.numbers import known, words, written
from broodyear.reports.parts import Block, Bullets, Heading, Prose, Section, TableBlock, joined, say
from broodyear.reports.season.results import SeasonResults
from broodyear.reports.showing import drawn
from broodyear.reports.tables import ReportTable, column, interval_column, table_view
from broodyear.reports.vocabulary import MAIN_OUTCOME, OUTCOMES, factor_words
from broodyear.reports.wording import how_sure, refusal


def changes_section(results: SeasonResults) -> Section:
    """What to change next season, ordered by fish that could be saved, each with its grade of evidence."""
    title = "What to change next season"
    table = results.changes
    if table.refusal or not len(table):
        return Section("changes", title, (refusal("No change can be recommended.", table),))
    items = tuple(_change(table, row) for row in range(len(table)) if _could_save(table, row))
    if not items:
        return Section(
            "changes", title, (Prose(_CAUTION), Prose(Markup("No practice did worse than the others.")))
        )
    first, rest = items[:MOST_CHANGES], len(items) - MOST_CHANGES
    blocks: list[Block] = [Prose(_CAUTION), Bullets(first, (table,), numbered=True)]
    if rest > 0:
        blocks.append(Prose(Markup("Further candidates, with fewer fish to save, are in the table.")))
    return Section("changes", title, tuple(blocks))


#: Candidates named on the page; the table has all.
MOST_CHANGES = 8

_CAUTION = Markup(
    "Candidates, ordered by the fish that could be saved if these tanks did as the others. These are"
    " differences between tanks that did this or that, not experiments: a practice may stand for something else"
    " at the same sites. Where evidence is weak, the honest next step is a split delivery: the same lot, both"
    " ways."
)


def _could_save(table: ReportTable, row: int) -> bool:
    fish = table.value(row, "fish_saved")
    return known(fish) and float(fish) >= 1


def _change(table: ReportTable, row: int) -> Markup:
    text = say(
        "<strong>{change}.</strong> {now} had it this season and would have {fish} more fish if they did"
        " as the others ({least} to {most}). All seasons: {points} of survival (95 % interval {low} to {high};"
        " {tanks}, {batches}). Evidence: {grade}.",
        change=table.at(row, "change", "sentence"),
        now=table.at(row, "tanks_to_change", "tanks"),
        fish=table.at(row, "fish_saved", "whole"),
        least=table.at(row, "fish_low", "whole"),
        most=table.at(row, "fish_high", "whole"),
        points=table.at(row, "difference_points", "points_words"),
        low=table.at(row, "difference_low", "points"),
        high=table.at(row, "difference_high", "points"),
        tanks=table.at(row, "tanks", "tanks"),
        batches=table.at(row, "batches", "batches"),
        grade=table.at(row, "evidence", "text"),
    )
    note = table.value(row, "note")
    return text + (say(" {note}.", note=table.at(row, "note", "sentence")) if known(note) and str(note) else "")


def practices_section(results: SeasonResults) -> Section:
    """Adjusted survival of each combination, the effect of each practice, and the methods beside each other."""
    blocks: list[Block] = [*_effects(results), *_combinations(results), *_methods(results)]
    return Section("practices", "Practices and temperature: what goes with survival", tuple(blocks))


def _effects(results: SeasonResults) -> list[Block]:
    table = results.effects
    if table.refusal or not len(table):
        return [refusal("The effect of practices cannot be told.", table)]
    rows = headline_rows(table, MAIN_OUTCOME)
    blocks: list[Block] = [Prose(_EFFECT_WORDS), *_effect_figure(table, rows)]
    blocks.append(Bullets(_effect_sentences(table, rows), (table,)))
    every = [row for outcome in OUTCOMES for row in headline_rows(table, outcome)]
    view = table_view(table, "Effect of each practice and of temperature, all outcomes", EFFECT_COLUMNS, every)
    return [*blocks, TableBlock(view)]


def _effect_sentences(table: ReportTable, rows: list[int]) -> tuple[Markup, ...]:
    """Differences clear of zero and refusals in full; those that may be chance together in one sentence."""
    unclear = [row for row in rows if _may_be_chance(table, row)]
    said = [effect_sentence(table, row) for row in rows if row not in unclear]
    if unclear:
        named = joined([Markup("{}").format(effect_label(table, row)) for row in unclear])
        said.append(say("The interval includes no difference, so chance may be all of it: {named}.", named=named))
    return tuple(said)


def _may_be_chance(table: ReportTable, row: int) -> bool:
    low, high = table.value(row, "difference_low"), table.value(row, "difference_high")
    return known(low) and known(high) and float(low) <= 0 <= float(high)


_EFFECT_WORDS = Markup(
    "Differences in percentage points of survival, averaged over this programme’s tanks, adjusted for species,"
    " batch, season and the other practices shown, from all seasons up to this one. An interval that includes"
    " zero means that the records cannot tell the two apart, not that they are alike."
)

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


def _effect_figure(table: ReportTable, rows: list[int]) -> list[Block]:
    shown = [row for row in rows if known(table.value(row, "difference_points"))][:MOST_ROWS]
    if not shown:
        return []
    frame = table.frame.iloc[shown].copy()
    frame["label"] = [effect_label(table, row) for row in shown]
    estimate = Estimate("difference_points", "difference_low", "difference_high", "difference")
    return [
        drawn(
            lambda: intervals_figure(
                frame, name="effects", title="Effect of each practice", label="label", estimates=[estimate],
                unit="difference in survival from delivery to release (points)", reference=0.0,
                reference_note="no difference",
            ),
            name="effects",
            caption="Difference of each level from its reference, with 95 % interval, delivery to release.",
            alt="Dot plot with intervals, one row per practice level, with a line at no difference. Clear of it:"
            f" {_clear_ones(table, shown)}.",
            table=table,
        )
    ]  # fmt: skip


def _clear_ones(table: ReportTable, rows: list[int]) -> str:
    """Levels whose interval leaves out no difference, with their points, for who cannot see the drawing."""
    clear = [row for row in rows if not _may_be_chance(table, row)]
    said = [
        f"{effect_label(table, row)} {written(table.value(row, 'difference_points'), 'points')}" for row in clear
    ]
    return "; ".join(said) or "none"


def effect_label(table: ReportTable, row: int) -> str:
    factor = factor_words(table.value(row, "factor"))
    level, reference = words(table.value(row, "level")), table.value(row, "reference")
    return f"{factor}: {level}" + (f" v. {words(reference)}" if known(reference) and str(reference) else "")


def effect_sentence(table: ReportTable, row: int) -> Markup:
    """One effect in words; a refused one gives its reason."""
    factor = factor_words(table.value(row, "factor"))
    reference = table.value(row, "reference")
    against = f" instead of {words(reference)}" if known(reference) and str(reference) else ""
    head = say(
        "{factor}, {level}{against}: ", factor=factor.capitalize(), level=table.at(row, "level", "words"),
        against=against,
    )  # fmt: skip
    if not known(table.value(row, "difference_points")):
        return head + say("{note}", note=table.at(row, "note", "text"))
    sure = how_sure(
        table.value(row, "difference_low"), table.value(row, "difference_high"), table.value(row, "p_value")
    )
    return head + say(
        "{points} of survival (95 % interval {low} to {high}; {tanks}, {batches}); {sure}.",
        points=table.at(row, "difference_points", "points_words"),
        low=table.at(row, "difference_low", "points"),
        high=table.at(row, "difference_high", "points"),
        tanks=table.at(row, "tanks", "tanks"),
        batches=table.at(row, "batches", "batches"),
        sure=sure,
    )


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
    together = table_view(
        table, "Each combination of room and gravel practice, all seasons", (*pairs, *_PRACTICE_COLUMNS), both,
        anchor="combinations",
    )  # fmt: skip
    apart = table_view(
        table, "Each practice by itself, adjusted for room and gravel, all seasons", (*alone, *_PRACTICE_COLUMNS),
        single, anchor="each-practice",
    )  # fmt: skip
    return [heading, Prose(_AGAINST), *_combination_figure(table, both), TableBlock(together), TableBlock(apart)]


_AGAINST = Markup(
    "Adjusted survival from delivery to release, and the difference from the tanks of all other levels together."
    " What a level goes together with stands in its note, so that nobody takes a difference for its effect alone."
)

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
        drawn(
            lambda: intervals_figure(
                frame, name="practices", title="Rooms and gravel together", label="label",
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
    said = Markup(
        "The mixed model speaks of a typical site, the others of the average over sites; where their intervals"
        " agree, the choice of method does not carry the conclusion."
    )
    rows = table.rows(outcome=MAIN_OUTCOME)
    view = table_view(table, "The same effects by each method, delivery to release", columns, rows)
    return [heading, Prose(said), TableBlock(view)]
