"""The evidence behind the first screen: accounting, stages and their trend, temperature, batches, the records
themselves, tanks against what could be expected; and the end of the page: method, limits, cautions, and whether
the model holds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from broodyear.claims import ClaimKind, Reason
from broodyear.figures.diagnostics import influence_figure, residuals_figure
from broodyear.figures.funnel import expected_figure, funnel_figure
from broodyear.figures.intervals import Estimate, intervals_figure
from broodyear.figures.style import SERIES
from broodyear.figures.timeline import exposure_figure, timeline_figure, trend_figure
from broodyear.reports.numbers import MAIN_OUTCOME, known, tank_word, words, written
from broodyear.reports.parts import Block, Bullets, Flow, Folded, Heading, Notice, Prose, Section, ids, joined, say
from broodyear.reports.rendering import (
    CAUTIONS,
    bullets,
    drawing,
    glossary,
    listed,
    phrase,
    prose,
    refusal,
    wording,
)
from broodyear.reports.season.account import observed_or_most
from broodyear.reports.season.results import (
    SeasonRecords,
    SeasonResults,
    clear_besides,
    flagged_rows,
    main_rows,
    named_tanks,
)
from broodyear.reports.tables import ReportTable, report_table, shown

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.survival.practices import EffectsReport

_WORDS = "season/evidence.txt"
#: Rows that others stand before, named on the page; the rest are in the file.
MOST_CLASHING = 5
_ESTIMATES = (
    Estimate("release_based_pct", "release_based_low", "release_based_high", "from fish that left", SERIES[0]),
    Estimate("loss_based_pct", "loss_based_low", "loss_based_high", "from dead counted", SERIES[1], hollow=True),
)


def accounting_section(records: SeasonRecords) -> Section:
    """Supplied, delivered, reported, usable; who did not report."""
    title = "What was supplied and what was reported"
    if not len(records.accounting):
        return Section("accounting", title, (refusal("", records.accounting),))
    steps = tuple(
        (say("{n}", n=records.figure(name, "whole")), label) for name, label in wording(_WORDS, "steps").items()
    )
    flow = Flow(steps, (records.key_figures,), "Tanks from set-up to usable records")
    blocks = (flow, shown(records.accounting), *_not_reported(records), *_taken_as_lost(records))
    return Section("accounting", title, blocks)


def _not_reported(records: SeasonRecords) -> list[Block]:
    if not len(records.not_reported):
        return [prose(_WORDS, "none_silent", delivered=records.bare("tanks_delivered"))]
    table = records.not_reported
    waiting = int(table.frame["tank_id"].isin(records.waiting).sum())
    return [prose(_WORDS, "silent", waiting=waiting, all=len(table)), shown(table)]


def _taken_as_lost(records: SeasonRecords) -> list[Block]:
    table = records.taken_as_lost
    return [prose(_WORDS, "taken_as_lost"), shown(table)] if len(table) else []


def stages_section(records: SeasonRecords) -> Section:
    """Survival stage by stage, both estimates, and the seasons before."""
    title, table = "At which stage fish were lost", records.stage_survival
    if not len(table):
        unknown = refusal("Survival by stage cannot be worked out.", table)
        return Section("stages", title, (_where_lost(records), unknown))
    stages = [
        f"{one['stage_label']} {written(one['release_based_pct'], 'pct')}"
        for one in table.frame.to_dict("records")
        if known(one["release_based_pct"])
    ]
    figure = drawing(
        intervals_figure, table.frame, name="stage_survival", table=table, words={"stages": stages},
        label="stage_label", estimates=_ESTIMATES, unit="survival (%), mean of tanks",
    )  # fmt: skip
    tables = shown(table), shown(records.losses)
    blocks = (_where_lost(records), prose(_WORDS, "estimates"), figure, *tables, *_trend(records))
    return Section("stages", title, blocks)


def _where_lost(records: SeasonRecords) -> Block:
    table = records.losses
    lost = {str(table.value(row, "stage")): row for row in range(len(table)) if table.value(row, "fish") > 0}
    balance, _ = lost.pop("unaccounted", None), lost.pop("no_delivery", None)
    if not lost:
        return Notice("At which stage fish died is not known.", phrase(_WORDS, "none_died"), "note")
    worst = max(lost.values(), key=lambda row: float(table.value(row, "fish")))
    unaccounted, dead = None if balance is None else table.row(balance), records.figure("dead_counted", "whole")
    sources = table, records.key_figures
    return prose(_WORDS, "when_died", *sources, row=table.row(worst), all=dead, unaccounted=unaccounted)


def _trend(records: SeasonRecords) -> list[Block]:
    table, heading = records.trend, Heading(Markup("The seasons before"))
    if len(table) < 2:
        return [heading, prose(_WORDS, "no_trend")]
    species = [
        f"{words(table.value(row, 'species'))} {written(table.value(row, 'release_based_pct'), 'pct')}"
        for row in table.rows(season=records.season)
    ]
    figure = drawing(
        trend_figure, table.frame, table=table, words={"species": species}, this_season=records.season
    )
    return [heading, prose(_WORDS, "trend"), figure]


def exposure_section(records: SeasonRecords) -> Section:
    """Mean, spread and extremes of water temperature per tank, and how much of it was read."""
    title, table, settings = "Water temperature", records.exposure, records.settings
    if not len(table):
        return Section("temperature", title, (refusal("Exposure is not known.", table),))
    whole = table.frame[table.frame["exposure_window"] == "whole"]
    usable = whole[whole["usable"].astype(bool)]
    usable = usable.sort_values(["mean_water_temp_c", "tank_id"])
    means = [written(mean, "celsius") for mean in usable["mean_water_temp_c"]]
    options: dict[str, Any] = {"words": {"means": means}, "warm_limit_c": settings.warm_limit_c}
    figures = [drawing(exposure_figure, usable, table=table, **options)] if means else []
    windows = prose(
        _WORDS, "windows", table, pct=f"{settings.exposure_max_missing_pct:.0f}", tanks=len(whole),
        usable=len(usable), days=int(whole["days"].sum()), read=int(whole["days_observed"].sum()),
    )  # fmt: skip
    means_of = shown(table, table.rows(exposure_window="whole", usable=True))
    return Section("temperature", title, (windows, *figures, means_of, *_without_mean(whole)))


def _without_mean(whole: pd.DataFrame) -> list[Block]:
    """The tanks whose days were read too seldom for a mean, by reason."""

    def named(tanks: pd.DataFrame) -> Markup | str:
        return ids(list(tanks["tank_id"])) if len(tanks) < len(whole) else phrase(_WORDS, "all", tanks=len(tanks))

    reasons = [(reason, named(tanks)) for reason, tanks in whole[~whole["usable"].astype(bool)].groupby("note")]
    return [prose(_WORDS, "without_mean", reasons=reasons)] if reasons else []


def batches_section(records: SeasonRecords) -> Section:
    """The batches: what arrived, and how tanks that shared one fared."""
    title, table = "Batches of eggs", records.batches
    if not len(table):
        return Section("batches", title, (refusal("Batches are not known.", table),))
    mixed = records.mixed_batches
    of_mixed = (prose(_WORDS, "mixed"), bullets(_WORDS, "mixed_tank", mixed)) if len(mixed) else ()
    clear = records.statements.rows(ClaimKind.BATCH_DIFFERS, section="batches")
    blocks = prose(_WORDS, "batches"), records.statements.bullets(clear), shown(table), *of_mixed
    return Section("batches", title, blocks)


def quality_section(records: SeasonRecords) -> Section:
    """Uploads, rejected rows, findings by rule, and what was acknowledged."""
    uploads = records.uploads
    blocks: list[Block] = [
        prose(_WORDS, "loaded", records.key_figures, uploads, figure=records.figure),
        shown(records.findings) if len(records.findings) else prose(_WORDS, "nothing_found"),
    ]
    blocks.append(shown(uploads, [row for row in range(len(uploads)) if uploads.value(row, "rows_sent_back")]))
    if len(records.moved):
        blocks += [prose(_WORDS, "moved"), bullets(_WORDS, "moved_tank", records.moved)]
    if len(records.clashing_rows):
        first = range(min(len(records.clashing_rows), MOST_CLASHING))
        blocks += [prose(_WORDS, "clashing", records.clashing_rows, rest=len(records.clashing_rows) - len(first))]
        blocks += [bullets(_WORDS, "clashing_row", records.clashing_rows, first)]
    return Section("quality", "How good the records are", tuple(blocks))


def method_section(results: SeasonResults) -> Section:
    """How the numbers were made, with rows given, used and left out, and where they end."""
    blocks = (
        Folded("How the numbers are made", (Bullets(listed("season/method.txt", "methods")),)),
        Heading(Markup("Rows given, used and left out")),
        _rows_block(results.screen),
        _rows_block(results.fits),
        Heading(Markup("What this page cannot show")),
        Bullets(listed("season/method.txt", "limits")),
    )
    return Section("method", "Method and limits", (*blocks, *glossary("season")))


def _rows_block(table: ReportTable) -> Block:
    return shown(table) if len(table) else refusal("No model was fitted here.", table)


def cautions_section() -> Section:
    """Where work can hurt people or fish."""
    return Section("cautions", "Before anyone acts: cautions", CAUTIONS)


_CHECK_WORDS = "season/diagnostics.txt"
#: Residuals drawn; of a longer table the last, which are those of the latest seasons.
MOST_DOTS = 1500


def diagnostic_tables(effects: EffectsReport | str) -> dict[str, ReportTable]:
    """Tables of the main outcome's checks by name; empty with the reason where no model was fitted."""
    names = ("model_checks", "residuals", "influence", "inflation", "normality")
    found, why = {}, "no model of survival from delivery to release could be fitted"
    if isinstance(effects, str):
        why = effects
    else:
        found = dict(effects.diagnostics)
    return {name: report_table(name, found.get(name, why)) for name in names}


