"""The first screen of the review: which sites, which tanks, what survives, what was reported, what is not seen."""

from __future__ import annotations

import math
from functools import partial

from markupsafe import Markup

from broodyear.figures.site_seasons import MOST_LINES, site_seasons_figure
from broodyear.reports.numbers import THIN, known, plain, season_name, whole, words, written
from broodyear.reports.parts import (
    Block,
    Bullets,
    Copyable,
    Drawing,
    Notice,
    Pair,
    Prose,
    Section,
    TableBlock,
    say,
)
from broodyear.reports.rendering import phrase
from broodyear.reports.season.results import SeasonResults
from broodyear.reports.season.stating import (
    comparisons,
    named_sites,
    sites_judged,
    sites_of_several_seasons,
    watched_sites,
    worth_a_trial,
)
from broodyear.reports.season.urgency import visiting_order
from broodyear.reports.tables import ReportTable, column, table_view
from broodyear.reports.vocabulary import MAIN_OUTCOME, WHERE_LOST
from broodyear.reports.wording import refusal

_WORDS = "season/first.txt"
#: Sites of the list that the page shows; the table has all.
MOST_VISITS = 5
#: Tanks below expected whose missing fish nobody counted dead.
_UNCOUNTED = {"outcome": MAIN_OUTCOME, "verdict": "below_expected", "losing_stage": "unaccounted"}


def action_section(results: SeasonResults) -> Section:
    """Sites, tanks, the list for Monday with its picture, what survives, what was reported and is not seen."""
    blocks: list[Block] = [Pair((*_sites(results), *_tanks(results)), _picture(results))]
    blocks += [*_visits(results), *_compared(results)]
    blocks += [*_reporting(results), *_smallest_shortfall(results), *_board(results)]
    return Section("action", "What needs action", tuple(blocks))


def _sites(results: SeasonResults) -> list[Prose | Bullets]:
    statements = results.statements
    judged, named, watched = sites_judged(statements), named_sites(statements), watched_sites(statements)
    if not judged:
        return [Prose(phrase(_WORDS, "sites_untold", several=sites_of_several_seasons(statements)), lead=True)]
    counted = {"judged": whole(judged), "watched": len(watched)}
    if named:
        said = phrase(_WORDS, "sites_some", named=whole(len(named)), **counted)
    else:
        said = phrase(_WORDS, "sites_none", **counted)
    items = tuple(say("{it}", it=statements.at(row)) for row in (*named, *watched))
    return [Prose(said, (results.sites,), lead=True), *([Bullets(items, (statements.table,))] if items else [])]


def _tanks(results: SeasonResults) -> list[Prose | Notice]:
    if results.setups.refusal:
        return [refusal("No tank is judged.", results.setups)]
    if not visiting_order(results.setups):
        why = "No tank of this season has a count of fish left alive that could be compared with others yet."
        return [Notice("No tank is judged.", Markup(why))]
    said = phrase(
        _WORDS, "tanks",
        season=season_name(results.season),
        below=results.figure("tanks_below_expected", "whole"),
        judged=results.figure("tanks_judged", "whole"),
        watch=results.figure("tanks_to_watch", "whole"),
    )  # fmt: skip
    return [Prose(said, (results.key_figures,), lead=True)]


def _visits(results: SeasonResults) -> list[Block]:
    if not len(results.visits):
        return [Prose(phrase(_WORDS, "visits_none"))]
    shown = range(min(len(results.visits), MOST_VISITS))
    rest = len(results.visits) - len(shown)
    note = f"{rest} more are in the table. " if rest else ""
    view = table_view(
        results.visits, "Whom to visit first", VISIT_VIEW, shown,
        note=f"{note}Points short: of fish left alive, against what was expected. What is on record is consistent"
        " with a shortfall; it is not shown to be its cause.",
    )  # fmt: skip
    return [TableBlock(view)]


VISIT_VIEW = (
    column("order", "no.", "whole"),
    column("site_id", "site", "id"),
    column("tanks", "tanks", "id"),
    column("in_short", "why", "text", long=True),
    column("on_record", "on record", "text", long=True),
    column("first_check", "first thing to check", "text", long=True),
    column("caution", "caution", "text", long=True),
)


def _picture(results: SeasonResults) -> Drawing:
    table = results.site_seasons
    named = [results.statements.claim(row).subject for row in named_sites(results.statements)]
    lines = "none" if not named else ", ".join(named[:MOST_LINES])
    return Drawing(
        partial(site_seasons_figure, table.frame, name="site_seasons", title="Sites over their seasons"),
        name="site_seasons",
        caption="Fish left alive, less what was expected, tank by tank. Bands hold the middle 80 and 95 in 100"
        " tanks of a season; lines are the sites named.",
        alt=f"One dot per tank and season around the line of no difference; sites drawn as lines: {lines}.",
        table=table,
    )


