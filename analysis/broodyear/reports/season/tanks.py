"""Tanks against what could be expected: figures, flagged tanks with their season, every tank, sites."""

from __future__ import annotations

from markupsafe import Markup

from broodyear.figures.funnel import expected_figure, funnel_figure
from broodyear.figures.timeline import timeline_figure
from broodyear.reports.numbers import known
from broodyear.reports.parts import Block, Bullets, Heading, Notice, Prose, Section, say
from broodyear.reports.rendering import bullets, drawing, phrase, prose, refusal
from broodyear.reports.season.account import observed_or_most
from broodyear.reports.season.results import SeasonRecords, flagged_rows, main_rows
from broodyear.reports.season.stating import clear_besides, named_tanks
from broodyear.reports.tables import shown
from broodyear.reports.vocabulary import MAIN_OUTCOME

_WORDS = "season/evidence.txt"


def tanks_section(records: SeasonRecords) -> Section:
    """Observed against expected, the flagged tanks with their season drawn, and every tank with its verdict."""
    title, rows = "Tanks against what could be expected", main_rows(records.setups)
    if not rows:
        return Section("tanks", title, (refusal("No tank can be judged.", records.setups),))
    besides = clear_besides(records.statements)
    blocks: list[Block] = [prose(_WORDS, "tanks"), *_figures(records, rows), *_miscounted(records)]
    blocks += _flagged(records)
    blocks += [shown(records.statements.table, besides)] if besides else []
    return Section("tanks", title, (*blocks, shown(records.setups, rows), *_sites(records, rows)))


def _figures(records: SeasonRecords, rows: list[int]) -> list[Block]:
    names = {"below": "tanks_below_expected", "watch": "tanks_to_watch", "judged": "tanks_judged"}
    words = {name: f"{records.bare(figure):.0f}" for name, figure in names.items()}
    table, funnel = records.setups, records.funnel
    frame = table.frame.iloc[rows].assign(observed_pct=lambda chosen: observed_or_most(chosen))
    return [
        drawing(expected_figure, frame, table=table, words=words),
        drawing(funnel_figure, frame, funnel.frame, table=funnel, words=words),
    ]


def _flagged(records: SeasonRecords) -> list[Block]:
    codes = {row: str(records.setups.value(row, "tank_id")) for row in flagged_rows(records.setups)}
    blocks: list[Block] = [Heading(Markup("Flagged tanks, and what is on record"))]
    if not codes:
        return [*blocks, prose(_WORDS, "none_flagged")]
    for row, code in codes.items():
        if code in records.timelines:
            blocks += _one_tank(records, row, code)
    others = tuple(_tank_line(records, row, code) for row, code in codes.items() if code not in records.timelines)
    if others:
        blocks += [Heading(Markup("Flagged as well, season not drawn here")), Bullets(others, (records.setups,))]
    return blocks


def _miscounted(records: SeasonRecords) -> list[Block]:
    """Tanks whose verdict stands beside counts that cannot be."""
    items = bullets(_WORDS, "miscounted", records.too_many_dead).items
    return [Notice("Counts that cannot be.", Markup(" ").join(items), "note")] if items else []


def _one_tank(records: SeasonRecords, row: int, code: str) -> list[Block]:
    figure = drawing(
        timeline_figure, records.timelines[code], table=records.setups, words={"code": code},
        file=f"timeline_{row}", warm_limit_c=records.settings.warm_limit_c,
    )  # fmt: skip
    line = Prose(_tank_line(records, row, code), (records.setups,))
    return [Heading(say("Tank {code}", code=code), f"tank-{row}"), line, figure]


def _tank_line(records: SeasonRecords, row: int, code: str) -> Markup:
    """What is claimed of a flagged tank, its counts, and what is on record."""
    claim = records.statements.at(named_tanks(records.statements)[code])
    return phrase(_WORDS, "flagged", row=records.setups.row(row), claim=claim)


def _sites(records: SeasonRecords, tanks: list[int]) -> list[Block]:
    table, heading = records.sites, Heading(Markup("Sites over their seasons"))
    if not len(table):
        return [heading, refusal("Sites over their seasons are not known.", table)]
    here = {str(records.setups.value(row, "site_id")) for row in tanks}
    rows = [row for row in table.rows(outcome=MAIN_OUTCOME) if str(table.value(row, "site_id")) in here]
    returned = [row for row in rows if str(table.value(row, "verdict")) == "below_expected"]
    blocks: list[Block] = [heading, prose(_WORDS, "sites")]
    if returned:
        with_size = [row for row in returned if known(table.value(row, "difference_points"))]
        blocks += [prose(_WORDS, "returned_intro"), bullets(_WORDS, "returned", table, with_size)]
    else:
        blocks.append(prose(_WORDS, "none_returned"))
    return [*blocks, shown(table, rows)]
