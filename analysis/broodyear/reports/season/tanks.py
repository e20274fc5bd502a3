"""Tanks against what could be expected: figures, flagged tanks with their season, every tank, sites."""

from __future__ import annotations

from functools import partial

from markupsafe import Markup

from broodyear.figures.funnel import expected_figure, funnel_figure
from broodyear.figures.timeline import timeline_figure
from broodyear.reports.numbers import known
from broodyear.reports.parts import (
    Block,
    Bullets,
    Drawing,
    Heading,
    Notice,
    Prose,
    Section,
    TableBlock,
    folded_table,
    say,
)
from broodyear.reports.rendering import phrase
from broodyear.reports.season.action import circumstances_words
from broodyear.reports.season.results import SeasonRecords
from broodyear.reports.season.stating import clear_besides, named_tanks
from broodyear.reports.season.urgency import flagged_rows, main_rows
from broodyear.reports.tables import column, interval_column
from broodyear.reports.vocabulary import MAIN_OUTCOME
from broodyear.reports.wording import refusal

_WORDS = "season/evidence.txt"


def tanks_section(records: SeasonRecords) -> Section:
    """Observed against expected, the flagged tanks with their season drawn, and every tank with its verdict."""
    title = "Tanks against what could be expected"
    if records.setups.refusal or not main_rows(records.setups):
        return Section("tanks", title, (refusal("No tank can be judged.", records.setups),))
    words = phrase(_WORDS, "tanks")
    blocks: list[Block] = [
        Prose(words),
        *_tank_figures(records),
        *_miscounted(records),
        *_flagged(records),
        *_besides(records),
        _tank_table(records),
    ]
    return Section("tanks", title, tuple(blocks) + tuple(_sites(records)))


def _tank_figures(records: SeasonRecords) -> list[Block]:
    table = records.setups
    frame = table.frame.iloc[main_rows(records.setups)]
    alt = (
        "Scatter plot, one mark per tank, marked by verdict; flagged tanks carry their name:"
        f" {records.bare('tanks_below_expected'):.0f} below expected,"
        f" {records.bare('tanks_to_watch'):.0f} to watch, of {records.bare('tanks_judged'):.0f} judged."
    )
    figures: list[Block] = [
        Drawing(
            partial(expected_figure, frame, name="expected", title="Observed against expected survival"),
            name="expected",
            caption="Each mark is a tank; on the dashed line it did as expected, below it worse.",
            alt=alt,
            table=table,
        )
    ]
    figures.append(
        Drawing(
            partial(funnel_figure, frame, records.funnel.frame, name="funnel", title="Tanks by number of eggs"),
            name="funnel",
            caption="Survival by number of eggs. The lines hold ordinary tanks of typical expectation: fewer eggs"
            " scatter more. A verdict is given against the tank’s own expectation, so a mark outside need not be"
            " flagged.",
            alt=alt,
            table=records.funnel,
        )
    )
    return figures


def _flagged(records: SeasonRecords) -> list[Block]:
    flagged = flagged_rows(records.setups)
    blocks: list[Block] = [Heading(Markup("Flagged tanks, and what is on record"))]
    if not flagged:
        return [*blocks, Prose(phrase(_WORDS, "none_flagged"))]
    for row in flagged:
        code = str(records.setups.value(row, "tank_id"))
        if code in records.timelines:
            blocks += _one_tank(records, row, code)
    others = [row for row in flagged if str(records.setups.value(row, "tank_id")) not in records.timelines]
    if others:
        items = tuple(_tank_line(records, row) for row in others)
        blocks += [Heading(Markup("Flagged as well, season not drawn here")), Bullets(items, (records.setups,))]
    return blocks


def _miscounted(records: SeasonRecords) -> list[Block]:
    """Tanks whose verdict stands beside counts that cannot be."""
    table = records.too_many_dead
    items = [
        phrase(
            _WORDS, "miscounted", tank=table.at(row, "tank_id", "id"), dead=table.at(row, "dead_total", "whole"),
            eggs=table.at(row, "eggs", "whole"),
        )
        for row in range(len(table))
    ]  # fmt: skip
    return [Notice("Counts that cannot be.", Markup(" ").join(items), "note")] if items else []


def _besides(records: SeasonRecords) -> list[Block]:
    """What else is clear: tanks that did better, and tanks and sites in one stage."""
    rows = clear_besides(records.statements)
    columns = (column("sentence", "what is clear", "text", long=True),)
    caption = "Clear as well: tanks that did better, and single stages"
    return [folded_table(records.statements.table, caption, columns, rows)] if rows else []


