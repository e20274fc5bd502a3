"""What is on record in one region more often than in the others: beside the comparison, never its cause."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
from markupsafe import Markup

from broodyear.reports.parts import Block, Bullets, Prose, Section, folded_table, joined
from broodyear.reports.rendering import phrase, wording
from broodyear.reports.tables import ReportTable, column, report_table
from broodyear.reports.vocabulary import MAIN_OUTCOME
from broodyear.setups import SHARE_COLUMNS, circumstance_shares

_WORDS = "regions/evidence.txt"
TITLE = "What is on record more often in one region"
COLUMNS = (
    column("region", "region", "id"),
    column("what", "on record", "text", long=True),
    column("tanks_with", "tanks with it", "whole"),
    column("tanks", "of tanks", "whole"),
    column("share_pct", "share (%)", "pct_bare"),
    column("elsewhere_pct", "elsewhere (%)", "pct_bare"),
    column("stands_out", "clearly more often", "yes_no"),
)


def on_record(outcomes: pd.DataFrame) -> ReportTable:
    """region, SHARE_COLUMNS and what each is called, by region and circumstance; a tank counts once a season."""
    rows = outcomes[outcomes["outcome"] == MAIN_OUTCOME].reset_index(drop=True)
    shares = circumstance_shares(rows, "region")
    names: dict[str, str] = wording(_WORDS, "names")
    shares.insert(2, "what", [names[code] for code in shares["evidence"]])
    return report_table("on_record", TITLE, shares, ("region", *SHARE_COLUMNS))


def on_record_section(table: ReportTable) -> Section:
    """One sentence per region with something that stands out there; all shares in the table."""
    standing = [row for row in range(len(table)) if table.value(row, "stands_out")]
    regions = list(dict.fromkeys(str(table.value(row, "region")) for row in standing))
    if not regions:
        return Section("record", TITLE, (Prose(phrase(_WORDS, "nothing"), (table,)), *_every(table)))
    items = tuple(
        _region(table, [row for row in standing if str(table.value(row, "region")) == one]) for one in regions
    )
    return Section("record", TITLE, (Prose(phrase(_WORDS, "intro")), Bullets(items, (table,)), *_every(table)))


def _region(table: ReportTable, rows: Sequence[int]) -> Markup:
    by_distance = sorted(rows, key=lambda row: table.value(row, "elsewhere_pct") - table.value(row, "share_pct"))
    found = [
        phrase(
            _WORDS, "one",
            has=table.at(row, "tanks_with", "whole"),
            name=table.at(row, "what", "text"),
            of=table.at(row, "tanks", "whole"),
            elsewhere=table.at(row, "elsewhere_pct", "pct"),
        )
        for row in by_distance
    ]  # fmt: skip
    return phrase(_WORDS, "region", region=table.at(rows[0], "region", "id"), found=joined(found))


def _every(table: ReportTable) -> list[Block]:
    if not len(table):
        return []
    return [folded_table(table, "On record by region, over all seasons", COLUMNS)]
