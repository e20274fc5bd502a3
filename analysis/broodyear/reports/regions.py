"""Regions compared fairly: raw, adjusted for batch and within batches side by side; alphabetical, no ranks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
from markupsafe import Markup, escape

from broodyear.claims import ClaimKind, Decision
from broodyear.errors import BroodyearError, NothingToAnalyse
from broodyear.figures.connectivity import connectivity_figure
from broodyear.figures.intervals import Estimate, panels_figure
from broodyear.figures.style import SERIES
from broodyear.regions import region_comparison
from broodyear.reports import Tell, tell_nobody
from broodyear.reports.folder import Manifest, ReportResult, require_report_folder, write_report
from broodyear.reports.numbers import MAIN_OUTCOME, OUTCOMES
from broodyear.reports.parts import Block, Bullets, Drawing, Notice, Page, Prose, Section
from broodyear.reports.region_records import (
    CHANGED,
    by_season_section,
    changed_regions,
    missing_notice,
    on_record,
    on_record_section,
)
from broodyear.reports.rendering import bullets, drawing, glossary, listed, phrase, prose, refusal
from broodyear.reports.second_process import WORTH_A_PROCESS_SETUPS, SecondProcess
from broodyear.reports.sentences import Statements, state
from broodyear.reports.tables import ReportTable, report_table, shown, tables_of
from broodyear.survival.running import running_season, with_waiting, without_waiting

if TYPE_CHECKING:
    from broodyear.claims import Claim
    from broodyear.settings import Settings
    from broodyear.store import Store
    from broodyear.survival.running import Running

_WORDS = "regions/sections.txt"
#: Batches in one drawing; with more, the earliest seasons are left to the table.
MOST_BATCHES = 45
_PANELS = (
    Estimate("raw_pct", "", "", "raw", SERIES[3]),
    Estimate("adjusted_pct", "adjusted_low", "adjusted_high", "adjusted for batch", SERIES[0]),
    Estimate("within_batch_pct", "within_batch_low", "within_batch_high", "within batches", SERIES[2]),
)
_NONE_CHANGED = report_table("changed_regions", pd.DataFrame(columns=CHANGED))
_NO_SUMS, _NONE_MISSING = report_table("regions_by_season", ""), report_table("missing_regions", "")


@dataclass(frozen=True)
class RegionResults:
    """Tables of the regions report; statements: its claims; sentences: what can be compared, by outcome;
    mixed: tank-seasons with eggs of several batches; changed: sites that stood under another region before;
    by_season: what came to each region, hatched and was released, season by season; missing: of which a season has
    no count or no temperature; running: the last season, where it is taken to run still."""

    settings: Settings
    regions: ReportTable
    heterogeneity: ReportTable
    graph: ReportTable
    batches: ReportTable
    on_record: ReportTable
    statements: Statements
    sentences: dict[str, str]
    seasons: tuple[int, ...]
    mixed: int = 0
    changed: ReportTable = _NONE_CHANGED
    by_season: ReportTable = _NO_SUMS
    missing: ReportTable = _NONE_MISSING
    running: Running | None = None

    @property
    def tables(self) -> tuple[ReportTable, ...]:
        """Every table, the claims first."""
        return self.statements.table, *tables_of(self)


def report_regions(
    store: Store, folder: Path, *, pdf: bool = False, command: str = "", tell: Tell = tell_nobody
) -> ReportResult:
    """Write the comparison of regions over all seasons below `folder`: regions.html, tables/, figures/, manifest.

    tell: hears how many of how many steps are done, and what is being done.
    Raises NothingToAnalyse when no tank of any season got eggs.
    """
    require_report_folder(folder, "regions")
    is_large = len(store.table("setups")) >= WORTH_A_PROCESS_SETUPS
    with SecondProcess(is_large, "broodyear.regions") as beside:
        results = gather_regions(store, tell, beside.ask)
        tell(2, 3, "drawing and writing")
        page = regions_page(results).drawn_by(beside.leave)
        return write_regions(results, folder, store.uploads(), pdf=pdf, command=command, page=page)


def gather_regions(store: Store, tell: Tell = tell_nobody, ask: Callable[..., Any] = partial) -> RegionResults:
    """The tables of the regions report; tell: hears of the steps; ask: as in ``region_comparison``."""
    tell(0, 3, "reading the records")
    outcomes = store.result("tank_outcomes")
    if outcomes.empty:
        raise NothingToAnalyse(
            "no tank of any season has a delivery of eggs on record, so regions cannot be compared"
        )
    outcomes = outcomes.merge(store.result("tank_evidence"), on=["season", "tank_id"], how="left")
    tell(1, 3, "comparing regions")
    seasons = tuple(sorted(int(season) for season in outcomes["season"].unique()))
    running = running_season(store.result("tank_seasons"))
    results = region_results(without_waiting(with_waiting(outcomes, running)), store.settings, seasons, ask)
    return replace(
        results,
        changed=report_table("changed_regions", changed_regions(store)),
        by_season=report_table("regions_by_season", store.result("regions_by_season")),
        missing=report_table("missing_regions", store.result("missing_regions")),
        running=running,
    )


def region_results(
    outcomes: pd.DataFrame, settings: Settings, seasons: tuple[int, ...], ask: Callable[..., Any] = partial
) -> RegionResults:
    """The tables from a frame of tank outcomes; a refusal becomes a sentence in the place of its table."""
    claims: tuple[Claim, ...] = ()
    sentences: dict[str, str] = {}
    rows: dict[str, Any]
    try:
        found = region_comparison(outcomes, ask)
        rows = {"regions": found.rows, "heterogeneity": found.heterogeneity, "connectivity": found.graph}
        rows["batch_survival"] = found.batches
        claims, sentences = found.claims, dict(found.sentences)
    except BroodyearError as error:
        rows = dict.fromkeys(("regions", "heterogeneity", "connectivity", "batch_survival"), str(error))
    regions, heterogeneity, graph, batches = (report_table(name, one) for name, one in rows.items())
    tanks = outcomes.drop_duplicates(["season", "tank_id"])
    mixed = int((tanks["batches"] > 1).sum()) if "batches" in tanks else 0
    return RegionResults(
        settings, regions, heterogeneity, graph, batches, on_record(outcomes), state(claims), sentences, seasons,
        mixed,
    )  # fmt: skip


def write_regions(
    results: RegionResults,
    folder: Path,
    uploads: pd.DataFrame,
    *,
    pdf: bool = False,
    command: str = "",
    page: Page | None = None,
) -> ReportResult:
    """Write the report from results already gathered. page: theirs, where its drawings are under way."""
    manifest = Manifest("regions", command, results.settings, uploads, {"seasons": list(results.seasons)})
    return write_report(folder, page or regions_page(results), results.tables, manifest, pdf=pdf)


def regions_page(results: RegionResults) -> Page:
    """The report as a page: the answer first, then evidence, reporting, method."""
    sections = (
        answer_section(results),
        evidence_section(results.regions, results.heterogeneity),
        on_record_section(results.on_record),
        batches_section(results),
        by_season_section(results.by_season, results.changed),
        reporting_section(results.regions, results.missing, _still_running(results)),
        method_section(results.mixed),
    )
    return Page("regions", "Regions compared fairly", "Incubation tanks, all seasons on record", sections)


def answer_section(results: RegionResults) -> Section:
    """Whether any region is shown to differ, what the records say of each, and how batches were held fixed."""
    title, regions, statements = "Is any region worse or better?", results.regions, results.statements
    if not len(regions):
        return Section("answer", title, (refusal("Regions cannot be compared.", regions),))
    rows = regions.rows(outcome=MAIN_OUTCOME) or list(range(len(regions)))
    outcome = str(regions.value(rows[0], "outcome"))
    # What differs in some outcome is the answer; that nothing does is stated only where nothing does in any.
    wanted: tuple[dict[str, Any], ...] = ({"decision": Decision.CLAIMED}, {"outcome": outcome})
    answers = [_sentence(statements, ClaimKind.REGIONS_DIFFER, **one) for one in wanted]
    items = tuple(_region(regions, row, statements) for row in rows)
    claimed = statements.rows(ClaimKind.REGION_DIFFERS, decision=Decision.CLAIMED)
    of_batches = [row for row in statements.rows(ClaimKind.REGION_BATCHES) if statements.claim(row).section]
    further = [row for row in (*claimed, *of_batches) if statements.claim(row).outcome != outcome]
    blocks: list[Block] = [
        Prose(answers[0] or answers[1], (statements.table,), lead=True),
        Notice("Read the raw figures with care.", phrase(_WORDS, "raw_with_care"), "note"),
    ]
    moved = bullets(_WORDS, "changed", results.changed).items
    blocks += [Notice("Sites that changed their region.", Markup(" ").join(moved), "note")] if moved else []
    blocks += [prose(_WORDS, "single_stages"), statements.bullets(further)] if further else []
    blocks += [prose(_WORDS, "outcome", outcome=OUTCOMES[outcome]), Bullets(items, (regions, statements.table))]
    can_compare = results.sentences.get(outcome)
    return Section(
        "answer", title, (*blocks, _figure(regions), *([Prose(escape(can_compare))] if can_compare else ()))
    )


def _sentence(statements: Statements, kind: ClaimKind, **wanted: Any) -> Markup:
    """The sentence of the claim of this kind, as claims.csv has it."""
    return Markup(" ").join(statements.bullets(statements.rows(kind, **wanted)).items)


def _region(regions: ReportTable, row: int, statements: Statements) -> Markup:
    """One region: what was counted, and what its claims say."""
    wanted = {"subject": str(regions.value(row, "region")), "outcome": str(regions.value(row, "outcome"))}
    kinds = ClaimKind.REGION_BATCHES, ClaimKind.REGION_DIFFERS
    sentence = Markup(" ").join(filter(None, (_sentence(statements, kind, **wanted) for kind in kinds)))
    return phrase(_WORDS, "region", row=regions.row(row), sentence=sentence)


def evidence_section(regions: ReportTable, heterogeneity: ReportTable) -> Section:
    """The three estimates, one table per outcome with the whole stay first, and how much regions differ at all."""
    title = "Raw, adjusted and within batches"
    if not len(regions):
        return Section("evidence", title, (refusal("There is nothing to show.", regions),))
    present = [name for name in OUTCOMES if regions.rows(outcome=name)]
    tables = [
        shown(
            regions, regions.rows(outcome=name), anchor=f"regions-{name}", folded=name != MAIN_OUTCOME,
            outcome=OUTCOMES[name],
        )
        for name in sorted(present, key=lambda name: name != MAIN_OUTCOME)
    ]  # fmt: skip
    spread = shown(heterogeneity) if len(heterogeneity) else prose(_WORDS, "spread_unknown")
    return Section("evidence", title, (*tables, spread))


def _figure(regions: ReportTable) -> Drawing:
    rows = regions.frame.iloc[regions.rows(outcome=MAIN_OUTCOME)]
    return drawing(
        panels_figure, rows, name="regions", table=regions, label="region", panels=_PANELS, unit="survival (%)"
    )


def batches_section(results: RegionResults) -> Section:
    """Which region received which batch, drawn, as only what is joined can be compared; and how each batch did."""
    title, graph, statements = "Which region had which batch", results.graph, results.statements
    if not len(graph):
        return Section("batches", title, (refusal("There is nothing to draw.", graph),))
    rows = graph.rows(outcome=MAIN_OUTCOME)
    words = {"sentence": results.sentences.get(MAIN_OUTCOME, "")}
    figure = drawing(connectivity_figure, _latest(graph.frame.iloc[rows]), table=graph, words=words)
    clear = statements.rows(ClaimKind.BATCH_DIFFERS, decision=Decision.CLAIMED)
    blocks = prose(_WORDS, "paths"), figure, shown(graph, rows), statements.bullets(clear), shown(results.batches)
    return Section("batches", title, blocks)


def _latest(graph: pd.DataFrame) -> pd.DataFrame:
    """The latest seasons, as many as keep the drawing readable."""
    chosen = graph
    for season in sorted(graph["season"].unique())[:-1]:
        if chosen["batch_id"].nunique() <= MOST_BATCHES:
            break
        chosen = chosen[chosen["season"] > season]
    return chosen


def _still_running(results: RegionResults) -> tuple[Block, ...]:
    """That the last season runs still, so that its tanks are waited for."""
    return (prose(_WORDS, "running", running=results.running),) if results.running else ()


def reporting_section(regions: ReportTable, missing: ReportTable, running: tuple[Block, ...] = ()) -> Section:
    """Who reported, which regions nothing came from, and what the silent tanks could change."""
    blocks: tuple[Block, ...] = (refusal("There is nothing to show.", regions),)
    if len(regions):
        table = shown(regions, regions.rows(outcome=MAIN_OUTCOME), "reporting")
        blocks = prose(_WORDS, "silent"), *running, table
    return Section("reporting", "How much was reported", (*missing_notice(missing), *blocks))


def method_section(mixed: int) -> Section:
    """How the three estimates are made, and what they cannot show. mixed: tank-seasons with several batches."""
    blocks = Bullets(listed(_WORDS, "methods")), *((prose(_WORDS, "mixed", count=mixed),) if mixed else ())
    return Section("method", "Method and limits", (*blocks, *glossary("regions")))