def _one_tank(records: SeasonRecords, row: int, code: str) -> list[Block]:
    title = say("Tank {code}", code=code)
    figure = Drawing(
        partial(
            timeline_figure, records.timelines[code], name=f"timeline_{row}", title=f"Season of tank {code}",
            warm_limit_c=records.settings.warm_limit_c,
        ),
        name=f"timeline_{row}",
        caption=say("Season of tank {code}: daily mean temperature, dead removed, incidents (thin strokes: water"
            " changes) and stages.", code=code),
        alt=f"Timeline of tank {code} in three strips: daily water temperature, dead removed by stage, and"
        " incidents and stages as intervals on one calendar.",
        table=records.setups,
    )  # fmt: skip
    return [Heading(title, f"tank-{row}"), Prose(_tank_line(records, row), (records.setups,)), figure]


def _tank_line(records: SeasonRecords, row: int) -> Markup:
    """What is claimed of a flagged tank, its counts, and what is on record."""
    table, statements = records.setups, records.statements
    return phrase(
        _WORDS, "flagged",
        claim=statements.at(named_tanks(statements)[str(table.value(row, "tank_id"))]),
        site=table.at(row, "site_id", "id"),
        batch=table.at(row, "batch_id", "id"),
        observed=table.at(row, "observed_pct", "pct"),
        expected=table.at(row, "expected_pct", "pct"),
        lost=table.at(row, "fish_below_expected", "whole"),
    ) + circumstances_words(table, row)  # fmt: skip


def _tank_table(records: SeasonRecords) -> TableBlock:
    columns = (
        column("tank_id", "tank", "id"),
        column("verdict", "verdict", "verdict"),
        column("place_verdict", "its site over its seasons", "verdict"),
        column("site_id", "site", "id"),
        column("region", "region", "id"),
        column("batch_id", "batch", "id"),
        column("room_type", "room", "words"),
        column("gravel_practice", "gravel", "words"),
        column("eggs", "eggs", "whole"),
        column("survivors", "left alive", "whole"),
        column("observed_pct", "observed (%)", "pct_bare"),
        column("expected_pct", "expected (%)", "pct_bare"),
        column("shrunken_pct", "with chance allowed for (%)", "pct_bare"),
        interval_column("shrunken_low", "shrunken_high", "95 % interval (%)", "pct_bare"),
        column("fish_below_expected", "fish below expected, chance allowed for", "number"),
        column("q_value", "false alarms", "p"),
        column("losing_stage", "lost as", "words"),
    )
    note = (
        "With chance allowed for: the tank’s rate moved towards what is expected of it, its site’s other seasons"
        " included, the more the fewer its eggs;"
        " false alarms: their share if every tank this far out were flagged. The other outcomes are in the file."
    )
    caption = "Every tank of the season, in alphabetical order"
    return folded_table(records.setups, caption, columns, main_rows(records.setups), note=note)


def _sites(records: SeasonRecords) -> list[Block]:
    table = records.sites
    heading = Heading(Markup("Sites over their seasons"))
    if table.refusal or not len(table):
        return [heading, refusal("Sites over their seasons are not known.", table)]
    here = {str(records.setups.value(row, "site_id")) for row in main_rows(records.setups)}
    rows = [row for row in table.rows(outcome=MAIN_OUTCOME) if str(table.value(row, "site_id")) in here]
    repeated = [row for row in rows if str(table.value(row, "verdict")) == "below_expected"]
    caption, note = "This season’s sites over their seasons, in alphabetical order", "Every site is in the file."
    shown = folded_table(table, caption, SITE_COLUMNS, rows, note=note)
    return [heading, Prose(phrase(_WORDS, "sites")), *_repeated(records, repeated), shown]


def _repeated(records: SeasonRecords, rows: list[int]) -> list[Block]:
    if not rows:
        return [Prose(phrase(_WORDS, "none_returned"))]
    table = records.sites
    items = tuple(
        phrase(
            _WORDS,
            "returned",
            site=table.at(row, "site_id", "id"),
            low=table.at(row, "seasons_below", "whole"),
            seasons=table.at(row, "seasons", "whole"),
            points=table.at(row, "difference_points", "points_words"),
            bottom=table.at(row, "difference_low", "points"),
            top=table.at(row, "difference_high", "points"),
        )
        for row in rows
        if known(table.value(row, "difference_points"))
    )
    return [Prose(Markup("Sites whose shortfall returned:")), Bullets(items, (table,))]


SITE_COLUMNS = (
    column("site_id", "site", "id"),
    column("region", "region", "id"),
    column("seasons", "seasons", "whole"),
    column("seasons_below", "of these low", "whole"),
    column("tank_seasons", "tank-seasons", "whole"),
    column("observed_pct", "observed (%)", "pct_bare"),
    column("expected_pct", "expected (%)", "pct_bare"),
    column("difference_points", "against expected (points)", "points"),
    interval_column("difference_low", "difference_high", "95 % interval", "points"),
    column("verdict", "over its seasons", "verdict"),
    column("reason", "because", "words"),
    column("note", "keep in mind", "text", long=True),
)
