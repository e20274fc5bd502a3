"""No two claims of a season, of regions or of their tanks contradict each other, over small simulated programmes.

Run: PROGRAMMES=40 python -m pytest tests/benchmarks/contradictions_test.py -s
"""

from __future__ import annotations

import os

import pandas as pd
from tests.reports.contradictions import contradictions
from tests.simulated.outcomes import outcome_rows

from broodyear.claims import Claim
from broodyear.regions import region_comparison
from broodyear.setups import change_claims, place_claims, screen_setups, sites_table, tank_claims, what_to_change
from broodyear.survival import effects_report
from broodyear.synthetic import simulate

PROGRAMMES = int(os.environ.get("PROGRAMMES", "40"))


def season_claims(frame: pd.DataFrame) -> tuple[list[Claim], dict[str, str]]:
    """Claims as the review of the last season gathers them, and the site of each tank."""
    screen, report = screen_setups(frame), effects_report(frame)
    rows = screen.rows[screen.rows["season"] == screen.rows["season"].max()]
    places = place_claims(sites_table(frame, screen), rows)
    changes = change_claims(what_to_change(frame, report))
    claims = [*places, *tank_claims(rows), *report.claims, *changes]
    return claims, dict(zip(rows["tank_id"], rows["site_id"], strict=True))


def test_no_two_claims_contradict() -> None:
    found, claimed = [], 0
    for seed in range(PROGRAMMES):
        size = {"seasons": 2 + seed % 4, "tanks": 12 + 6 * (seed % 9)}
        frame = outcome_rows(simulate(seed, **size, with_readings=False))
        claims, site_of = season_claims(frame)
        of_regions = region_comparison(frame).claims
        claimed += sum(claim.is_claimed for claim in (*claims, *of_regions))
        found += [(seed, words) for words in (*contradictions(claims, site_of), *contradictions(of_regions))]
    print(f"\n{PROGRAMMES} programmes, {claimed} claims made, contradictions: {found}")
    assert claimed > 0 and found == []