def _compared(results: SeasonResults) -> list[Block]:
    statements = results.statements
    compared, clear = comparisons(statements)
    if not compared:
        if results.effects.refusal:
            return [refusal("Practices were not compared.", results.effects)]
        return [Prose(phrase(_WORDS, "compared_nothing"))]
    if not clear:
        said = phrase(_WORDS, "survive_none", compared=whole(compared))
        return [Prose(said, (statements.table,)), Prose(next_step(results))]
    said = phrase(_WORDS, "survive", compared=whole(compared), clear=whole(len(clear)))
    return [Prose(said, (statements.table,)), Bullets(tuple(say("{it}", it=statements.at(row)) for row in clear))]


def next_step(results: SeasonResults) -> Markup:
    """The line to type for a split delivery, where there is a contrast it would tell most about."""
    claim = worth_a_trial(results.statements)
    if claim is None:
        return phrase(_WORDS, "split_plain")
    line = f"broodyear trial --factor {claim.subject} --levels {claim.level},{claim.reference}"
    return phrase(_WORDS, "split", line=f"{line} --season {results.season + 1}")


def circumstances_words(table: ReportTable, row: int) -> Markup:
    """Where fish were lost and what is on record then; consistent with, never caused by."""
    stage, told = table.value(row, "losing_stage"), table.value(row, "circumstances")
    parts = Markup("")
    if known(stage) and str(stage):
        parts += say(" Most were lost {stage}.", stage=WHERE_LOST.get(str(stage), f"in stage {words(stage)}"))
    if known(told) and str(told):
        parts += say(" On record: {told}.", told=table.at(row, "circumstances", "text"))
    return parts


def _reporting(results: SeasonResults) -> list[Block]:
    if not results.has_figure("tanks_supplied"):
        return [refusal("How much was reported is not known.", results.accounting)]
    text = phrase(
        _WORDS, "reported",
        usable=results.figure("tanks_usable", "whole"),
        delivered=results.figure("tanks_delivered", "whole"),
    )  # fmt: skip
    some_are_silent = results.bare("tanks_usable") != results.bare("tanks_delivered")
    if results.has_figure("bound_low_pct") and some_are_silent:
        bounds = {"pct": "reported_pct", "low": "bound_low_pct", "high": "bound_high_pct"}
        text += Markup(" ") + phrase(
            _WORDS, "bounds", **{name: results.figure(figure, "pct") for name, figure in bounds.items()}
        )
    return [Prose(text, (results.key_figures,))]


def _smallest_shortfall(results: SeasonResults) -> list[Block]:
    if not visiting_order(results.setups):
        return []
    table, title = results.detectable, "What this screen cannot see."
    rows = table.rows(outcome=MAIN_OUTCOME) if len(table) else []
    if not rows:
        unknown = "How large a shortfall it would reliably find could not be worked out; silence is no acquittal."
        return [Notice(title, Markup(unknown), "note")]
    row = rows[0]
    tank = phrase(
        _WORDS, "typical", eggs=table.at(row, "eggs", "whole"), expected=table.at(row, "expected_pct", "pct")
    )
    if not known(table.value(row, "watched_points")):
        return [Notice(title, phrase(_WORDS, "seen_nothing", tank=tank), "note")]
    flagged = table.value(row, "flagged_points")
    said = phrase(
        _WORDS, "seen_from", tank=tank,
        watched=table.at(row, "watched_points", "points_plain"),
        flagged=table.at(row, "flagged_points", "points_plain") if known(flagged) else "",
    )  # fmt: skip
    return [Notice(title, said, "note")]


def _board(results: SeasonResults) -> list[Block]:
    """Five sentences for the board, from the claims and figures of this page."""
    if results.setups.refusal or not results.has_figure("tanks_delivered"):
        return []
    statements = results.statements
    compared, clear = comparisons(statements)
    seen = results.detectable.rows(outcome=MAIN_OUTCOME) if len(results.detectable) else []
    watched = results.detectable.value(seen[0], "watched_points") if seen else math.nan
    text = phrase(
        "season/board.txt", "paragraph",
        season=season_name(results.season),
        delivered=plain(results.bare("tanks_delivered"), 0),
        eggs=plain(results.bare("eggs_delivered"), 0),
        usable=plain(results.bare("tanks_usable"), 0),
        reported=f"{plain(results.bare('reported_pct'), 0)}{THIN}%" if results.has_figure("reported_pct") else "",
        sites_judged=sites_judged(statements),
        several_seasons=sites_of_several_seasons(statements),
        sites_named=[statements.claim(row).subject for row in named_sites(statements)],
        tanks_judged=int(results.bare("tanks_judged")),
        tanks_below=int(results.bare("tanks_below_expected")),
        uncounted=len(results.setups.rows(**_UNCOUNTED)),
        compared=compared,
        clear=len(clear),
        first_clear=statements.sentences[clear[0]] if clear else "",
        watched=written(watched, "points_plain") if known(watched) else "",
    )  # fmt: skip
    return [Copyable("For the board, to copy", text)]
