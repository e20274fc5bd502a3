"""The first screen of the review: which sites, which tanks, what survives, what was reported, what is not seen."""

from __future__ import annotations

from markupsafe import Markup

from broodyear.claims import ClaimKind, Decision
from broodyear.figures.funnel import MOST_LINES, site_seasons_figure
from broodyear.reports.numbers import MAIN_OUTCOME
from broodyear.reports.parts import Block, Bullets, Copyable, Drawing, Notice, Pair, Prose, Section
from broodyear.reports.region_records import missing_notice
from broodyear.reports.rendering import bullets, drawing, phrase, plain_phrase, prose, refusal
from broodyear.reports.season.results import (
    COMPARED,
    SeasonResults,
    comparisons,
    named_sites,
    poor_batches,
    region_of,
    single_stages,
    sites_beside_regions,
    sites_judged,
    sites_of_several_seasons,
    unnamed_losses,
    visiting_order,
    watched_sites,
    worth_a_trial,
)
from broodyear.reports.season.visits import SUDDEN, on_record_of
from broodyear.reports.tables import Row, shown
from broodyear.setups.screen import FEWEST_TANKS

_WORDS = "season/first.txt"
#: Sites of the list that the page shows; the table has all.
MOST_VISITS = 5
_BELOW = {"outcome": MAIN_OUTCOME, "verdict": "below_expected"}


def action_section(results: SeasonResults) -> Section:
    """Sites, tanks, the list for Monday with its picture, what survives, what was reported and is not seen."""
    beside = (*_sites(results), *_batches(results), *_tanks(results), *_large_losses(results))
    blocks: list[Block] = [Pair(beside, _picture(results))] if len(results.site_seasons) else [*beside]
    blocks += [_visits(results), *_compared(results), _reporting(results)]
    blocks += missing_notice(results.missing_regions)
    blocks += [*_smallest_shortfall(results), *_board(results)]
    return Section("action", "What needs action", tuple(blocks))


def _sites(results: SeasonResults) -> list[Prose | Bullets]:
    statements = results.statements
    judged, named, watched = sites_judged(statements), named_sites(statements), watched_sites(statements)
    if not judged:
        return [prose(_WORDS, "too_few_sites", lead=True, several=sites_of_several_seasons(statements))]
    at_stages = single_stages(statements)
    counted = {"judged": judged, "named": len(named), "watched": len(watched), "at_stages": len(at_stages)}
    lead = prose(_WORDS, "sites", results.sites, lead=True, **counted)
    rows = [*named, *at_stages, *watched]
    return [lead, statements.bullets(rows), *_low_regions(results)]


def _batches(results: SeasonResults) -> list[Prose | Bullets]:
    """The batches that did worse, where any did: tanks are judged against their own, so it shows in none."""
    statements, rows = results.statements, poor_batches(results.statements)
    if not rows:
        return []
    return [prose(_WORDS, "batches", statements.table, lead=True, count=len(rows)), statements.bullets(rows)]


def _low_regions(results: SeasonResults) -> list[Prose | Bullets]:
    """The finding of each region that is low as a whole, beside the sites of it that are named or watched."""
    statements, sites = results.statements, sites_beside_regions(results.statements)
    return [
        prose(
            _WORDS, "low_region", statements.table, sentence=statements.at(row),
            sites=[site for site in sites if region_of(results, site) == statements.claim(row).subject],
        )
        for row in statements.rows(ClaimKind.REGION_DIFFERS, decision=Decision.CLAIMED, section="action")
    ]  # fmt: skip


def _in_region(results: SeasonResults, rows: list[int]) -> list[str]:
    """The sites of rows of the claims, each once, and that its region is low as a whole where it is."""
    statements = results.statements
    low = statements.rows(ClaimKind.REGION_DIFFERS, decision=Decision.CLAIMED, section="action")
    claims = {claim.subject: claim for claim in statements.found(low)}
    return [
        plain_phrase("season/board.txt", "site", site=site, region=claims.get(region_of(results, site)))
        for site in statements.subjects(rows)
    ]


def _tanks(results: SeasonResults) -> list[Prose | Notice]:
    title = "No tank is judged."
    if results.setups.refusal:
        return [refusal(title, results.setups)]
    if not visiting_order(results.setups):
        counted = results.bare("tanks_usable")
        return [Notice(title, phrase(_WORDS, "tanks_none", counted=counted, fewest=FEWEST_TANKS))]
    words = {"season": results.season, "figure": results.figure}
    return [prose(_WORDS, "tanks", results.key_figures, lead=True, **words)]


