"""Invented results of the regions report: one region that had the bad batch, one that shares no batch."""

from __future__ import annotations

from typing import Any

import pandas as pd

from broodyear.claims import Claim, ClaimKind, Reason
from broodyear.reports.region_records import on_record
from broodyear.reports.regions import RegionResults
from broodyear.reports.sentences import state
from broodyear.reports.tables import report_table
from broodyear.settings import Settings

SENTENCE = "south never shares a batch with another region and cannot be compared with any."


def row(region: str, raw: float | None, points: float, p: float, **changes: Any) -> dict[str, Any]:
    """One region, delivery to release, with both answers at `points`."""
    return {
        "region": region, "outcome": "delivered_to_release", "tanks": 40, "tanks_usable": 36, "sites": 20,
        "batches": 6, "batches_shared": 2, "seasons": 4, "raw_pct": raw, "adjusted_pct": 82 + points,
        "adjusted_low": 78 + points, "adjusted_high": 86 + points, "difference_points": points,
        "difference_low": points - 5, "difference_high": points + 5, "p_value": p,
        "within_batch_pct": 82 + points, "within_batch_low": 77 + points, "within_batch_high": 87 + points,
        "within_batch_points": points, "within_batch_points_low": points - 6,
        "within_batch_points_high": points + 6, "within_batch_p_value": p, "separable": True,
        "p_family": min(3 * p, 1.0), "comparisons": 3, "decision": "claimed" if 3 * p <= 0.05 else "not_claimed",
        "reason": "clear" if 3 * p <= 0.05 else "not_clear", "comparable_with": "east",
        "reporting_pct": 90.0, "bound_low_pct": raw and raw - 8, "bound_high_pct": raw and raw + 2,
        "note": "no difference shown against east",
    } | changes  # fmt: skip


def alone(region: str, raw: float) -> dict[str, Any]:
    """A region whose batches went nowhere else."""
    blank = {
        name: None
        for name in row(region, raw, 0.0, 1.0)
        if name.startswith(("adjusted", "difference", "within", "p_value"))
    }
    note = "none of its batches went to another region"
    return row(
        region,
        raw,
        0.0,
        1.0,
        **blank,
        separable=False,
        batches_shared=0,
        comparable_with="",
        note=note,
        decision="cannot_tell",
        reason="never_share_batch",
    )


def claims_of(rows: list[dict[str, Any]]) -> list[Claim]:
    """One claim a region, and one an outcome that regions differ at all."""
    found = [
        Claim(
            ClaimKind.REGION_DIFFERS, line["region"], Reason(line["reason"]), outcome=line["outcome"],
            unit="points", section="answer", comparisons=3,
            **{} if line["within_batch_points"] is None else {
                "estimate": line["within_batch_points"], "low": line["within_batch_points_low"],
                "high": line["within_batch_points_high"], "p_family": line["p_family"],
            },
        )
        for line in rows
    ]  # fmt: skip
    for outcome in dict.fromkeys(line["outcome"] for line in rows):
        own = [claim for claim in found if claim.outcome == outcome]
        reason = Reason.CLEAR if any(claim.is_claimed for claim in own) else Reason.NOT_CLEAR
        p_family = min((claim.p_family for claim in own), default=0.5)
        found.append(
            Claim(ClaimKind.REGIONS_DIFFER, "region", reason, outcome=outcome, unit="points", estimate=0.8,
                  p_family=p_family, section="answer")
        )  # fmt: skip
    return found


def uncovered() -> pd.DataFrame:
    """Forty tanks a region; in the north all are without a light cover, elsewhere one in ten."""
    return pd.DataFrame(
        [
            {"season": 2023, "tank_id": f"{region}-{number}", "region": region, "eggs": 140,
             "outcome": "delivered_to_release", "light_cover": region != "north" and number % 10 > 0}
            for region in ("east", "north", "south")
            for number in range(40)
        ]
    )  # fmt: skip


def results(*rows: dict[str, Any], refusal: str = "") -> RegionResults:
    """A whole report; without rows: north had the bad batch, east the good ones, south stands alone."""
    chosen = list(rows) or [row("east", 86.0, 1.2, 0.7), row("north", 72.0, -1.2, 0.7), alone("south", 84.0)]
    graph = pd.DataFrame(
        [
            {"region": region, "batch_id": batch, "season": 2023, "tanks": tanks, "eggs": tanks * 140,
             "shared": shared, "part": 0, "outcome": "delivered_to_release"}
            for region, batch, tanks, shared in (
                ("east", "B-1", 9, True), ("north", "B-1", 3, True), ("north", "B-2", 20, False),
                ("south", "B-3", 22, False))
        ]
    )  # fmt: skip
    spread = pd.DataFrame(
        [{"outcome": "delivered_to_release", "regions": 2, "tau_points": 0.8, "i_squared_pct": 10.0,
          "p_value": 0.4, "prediction_low_pct": 60.0, "prediction_high_pct": 92.0}]
    )  # fmt: skip
    batches = pd.DataFrame(
        [{"batch_id": "B-2", "season": 2023, "tanks": 20, "regions": 1, "eggs": 2800, "raw_pct": 66.0,
          "by_region": "north 66 % of 20", "adjusted_pct": 67.0, "difference_points": -17.0,
          "difference_low": -23.0, "difference_high": -11.0, "decision": "claimed", "reason": "clear"}]
    )  # fmt: skip
    sums = pd.DataFrame(
        [{"season": season, "region": region, "tanks_supplied": 21, "delivered": 20, "sites": 11,
          "counted": 20, "read": 18, "eggs": 2800,
          "usable_hatch": 18, "hatched": 2300, "release_counted": 19, "released": 2310, "release_unknown": 1,
          "usable": 19, "eggs_in_usable": 2660, "left_alive": 2320, "reported_pct": 87.2,
          "released_without_delivery": None}
         for season in (2022, 2023) for region in ("east", "north", "south")]
    )  # fmt: skip
    return RegionResults(
        settings=Settings(),
        regions=report_table("regions", refusal or pd.DataFrame(chosen)),
        heterogeneity=report_table("heterogeneity", spread),
        graph=report_table("connectivity", graph),
        batches=report_table("batch_survival", batches),
        on_record=on_record(uncovered()),
        statements=state(() if refusal else claims_of(chosen)),
        sentences={"delivered_to_release": SENTENCE},
        seasons=(2022, 2023),
        by_season=report_table("regions_by_season", sums),
    )
