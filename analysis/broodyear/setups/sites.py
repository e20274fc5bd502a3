"""The rows of sites.csv and their claims: every site over its seasons, with its one verdict and regression to the
mean said."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.claims import Claim, ClaimKind, Reason, claims_from
from broodyear.notes import note
from broodyear.setups.screen import Judged, SetupScreen, compared, screen_setups
from broodyear.setups.site_verdicts import place_verdict
from broodyear.shown import ShownFrame, Shows, shown
from broodyear.statistics.numbers import critical_value, expit
from broodyear.survival.result import average_over_groups
from broodyear.survival.tank_frame import MAIN_OUTCOME

SITE_COLUMNS = [
    "site_id", "region", "outcome", "seasons", "tank_seasons", "eggs", "observed_pct", "expected_pct",
    "difference_points", "difference_low", "difference_high", "fish_below_expected", "seasons_below",
    "first_season", "last_season", "first_difference_points", "last_difference_points", "expected_regain_points",
    "p_value", "q_value", "verdict", "reason", "note",
]  # fmt: skip

#: A season below expectation by more than this many standard deviations is counted as low.
LOW_SCORE = 1.0
#: A change since the first season is commented on from this many points.
_WORTH_SAYING_POINTS = 3.0


def sites_table(frame: pd.DataFrame, screen: SetupScreen | None = None) -> ShownFrame:
    """SITE_COLUMNS, one row per site and outcome, in order of site (no ranks).

    difference_points: survival of the site's tanks less what was expected, over all its seasons, with the interval
    of that site alone; verdict and reason: of the site among the others, see `judge_sites`. seasons_below: seasons
    more than one standard deviation below expectation. expected_regain_points: how far the first season's
    departure is expected to shrink by chance alone. screen: the result of `screen_setups(frame)` at hand.
    """
    found = screen_setups(frame) if screen is None else screen
    parts = [_outcome_sites(judged, outcome) for outcome, judged in found.judged.items()]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=SITE_COLUMNS)
    shows = Shows(
        "Sites over their seasons", ("site_id", "verdict"), "difference_points", "difference_low",
        "difference_high", "difference from expected survival, points", {"outcome": MAIN_OUTCOME},
    )  # fmt: skip
    return shown(table[SITE_COLUMNS], shows)


def _outcome_sites(judged: Judged, outcome: str) -> pd.DataFrame:
    departures, verdicts = judged.departures, judged.sites
    assert departures is not None
    between, probability = judged.spreads["site_sd"], expit(judged.rows["expected_log_odds"].to_numpy(dtype=float))
    rows = judged.rows.assign(
        score=departures.score,
        # Departure of each tank-season in points at its expected survival.
        points=100.0 * departures.score * departures.error * probability * (1.0 - probability),
        keeps=between**2 / departures.error**2,
    )
    table = _counted(rows)
    effect, error = departures.of_sites(between)
    centre = rows.groupby("site_id", sort=True)["expected_log_odds"].mean().to_numpy(dtype=float)
    spread = max(judged.spreads["tank_sd"], 1e-3)
    usual = average_over_groups(centre, spread).survival
    half_width = critical_value(np.inf) * error
    for name, shift in (("points", 0.0), ("low", -half_width), ("high", half_width)):
        survival = average_over_groups(centre + effect + shift, spread).survival
        table[f"difference_{name}"] = 100.0 * (survival - usual)
    change = table["last_difference_points"] - table["first_difference_points"]
    is_worth_it = (change >= _WORTH_SAYING_POINTS) & (table["expected_regain_points"] >= 1.0)
    table["change"] = change.where(is_worth_it, 0.0)
    return table.assign(
        outcome=outcome,
        fish_below_expected=-table["difference_points"] / 100.0 * table["eggs"],
        **verdicts[["p_value", "q_value", "reason"]],
        verdict=verdicts["reason"].map(place_verdict),
        note=[note("setups", "site", row=row) for row in table.to_dict("records")],
    ).reset_index()


def _counted(rows: pd.DataFrame) -> pd.DataFrame:
    """Counts and seasons by site, in the order of the site codes."""
    groups = rows.assign(expected=rows["expected_pct"] * rows["eggs"]).groupby("site_id", sort=True)
    table = groups.agg(
        region=("region", "first"), tank_seasons=("eggs", "size"), eggs=("eggs", "sum"),
        survivors=("survivors", "sum"), expected=("expected", "sum"), used=("is_used", "sum"),
    )  # fmt: skip
    by_season = rows.groupby(["site_id", "season"], sort=True)[["score", "points", "keeps"]].mean()
    seasons = by_season.reset_index().groupby("site_id", sort=True)
    first, last = seasons.first(), seasons.last()
    return table.assign(
        seasons=seasons.size(),
        tanks_at_most=table["tank_seasons"] - table["used"],
        observed_pct=100.0 * table["survivors"] / table["eggs"],
        expected_pct=table["expected"] / table["eggs"],
        seasons_below=(by_season["score"] < -LOW_SCORE).groupby("site_id").sum(),
        first_season=first["season"],
        last_season=last["season"],
        first_difference_points=first["points"],
        last_difference_points=last["points"].where(seasons.size() > 1),
        expected_regain_points=(-first["points"] * (1.0 - first["keeps"])).clip(lower=0.0),
    )


def place_claims(sites: pd.DataFrame, rows: pd.DataFrame) -> tuple[Claim, ...]:
    """One place_below claim per row of the sites table, in their order, then one per site and outcome of `rows`
    (`SetupScreen.rows` of one season) that no count could be judged at.

    estimate, low, high: survival less what was expected over all its seasons, in points, not shrunken;
    p_family: the false-discovery rate over the sites judged for the outcome.
    """
    limits = {"low": "difference_low", "high": "difference_high"}
    names = {"subject": "site_id", "estimate": "difference_points", **limits, "p_family": "q_value"}
    kind, judged = ClaimKind.PLACE_BELOW, pd.DataFrame(sites).assign(comparisons=compared)
    pairs = ["site_id", "outcome"]
    known = pd.MultiIndex.from_frame(judged[pairs])
    every = rows[pairs].drop_duplicates().sort_values(pairs)
    unjudged = every[~pd.MultiIndex.from_frame(every).isin(known)]
    return (
        *claims_from(judged, names, kind=kind, unit="points"),
        *claims_from(unjudged, names, kind=kind, reason=Reason.NO_RECORDS),
    )
