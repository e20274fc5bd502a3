"""The development report: thermal-unit models validated against the programme's own records.

Door: ``report_development`` writes it from a store; ``scored_records`` and ``gather_development`` work its tables
out, also from frozen records (see ``freezing``); ``write_development`` writes what was gathered.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from broodyear.figures.style import load_library
from broodyear.reports import Tell, tell_nobody
from broodyear.reports.development.answers import answer_sections
from broodyear.reports.development.evidence import evidence_sections
from broodyear.reports.development.freezing import frozen_files, plain_model
from broodyear.reports.development.gathering import FROZEN_TABLES, Records, gather_development, scored_records
from broodyear.reports.development.results import DevelopmentResults
from broodyear.reports.folder import Manifest, ReportResult, require_report_folder, write_report
from broodyear.reports.parts import Page
from broodyear.reports.second_process import WORTH_A_PROCESS_SETUPS, SecondProcess

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.development import DevelopmentModel
    from broodyear.store import Store

__all__ = [
    "DevelopmentResults",
    "development_page",
    "gather_development",
    "report_development",
    "scored_records",
    "write_development",
]


def report_development(
    store: Store,
    folder: Path,
    *,
    models: Sequence[DevelopmentModel] = (),
    pdf: bool = False,
    command: str = "",
    tell: Tell = tell_nobody,
) -> ReportResult:
    """Write the validation of thermal-unit models below `folder`: development.html, tables/, figures/, manifest,
    references.bib, and reproduce/ with the frozen records and a script that makes the tables again.

    models: of one's own, scored beside the published ones; tell: hears how many of how many steps are done, and
    what is being done.

    Raises NothingToAnalyse when no stage of any species can be scored.
    """
    require_report_folder(folder, "development")
    is_large = len(store.table("setups")) >= WORTH_A_PROCESS_SETUPS
    load_library()  # both processes draw, and the other one is a copy of this
    with SecondProcess(is_large, "broodyear.development.scoring.assessment") as beside:
        tell(0, 3, "reading the records")
        records = Records({name: store.result(name) for name in FROZEN_TABLES}, store.settings, models)
        tell(1, 3, "comparing forecast and seen dates")
        scored = scored_records(records, beside)
        frozen = beside.ask(frozen_files, records)
        results = gather_development(records, scored)
        tell(2, 3, "drawing and writing")
        page = development_page(results).drawn_by(beside.ask)
        return write_development(
            results, folder, store.uploads(), pdf=pdf, command=command, frozen=frozen(), page=page
        )  # fmt: skip


def write_development(
    results: DevelopmentResults,
    folder: Path,
    uploads: pd.DataFrame,
    *,
    pdf: bool = False,
    command: str = "",
    frozen: Mapping[str, bytes] | None = None,
    page: Page | None = None,
) -> ReportResult:
    """Write the report from results already gathered.

    frozen: files of reproduce/ by their place in the folder; page: theirs, where its drawings are under way.
    """
    from broodyear.development.models.sources import bibtex

    given = {"models": [plain_model(model) for model in results.models]}
    manifest = Manifest("development", command, results.settings, uploads, given, seed=results.seed)
    beside = {"references.bib": bibtex(results.works.frame).encode(), **(frozen or {})}
    return write_report(folder, page or development_page(results), results.tables, manifest, (), pdf, beside)


def development_page(results: DevelopmentResults) -> Page:
    """The report as a page: the answer first, then where and why, evidence, pitfalls, sources and method."""
    title = "Thermal-unit models against these records"
    sections = (*answer_sections(results), *evidence_sections(results))
    return Page("development", title, "Incubation tanks, all seasons on record", sections)
