"""The annual review of one season: one page, its tables, its figures, its manifest.

`report_season` writes it from a store; `page.write_season` from results already gathered.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from broodyear.reports import Tell, tell_nobody
from broodyear.reports.folder import ReportResult, require_report_folder
from broodyear.reports.second_process import WORTH_A_PROCESS_SETUPS, SecondProcess

if TYPE_CHECKING:
    from broodyear.store import Store


__all__ = ["report_season"]


def report_season(
    store: Store,
    season: int,
    folder: Path,
    *,
    sites: bool = False,
    pdf: bool = False,
    command: str = "",
    tell: Tell = tell_nobody,
) -> ReportResult:
    """Write the review of `season` (2023 = 2023/24) below `folder`: season.html, tables/, figures/, manifest.json.

    sites: also one sheet per site, in sites/; pdf: also season.pdf; command: as typed, for the manifest; tell:
    hears how many of how many steps are done, and what is being done.
    Raises NothingToAnalyse when the season has no set-up, naming the seasons there are.
    """
    require_report_folder(folder, "season")
    is_large = len(store.table("setups")) >= WORTH_A_PROCESS_SETUPS
    with SecondProcess(is_large) as beside:
        # What makes the page is loaded while the other process loads what it needs.
        from broodyear.reports.season.comparing import with_practices
        from broodyear.reports.season.gathering import gather_records
        from broodyear.reports.season.page import record_sections, season_page, write_season

        ledger = store.uploads()
        records, under_way = gather_records(store, season, ledger, beside, tell)
        begun = [section.drawn_by(beside.ask) for section in record_sections(records)]
        tell(2, 4, "comparing practices")
        results = with_practices(records, under_way)
        tell(3, 4, "drawing and writing")
        page = season_page(results, beside.ask, begun)
        return write_season(results, folder, ledger, sites=sites, pdf=pdf, command=command, page=page)
