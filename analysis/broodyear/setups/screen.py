"""The set-up screen: every tank-season against what its eggs, batch and season lead one to expect."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.claims import Reason
from broodyear.setups.circumstances import circumstances
from broodyear.setups.detectable import FALSE_DISCOVERY_RATE, WATCH_P, detectable_by_season
from broodyear.setups.judged import Judged, judge
from broodyear.setups.losing_stage import losing_stage
from broodyear.setups.site_verdicts import place_verdict
from broodyear.shown import ShownFrame, Shows, shown
from broodyear.statistics.multiplicity import adjust_within
from broodyear.survival.tank_frame import OUTCOMES, prepare

SETUP_COLUMNS = [
    "season", "tank_id", "site_id", "region", "batch_id", "room_type", "gravel_practice", "outcome", "eggs",
    "survivors", "observed_pct", "expected_pct", "shrunken_pct", "shrunken_low", "shrunken_high",
    "fish_below_expected", "p_value", "q_value", "verdict", "losing_stage", "circumstances", "z_score",
    "expected_log_odds", "spread", "watch_reason", "place_verdict", "unjudged", "evidence", "note",
]  # fmt: skip


@dataclass(frozen=True, eq=False)
class SetupScreen:
    """A screen and what stands behind it.

    rows: SETUP_COLUMNS, one per row given, by season, outcome, tank; eggs and survivors are whole numbers
    with blanks. spreads: one row per outcome: rows_given, rows_used, left_out (reason -> count, in words),
    tank_sd, site_sd, batch_sd, season_sd (logit scale), set_aside, sentence. detectable: one row per outcome
    and season, see detectable_by_season. judged: what stands behind each outcome that could be judged, its sites
    among it. capped: rows whose survivors exceeded the eggs and were capped.
    """

    rows: pd.DataFrame
    spreads: pd.DataFrame
    detectable: pd.DataFrame
    judged: Mapping[str, Judged]
    capped: int


#: What a frame of set-ups tells and draws: the shrunken survival of the tanks that stand out from below.
SETUPS_SHOW = Shows(
    "Tanks below expectation", ("season", "tank_id", "outcome"), "shrunken_pct", "shrunken_low", "shrunken_high",
    "survival, %", {"verdict": "below_expected"},
)  # fmt: skip


def compare_setups(frame: pd.DataFrame) -> ShownFrame:
    """The rows of setups.csv from a frame of tank-seasons; see `screen_setups` for what stands behind them.

    frame: season, tank_id, site_id, batch_id, eggs, survivors; optional outcome, species,
    units_at_delivery_c_days, region, room_type, gravel_practice, stage losses and other context.
    verdict: below_expected (q <= 0.10), watch (outside the 95 % limits, or low at a site that is below expected
    or worth watching over its seasons), as_expected, above_expected (q <= 0.10), too_few_records. place_verdict:
    the site's, over all its seasons: below_expected (q <= 0.10 over sites), as_expected, too_few_seasons.

    >>> frame = pd.DataFrame({"season": 2024, "tank_id": range(60), "eggs": 150, "survivors": 128})
    >>> frame = frame.assign(site_id=frame["tank_id"], batch_id=frame["tank_id"] % 4)
    >>> frame["survivors"] += frame["tank_id"] % 7 - 3
    >>> frame.loc[0, "survivors"] = 20
    >>> compare_setups(frame).query("verdict == 'below_expected'")["tank_id"].tolist()
    [0]
    """
    from broodyear.schemas.frames import checked

    return shown(checked(screen_setups(frame).rows, "setups"), SETUPS_SHOW)


def screen_setups(frame: pd.DataFrame) -> SetupScreen:
    """Judge every tank-season of every outcome; the model is fitted once per outcome over all seasons.

    Expected survival is given species, units at delivery, season and batch, never room, gravel or
    temperature: those are what is being judged. Limits allow for ordinary differences between tanks
    (Spiegelhalter 2005, doi:10.1136/qshc.2005.013755), p-values are mid-p of the overdispersed count,
    q-values hold the false-discovery rate within a season and outcome (Benjamini and Hochberg 1995).
    """
    tanks = prepare(frame)
    present = {str(name) for name in tanks.rows["outcome"].dropna()}
    outcomes = [*(name for name in OUTCOMES if name in present), *sorted(present - set(OUTCOMES))]
    judged = {name: judge(tanks.used(name)) for name in outcomes}
    rows = _with_verdicts(_joined(tanks.rows, judged))
    flagged = rows["verdict"].isin(["below_expected", "watch"])
    rows["losing_stage"] = losing_stage(rows).where(flagged, "")
    rows[["circumstances", "evidence"]] = circumstances(
        rows, flagged | (rows["place_verdict"] == "below_expected")
    )
    whole = {name: rows[name].round().astype("Int64") for name in ("eggs", "survivors")}
    ordered = rows.assign(
        _place=rows["outcome"].map({name: place for place, name in enumerate(outcomes)}), **whole
    )
    ordered = ordered.sort_values(["season", "_place", "tank_id"], kind="stable")
    return SetupScreen(
        rows=ordered[SETUP_COLUMNS].reset_index(drop=True),
        spreads=_spreads(tanks.rows, judged),
        detectable=detectable_by_season(rows),
        judged={name: result for name, result in judged.items() if result.departures is not None},
        capped=tanks.capped,
    )


def _joined(given: pd.DataFrame, judged: Mapping[str, Judged]) -> pd.DataFrame:
    """Judged rows and left-out rows together, in the order given; with p and q where there is a verdict."""
    rows = pd.concat([result.rows for result in judged.values()] + [given[~given["is_used"]]]).loc[given.index]
    rows["observed_pct"] = 100.0 * rows["survivors"] / rows["eggs"].where(rows["eggs"] > 0)
    rows["note"] = rows["note"].astype(object).where(rows["is_used"], rows["why_left_out"])
    rows["unjudged"] = rows["unjudged"].astype(object).where(rows["is_used"], str(Reason.NO_RECORDS))
    # A site's verdict stands on every row of it, also on those that were left out themselves.
    site = ["outcome", "site_id"]
    by_site = rows[rows["is_used"]].drop_duplicates(site).set_index(site)["place_verdict"]
    found = by_site.reindex(pd.MultiIndex.from_frame(rows[site])).fillna(place_verdict(Reason.TOO_FEW_SEASONS))
    rows["place_verdict"] = found.to_numpy(dtype=object)
    too_few = rows["note"] != ""
    rows["p_value"] = rows["p_value"].astype(float).where(~too_few)
    rows["q_value"] = adjust_within(
        rows["p_value"], rows["outcome"].astype(str) + "|" + rows["season"].astype(str)
    )
    return rows


def _with_verdicts(rows: pd.DataFrame) -> pd.DataFrame:
    low = rows["z_score"] < 0.0
    found = rows["q_value"] <= FALSE_DISCOVERY_RATE
    outside = low & (rows["p_value"] <= WATCH_P)
    carried = low & (rows["place_verdict"] == "below_expected")
    with_site = low & rows["is_site_on_watch"].eq(True)
    rows["verdict"] = np.select(
        [rows["p_value"].isna(), found & low, outside | carried | with_site, found],
        ["too_few_records", "below_expected", "watch", "above_expected"],
        "as_expected",
    )
    on_watch = rows["verdict"] == "watch"
    tests = [on_watch & outside, on_watch & carried, on_watch]
    reasons = [Reason.WATCH, Reason.AT_POOR_PLACE, Reason.AT_WATCHED_PLACE]
    rows["watch_reason"] = np.select(tests, [str(reason) for reason in reasons], "")
    return rows


def _spreads(given: pd.DataFrame, judged: Mapping[str, Judged]) -> pd.DataFrame:
    rows = []
    for name, result in judged.items():
        own = given[given["outcome"] == name]
        reasons = own.loc[~own["is_used"], "why_left_out"].value_counts()
        rows.append(
            {
                "outcome": name,
                "rows_given": len(own),
                "rows_used": len(result.rows),
                "left_out": "; ".join(f"{count} {reason}" for reason, count in sorted(reasons.items())),
                **result.spreads,
                "sentence": result.sentence,
            }
        )
    return pd.DataFrame(rows)
