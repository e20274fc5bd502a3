"""The first screen of the review: what needs action, in sentences with numbers."""

from __future__ import annotations

from markupsafe import Markup

from broodyear.reports.numbers import known, season_name, words
from broodyear.reports.parts import Block, Notice, Prose, Section, Tag, Tags, say
from broodyear.reports.season.results import SeasonResults
from broodyear.reports.season.urgency import is_flagged, visiting_order
from broodyear.reports.tables import ReportTable
from broodyear.reports.vocabulary import MAIN_OUTCOME, WHERE_LOST, factor_words, verdict_label
from broodyear.reports.wording import how_sure, refusal

#: How many tanks the first screen names.
VISIT_FIRST = 3


def action_section(results: SeasonResults) -> Section:
    """Which tanks to visit first, at which stage fish died, which practice goes with better survival, how sure."""
    blocks: list[Block] = [*_tanks(results), _stage(results), *_practice(results), *_reporting(results)]
    if visiting_order(results.setups):
        blocks.append(_smallest_shortfall(results))
    return Section("action", "What needs action", tuple(blocks))


def _tanks(results: SeasonResults) -> list[Block]:
    if results.setups.refusal:
        return [refusal("No tank is judged.", results.setups)]
    order = visiting_order(results.setups)
    if not order:
        why = "No tank of this season has a count of fish left alive that could be compared with others yet."
        return [Notice("No tank is judged.", Markup(why))]
    losing = [row for row in order if _lost_fish(results, row)][:VISIT_FIRST]
    blocks: list[Block] = [Prose(_how_many(results), (results.key_figures,), lead=True)]
    if losing:
        blocks.append(Prose(_visit_words(results, losing)))
        blocks.append(Tags(tuple(_tag(results, row) for row in losing), (results.setups,)))
    return blocks


def _lost_fish(results: SeasonResults, row: int) -> bool:
    fish = results.setups.value(row, "fish_below_expected")
    return known(fish) and float(fish) > 0


def _how_many(results: SeasonResults) -> Markup:
    return say(
        "In season {season}, {below} of {judged} tanks that can be judged did worse than their batch, species and"
        " season lead one to expect, beyond what ordinary variation between tanks explains; {watch} more are worth"
        " watching.",
        season=season_name(results.season),
        below=results.figure("tanks_below_expected", "whole"),
        judged=results.figure("tanks_judged", "whole"),
        watch=results.figure("tanks_to_watch", "whole"),
    )


def _visit_words(results: SeasonResults, losing: list[int]) -> Markup:
    if all(is_flagged(results.setups, row) for row in losing):
        return Markup("Visit these first. It is no verdict on the people who look after them.")
    return Markup(
        "These lost most against expectation, so visit them first; where the label says “as expected”, the"
        " shortfall lies within ordinary variation and may be chance."
    )


def _tag(results: SeasonResults, row: int) -> Tag:
    table = results.setups
    verdict = str(table.value(row, "verdict"))
    text = say(
        "Site {site}. {alive} of {eggs} fish left alive: {observed}, where {expected} was expected; about"
        " {lost} fish fewer than expected once chance is allowed for (its own rate: {low} to {high}).",
        site=table.at(row, "site_id", "id"),
        alive=table.at(row, "survivors", "whole"),
        eggs=table.at(row, "eggs", "whole"),
        observed=table.at(row, "observed_pct", "pct"),
        expected=table.at(row, "expected_pct", "pct"),
        lost=table.at(row, "fish_below_expected", "whole"),
        low=table.at(row, "shrunken_low", "pct_bare"),
        high=table.at(row, "shrunken_high", "pct"),
    )
    code = str(table.value(row, "tank_id"))
    anchor = f"tank-{row}" if code in results.timelines else ""
    return Tag(code, verdict, verdict_label(verdict), text + circumstances_words(table, row), anchor)


def circumstances_words(table: ReportTable, row: int) -> Markup:
    """Where fish were lost and what is on record then; consistent with, never caused by."""
    stage, told = table.value(row, "losing_stage"), table.value(row, "circumstances")
    parts = Markup("")
    if known(stage) and str(stage):
        parts += say(" Most were lost {stage}.", stage=WHERE_LOST.get(str(stage), f"in stage {words(stage)}"))
    if known(told) and str(told).startswith("consistent with"):
        parts += say(" The shortfall is {told}.", told=table.at(row, "circumstances", "text"))
    elif known(told) and str(told):
        parts += say(" There is {told}.", told=table.at(row, "circumstances", "text"))
    return parts


def _smallest_shortfall(results: SeasonResults) -> Block:
    table = results.detectable
    rows = table.rows(outcome=MAIN_OUTCOME) if len(table) else []
    title = "What this screen cannot see."
    if not rows:
        unknown = "How large a shortfall it would reliably find could not be worked out; silence is no acquittal."
        return Notice(title, Markup(unknown), "note")
    row = rows[0]
    typical = say(
        "a tank of {eggs} eggs expected at {expected}",
        eggs=table.at(row, "eggs", "whole"),
        expected=table.at(row, "expected_pct", "pct"),
    )
    if not known(table.value(row, "watched_points")):
        return Notice(title, say("It could not even find the loss of every fish in {tank}.", tank=typical), "note")
    return Notice(title, say("{what} {moral}", what=_found_from(table, row, typical), moral=_MORAL), "note")


_MORAL = "A tank without a flag is not thereby shown to be well."


