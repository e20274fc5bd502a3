"""What the records hold of each region, compared with nothing: sums by season, circumstances, sites that moved."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd
from markupsafe import Markup

from broodyear.intake.suspicions import cases_now
from broodyear.reports.numbers import MAIN_OUTCOME
from broodyear.reports.parts import Bullets, Notice, Section, joined
from broodyear.reports.rendering import bullets, phrase, prose, wording
from broodyear.reports.tables import ReportTable, Row, report_table, shown, without_folders
from broodyear.setups import SHARE_COLUMNS, circumstance_shares

if TYPE_CHECKING:
    from broodyear.store import Store

_WORDS, _RECORD_WORDS, _MISSING_WORDS = "regions/sections.txt", "regions/evidence.txt", "regions/missing.txt"
CHANGED = ["site_id", "region", "from_region", "stands_place", "from_place"]


def changed_regions(store: Store) -> pd.DataFrame:
    """Sites whose seasons all count in a region that an earlier file did not say, until somebody settles it."""
    cases = cases_now(store.connection, store.settings, "site_region_changed")
    found = pd.DataFrame([{**case, "site_id": case["tank_id"]} for case in cases], columns=CHANGED)
    return without_folders(found, ["stands_place", "from_place"]).sort_values("site_id")


def on_record(outcomes: pd.DataFrame) -> ReportTable:
    """region, SHARE_COLUMNS and what each is called, by region and circumstance; a tank counts once a season."""
    rows = outcomes[outcomes["outcome"] == MAIN_OUTCOME].reset_index(drop=True)
    shares = circumstance_shares(rows, "region")
    names: dict[str, str] = wording(_RECORD_WORDS, "names")
    gravel: dict[str, str] = wording(_RECORD_WORDS, "gravel_alone")
    met = [gravel[one] for one in gravel if "gravel_practice" in rows and (rows["gravel_practice"] == one).any()]
    names = names | {"gravel": met[0]} if len(met) == 1 else names
    shares.insert(2, "what", [names[code] for code in shares["evidence"]])
    return report_table("on_record", shares, ("region", *SHARE_COLUMNS))


def on_record_section(table: ReportTable) -> Section:
    """One sentence per region with something that stands out there."""
    title = "What is on record more often in one region"
    standing = [row for row in range(len(table)) if table.value(row, "stands_out")]
    regions = list(dict.fromkeys(str(table.value(row, "region")) for row in standing))
    if not regions:
        return Section("record", title, (prose(_RECORD_WORDS, "nothing", table),))
    items = tuple(
        _standing_out(table, [row for row in standing if str(table.value(row, "region")) == one])
        for one in regions
    )
    return Section("record", title, (prose(_RECORD_WORDS, "intro"), Bullets(items, (table,))))


def _standing_out(table: ReportTable, rows: Sequence[int]) -> Markup:
    by_distance = sorted(rows, key=lambda row: table.value(row, "elsewhere_pct") - table.value(row, "share_pct"))
    found = joined(bullets(_RECORD_WORDS, "one", table, by_distance).items)
    return phrase(_RECORD_WORDS, "region", region=table.at(rows[0], "region", "id"), found=found)


def by_season_section(table: ReportTable, changed: ReportTable) -> Section:
    """The sums that somebody answers for, and where to read instead how regions compare."""
    sources = (changed,) if len(changed) else ()
    latest_first = sorted(range(len(table)), key=lambda row: -int(table.value(row, "season")))
    several = table.frame["region"].nunique() > 1
    words = prose(_WORDS, "by_season", *sources, several=several, changed=len(changed))
    blocks = words, shown(table, latest_first)
    return Section("seasons", "Hatched and released, by region and season", blocks)


def missing_notice(table: ReportTable) -> tuple[Notice, ...]:
    """One sentence on all regions that sent nothing of some kind for a season, none where there are none."""
    kinds: dict[str, dict[str, dict[int, Row]]] = {}
    for row in map(table.row, range(len(table))):
        region = "" if row.value("is_everywhere") else str(row.value("region"))
        seasons = kinds.setdefault(str(row.value("missing")), {}).setdefault(region, {})
        seasons.setdefault(int(row.value("season")), row)
    if not kinds:
        return ()
    return (Notice("Missing from a whole region.", phrase(_MISSING_WORDS, "missing", kinds=kinds), "note"),)