def diagnostics_section(results: SeasonResults) -> Section:
    """Residuals, influence of single sites, collinearity and normality, with a figure each for the first two."""
    title, checks, inflation = "Does the model hold?", results.model_checks, results.inflation
    if not len(checks):
        return Section("diagnostics", title, (refusal("There is no model to check.", checks),))
    residuals = results.residuals.frame.tail(MOST_DOTS)
    blocks: list[Block] = [
        drawing(residuals_figure, residuals, table=results.residuals, words={"tanks": len(residuals)}),
        drawing(influence_figure, results.influence.frame, table=results.influence),
    ]
    if len(inflation):
        rows: dict[str, Any] = {"checks": checks.row(0), "inflation": inflation.row(0)}
        blocks.append(prose(_CHECK_WORDS, "numbers", checks, inflation, **rows))
    blocks += [*_normality(results.normality), shown(inflation)]
    folded = Folded("Residuals, influence of single sites, and what goes together", tuple(blocks))
    return Section("diagnostics", title, (prose(_CHECK_WORDS, "intro"), folded))


def _normality(table: ReportTable) -> list[Block]:
    rows = [row for row in range(len(table)) if known(table.value(row, "p_value"))]
    groups = joined([phrase(_CHECK_WORDS, "normality", row=table.row(row)) for row in rows])
    return [prose(_CHECK_WORDS, "normal", table, groups=groups)] if rows else []