def _found_from(table: ReportTable, row: int, typical: Markup) -> Markup:
    watched = say(
        "{tank} would be put on watch four times in five only when it falls short by {points} or more",
        tank=typical,
        points=table.at(row, "watched_points", "points_plain"),
    )
    watched = watched[:1].upper() + watched[1:]
    if not known(table.value(row, "flagged_points")):
        return watched + Markup(", and it would never be called below expected.")
    flagged = table.at(row, "flagged_points", "points_plain")
    return watched + say(", and called below expected only from {points}.", points=flagged)


def _stage(results: SeasonResults) -> Block:
    table = results.losses
    rows = [row for row in range(len(table)) if str(table.value(row, "stage")) != "unaccounted"]
    rows = [row for row in rows if float(table.value(row, "fish")) > 0]
    if not rows:
        return Notice(
            "At which stage fish died is not known.", Markup("No dead eggs or fish were counted."), "note"
        )
    worst = max(rows, key=lambda row: float(table.value(row, "fish")))
    text = say(
        "<strong>When fish died.</strong> Of the {all} eggs and fish counted dead, the largest part died"
        " {stage}: {dead}.",
        stage=table.at(worst, "where", "text"),
        dead=table.at(worst, "fish", "whole"),
        all=results.figure("dead_counted", "whole"),
    )
    return Prose(text + _unaccounted(table), (table, results.key_figures))


def _unaccounted(table: ReportTable) -> Markup:
    rows = table.rows(stage="unaccounted")
    if not rows or float(table.value(rows[0], "fish")) <= 0:
        return Markup("")
    return say(
        " On balance another {fish} are unaccounted for in {tanks}: neither counted dead nor seen to leave.",
        fish=table.at(rows[0], "fish", "whole"),
        tanks=table.at(rows[0], "tanks", "tanks"),
    )


def best_practice(table: ReportTable) -> int | None:
    """Row of the single practice that goes with better survival most clearly; None when no difference is known."""
    if table.refusal or "difference_points" not in table.frame.columns:
        return None
    rows = [
        row
        for row in (table.rows(outcome=MAIN_OUTCOME) if len(table) else [])
        if known(table.value(row, "difference_points"))
        and float(table.value(row, "difference_points")) > 0
        and str(table.value(row, "practice")) != "room_and_gravel"
    ]

    def clearness(row: int) -> float:
        return float(table.value(row, "difference_low"))

    return max(rows, key=clearness) if rows else None


def _practice(results: SeasonResults) -> list[Block]:
    table = results.practices
    row = best_practice(table)
    if row is None:
        title = "Which practice goes with better survival cannot be said."
        return [refusal(title, table) if table.refusal else Notice(title, Markup(_NO_PRACTICE))]
    sure = how_sure(*(table.value(row, name) for name in ("difference_low", "difference_high", "p_value")))
    text = say(
        "<strong>Which practice goes with better survival.</strong> Most clearly {practice} <em>{level}</em>:"
        " {points} of survival from delivery to release against all other tanks (95 % interval {low} to {high};"
        " {tanks}, {batches}). How sure: {sure}. Tanks were never assigned by lot, so it may"
        " stand for something else.",
        practice=factor_words(table.value(row, "practice")),
        level=table.at(row, "level", "words"),
        points=table.at(row, "difference_points", "points_words"),
        low=table.at(row, "difference_low", "points"),
        high=table.at(row, "difference_high", "points"),
        tanks=table.at(row, "tanks", "tanks"),
        batches=table.at(row, "batches", "batches"),
        sure=sure,
    )
    return [Prose(text, (table,)), *_most_to_gain(results.changes)]


def _most_to_gain(table: ReportTable) -> list[Block]:
    """The change that heads the list, when it is clear of chance."""
    if table.refusal or not len(table) or not known(table.value(0, "difference_high")):
        return []
    if float(table.value(0, "difference_high")) >= 0:
        return []
    text = say(
        "<strong>What there is most to gain from.</strong> {change}: the tanks it concerns did {points} against"
        " all others (95 % interval {low} to {high}); in {now} of this season that would be about {fish} fish."
        " Evidence: {grade}.",
        change=table.at(0, "change", "sentence"),
        points=table.at(0, "difference_points", "points_words"),
        low=table.at(0, "difference_low", "points"),
        high=table.at(0, "difference_high", "points"),
        now=table.at(0, "tanks_to_change", "tanks"),
        fish=table.at(0, "fish_saved", "whole"),
        grade=table.at(0, "evidence", "text"),
    )
    return [Prose(text, (table,))]


_NO_PRACTICE = "No practice has enough tanks and batches on both sides to be compared."


def _some_are_silent(results: SeasonResults) -> bool:
    return results.bare("tanks_usable") != results.bare("tanks_delivered")


def _reporting(results: SeasonResults) -> list[Block]:
    if not results.has_figure("tanks_supplied"):
        return [refusal("How much was reported is not known.", results.accounting)]
    text = say(
        "<strong>How much of it was reported.</strong> {usable} of {delivered} tanks with eggs sent records"
        " from which survival to release can be told.",
        usable=results.figure("tanks_usable", "whole"),
        delivered=results.figure("tanks_delivered", "whole"),
    )
    if results.has_figure("bound_low_pct") and _some_are_silent(results):
        text += say(
            " Left alive there: {pct} of the eggs delivered. With the tanks that did not report, the programme’s"
            " figure lies anywhere between {low} (all their eggs died) and {high} (all lived).",
            pct=results.figure("reported_pct", "pct"),
            low=results.figure("bound_low_pct", "pct"),
            high=results.figure("bound_high_pct", "pct"),
        )
    return [Prose(text, (results.key_figures,))]
