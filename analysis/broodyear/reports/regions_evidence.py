"""What is on record in one region more often than in the others: beside the comparison, never its cause."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
from markupsafe import Markup

from broodyear.reports.parts import Block, Bullets, Section, joined
from broodyear.reports.rendering import phrase, wording
from broodyear.reports.tables import ReportTable, report_table, shown
from broodyear.reports.vocabulary import MAIN_OUTCOME
from broodyear.reports.wording import bullets, prose
from broodyear.setups import SHARE_COLUMNS, circumstance_shares

_WORDS = "regions/evidence.txt"
TITLE = "What is on record more often in one region"


def on_record(outcomes: pd.DataFrame) -> ReportTable:
    """region, SHARE_COLUMNS and what each is called, by region and circumstance; a tank counts once a season."""
    rows = outcomes[outcomes["outcome"] == MAIN_OUTCOME].reset_index(drop=True)
    shares = circumstance_shares(rows, "region")
    names: dict[str, str] = wording(_WORDS, "names")
    shares.insert(2, "what", [names[code] for code in shares["evidence"]])
    return report_table("on_record", shares, ("region", *SHARE_COLUMNS))


def on_record_section(table: ReportTable) -> Section:
    """One sentence per region with something that stands out there; all shares in the table."""
    standing = [row for row in range(len(table)) if table.value(row, "stands_out")]
    regions = list(dict.fromkeys(str(table.value(row, "region")) for row in standing))
    every: list[Block] = [shown(table)] if len(table) else []
    if not regions:
        return Section("record", TITLE, (prose(_WORDS, "nothing", table), *every))
    items = tuple(
        _region(table, [row for row in standing if str(table.value(row, "region")) == one]) for one in regions
    )
    return Section("record", TITLE, (prose(_WORDS, "intro"), Bullets(items, (table,)), *every))


def _region(table: ReportTable, rows: Sequence[int]) -> Markup:
    by_distance = sorted(rows, key=lambda row: table.value(row, "elsewhere_pct") - table.value(row, "share_pct"))
    found = joined(bullets(_WORDS, "one", table, by_distance).items)
    return phrase(_WORDS, "region", region=table.at(rows[0], "region", "id"), found=found)