def tanks_section(records: SeasonRecords) -> Section:
    """Observed against expected, the flagged tanks with their season drawn, and every tank with its verdict."""
    title, rows = "Tanks against what could be expected", main_rows(records.setups)
    if not rows:
        return Section("tanks", title, (refusal("No tank can be judged.", records.setups),))
    blocks: list[Block] = [prose(_WORDS, "tanks"), *_figures(records, rows), *_miscounted(records)]
    blocks += _flagged(records)
    blocks += [shown(records.statements.table, clear_besides(records.statements)), shown(records.setups, rows)]
    return Section("tanks", title, (*blocks, *_sites(records, rows)))


def _figures(records: SeasonRecords, rows: list[int]) -> list[Block]:
    if not records.bare("tanks_judged"):
        return []
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
    line = Prose(_tank_line(records, row, code))
    return [Heading(say("{word}{code}", word=tank_word(code), code=code), f"tank-{row}"), line, figure]


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
        sites = joined([phrase(_WORDS, "returned", row=table.row(row)) for row in returned])
        blocks.append(prose(_WORDS, "sites_returned", table, sites=sites))
    else:
        blocks.append(prose(_WORDS, "none_returned"))
    young = [row for row in rows if str(table.value(row, "reason")) == Reason.TOO_FEW_SEASONS]
    blocks.append(shown(table, [row for row in rows if row not in young]))
    named = ids([table.value(row, "site_id") for row in young])
    return [*blocks, *([prose(_WORDS, "one_season", sites=named)] if young else [])]