def _large_losses(results: SeasonResults) -> list[Prose | Bullets]:
    """What the plain counts show of tanks that no claim names."""
    table = results.large_losses
    rows = unnamed_losses(table, results.statements)
    if not rows:
        return []
    lead = prose(_WORDS, "large_losses", table, lead=True, rest=max(len(rows) - MOST_VISITS, 0))
    return [lead, bullets("season/losses.txt", "tank", table, rows[:MOST_VISITS])]


def _visits(results: SeasonResults) -> Block:
    visits = results.visits
    if not len(visits):
        judged = bool(visiting_order(results.setups))
        return prose(_WORDS, "visits_none", running=results.running, judged=judged)
    rest = max(len(visits) - MOST_VISITS, 0)
    return shown(visits, range(len(visits) - rest), more=f"{rest} more are in the table. " if rest else "")


def _picture(results: SeasonResults) -> Drawing:
    table, statements = results.site_seasons, results.statements
    named = statements.subjects(named_sites(statements))[:MOST_LINES]
    return drawing(site_seasons_figure, table.frame, table=table, words={"named": named})


def _compared(results: SeasonResults) -> list[Block]:
    statements = results.statements
    compared, clear = comparisons(statements)
    if not compared:
        if results.effects.refusal:
            return [refusal("Practices were not compared.", results.effects)]
        untold = statements.found(statements.rows(*COMPARED, outcome=MAIN_OUTCOME))
        return [prose(_WORDS, "compared_nothing", why=list(dict.fromkeys(one.reason.meaning for one in untold)))]
    lead = prose(_WORDS, "compared", statements.table, compared=compared, clear=len(clear))
    return [lead, Bullets(statements.bullets(clear).items) if clear else Prose(next_step(results))]


def next_step(results: SeasonResults) -> Markup:
    """The line to type for a split delivery, where there is a contrast it would tell most about."""
    return phrase(_WORDS, "split", claim=worth_a_trial(results.statements), season=results.season + 1)


def _reporting(results: SeasonResults) -> Block:
    if not results.has_figure("tanks_supplied"):
        return refusal("How much was reported is not known.", results.accounting)
    return prose(
        _WORDS, "reported", results.key_figures, figure=results.figure, bare=results.bare,
        running=results.running, has_bounds=_has_bounds(results),
    )  # fmt: skip


def _has_bounds(results: SeasonResults) -> bool:
    """Whether some tanks that got eggs are not known to their end, while others are."""
    some_are_silent = results.bare("tanks_usable") != results.bare("tanks_delivered")
    return results.has_figure("bound_low_pct") and some_are_silent


def _detectable(results: SeasonResults) -> Row | None:
    """The smallest shortfall of the whole stay that would be found."""
    table = results.detectable
    rows = table.rows(outcome=MAIN_OUTCOME) if len(table) else []
    return table.row(rows[0]) if rows else None


def _smallest_shortfall(results: SeasonResults) -> list[Block]:
    if not visiting_order(results.setups):
        return []
    sentence = phrase(_WORDS, "smallest_shortfall", row=_detectable(results))
    return [Notice("What this screen cannot see.", sentence, "note")]


def _below(results: SeasonResults, row: int) -> str:
    """A tank below expected, with what struck it within days; all that is on record of it stands in the tables."""
    one = results.setups.row(row)
    struck = on_record_of(one, SUDDEN.__contains__)
    return f"{one.value('tank_id')}{f' ({struck})' if struck else ''}"


def _board(results: SeasonResults) -> list[Block]:
    """Five sentences for the board, from the claims and figures of this page."""
    if results.setups.refusal or not results.has_figure("tanks_delivered"):
        return []
    statements, seen, losses = results.statements, _detectable(results), results.large_losses
    compared, clear = comparisons(statements)
    text = phrase(
        "season/board.txt", "paragraph",
        season=results.season,
        bare=results.bare,
        running=results.running,
        has_bounds=_has_bounds(results),
        tanks_judged=int(results.bare("tanks_judged")),
        tanks_below=[_below(results, row) for row in results.setups.rows(**_BELOW)],
        losses=[
            (losses.value(row, "site_id"), plain_phrase("season/losses.txt", "loss_in_short", row=losses.row(row)))
            for row in unnamed_losses(losses, statements)[:MOST_VISITS]
        ],
        sites_judged=sites_judged(statements),
        several_seasons=sites_of_several_seasons(statements),
        sites_named=_in_region(results, named_sites(statements)),
        at_stages=sorted(_in_region(results, single_stages(statements))),
        uncounted=len(results.setups.rows(**_BELOW, losing_stage="unaccounted")),
        compared=compared,
        clear=len(clear),
        first_clear=statements.sentences[clear[0]] if clear else "",
        poor_batches=results.statements.subjects(poor_batches(results.statements)),
        watched=seen and seen.value("watched_points"),
    )  # fmt: skip
    return [Copyable("For the board, to copy", text)]
