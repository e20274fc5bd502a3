"""Small invented results in the shape of the contracts: enough of everything for a whole page."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pandas as pd
from tests.trials.programmes import planned_tanks, recorded

from broodyear.claims import Claim, ClaimKind, Reason
from broodyear.figures.timeline import TankRecords
from broodyear.reports.season.practices import trials_table
from broodyear.reports.season.results import SeasonResults, stated
from broodyear.reports.season.visits import visits_table
from broodyear.reports.sentences import state
from broodyear.reports.tables import ReportTable, declared_first, report_table
from broodyear.settings import Settings
from broodyear.setups import place_claims, tank_claims
from broodyear.trials import analyse_trials, assign

SEASON = 2023
LONG_ID = "tank-with-a-label-of-exactly-sixty-characters-0123456789-abcd"[:60]
HOSTILE_ID = '<script>alert("x")</script> $x^2$ id="a"'


def tank_codes(number: int) -> list[str]:
    """T-001 …, the third a hostile one and the fourth of 60 characters."""
    codes = [f"T-{place:03d}" for place in range(1, number + 1)]
    for place, code in ((2, HOSTILE_ID), (3, LONG_ID)):
        if number > place:
            codes[place] = code
    return codes


def setups(tanks: int) -> ReportTable:
    """Every tank as expected, but the first below, the second to watch, the last with too few records."""
    rows = []
    for outcome in ("delivered_to_release", "hatch", "hatch_to_release"):
        for place, code in enumerate(tank_codes(tanks)):
            rows.append(_setup(place, code, outcome, last=tanks > 5 and place == tanks - 1))
    return report_table("setups", pd.DataFrame(rows))


def _setup(place: int, code: str, outcome: str, last: bool) -> dict[str, Any]:
    observed = [41.0, 63.0][place] if place < 2 else 80.0 + place % 12
    shrunken = (observed + 84) / 2
    verdict = ["below_expected", "watch"][place] if place < 2 else "too_few_records" if last else "as_expected"
    return {
        "season": SEASON, "tank_id": code, "site_id": f"S-{place // 2:02d}", "region": f"R-{place % 3}",
        "batch_id": f"B-{place % 4}", "room_type": ["hallway", "classroom"][place % 2],
        "gravel_practice": ["bare", "gravel"][place % 2], "outcome": outcome, "eggs": 120 + place % 80,
        "survivors": None if last else round((120 + place % 80) * observed / 100),
        "observed_pct": None if last else observed, "expected_pct": None if last else 84.0 + place % 3,
        "shrunken_pct": None if last else shrunken, "shrunken_low": None if last else shrunken - 8,
        "shrunken_high": None if last else shrunken + 9, "fish_below_expected": None if last else 84 - observed,
        "p_value": 0.0004 if place == 0 else 0.3, "q_value": 0.02 if place == 0 else 0.9, "verdict": verdict,
        "losing_stage": "alevin" if place < 2 else "",
        "circumstances": "consistent with 31 h above the warm limit" if place == 0 else "",
        "place_verdict": "below_expected" if place < 2 else "as_expected",
        "evidence": "warm" if place == 0 else "",
        "watch_reason": "watch" if place == 1 else "",
        "unjudged": "no_records" if last else "", "survivors_at_most": None,
        "z_score": None if last else (observed - 84) / 9, "note": "survivors not recorded yet" if last else "",
    }  # fmt: skip


def effects() -> ReportTable:
    """Two practices and temperature, one outcome, two methods."""
    rows = []
    for method in ("mixed", "quasi_binomial"):
        for factor, level, reference, points in (
            ("gravel_practice", "gravel", "bare", 6.1),
            ("room_type", "hallway", "classroom", -4.2),
            ("mean_water_temp_c", "+1 °C", "", -0.4),
        ):
            rows.append(
                {
                    "outcome": "delivered_to_release", "factor": factor, "level": level, "reference": reference,
                    "tanks": 61, "batches": 9, "odds_ratio": 1.4, "or_low": 1.1, "or_high": 1.9,
                    "difference_points": points, "difference_low": points - 4, "difference_high": points + 4,
                    "p_value": 0.0042, "method": method, "note": "", "points_if_silent_lost": points - 4.5,
                    "points_if_silent_alike": points, "silence_blurs": True,
                    "methods_agree": factor != "room_type",
                    "methods_not_clear": "clustered (p = 0.130)" if factor == "gravel_practice" else "",
                }
            )  # fmt: skip
    rows.append({"outcome": "hatch", "factor": "light_cover", "level": "yes", "reference": "no", "method": "mixed",
                 "note": "cannot be told apart from room: no room has both"})  # fmt: skip
    return report_table("effects", pd.DataFrame(rows))


def practices() -> ReportTable:
    """Two combinations, one of them too small, and one practice by itself."""
    rows = [
        {"practice": practice, "level": level, "room_type": room, "gravel_practice": gravel,
         "outcome": "delivered_to_release", "tanks": tanks, "batches": 6, "seasons": 4, "eggs": tanks * 140,
         "adjusted_pct": pct, "adjusted_low": pct - 5, "adjusted_high": pct + 4, "difference_points": pct - 80,
         "difference_low": pct - 85, "difference_high": pct - 75, "p_value": 0.004, "note": ""}
        for practice, level, room, gravel, tanks, pct in (
            ("room_and_gravel", "classroom / gravel", "classroom", "gravel", 44, 86.0),
            ("room_and_gravel", "hallway / bare", "hallway", "bare", 31, 78.0),
            ("gravel_practice", "gravel", "", "gravel", 60, 86.5))
    ]  # fmt: skip
    rows.append({"practice": "room_and_gravel", "level": "foyer / layered_stones", "room_type": "foyer",
                 "gravel_practice": "layered_stones", "outcome": "delivered_to_release", "tanks": 2, "batches": 1,
                 "seasons": 1, "eggs": 290, "note": "too few: 2 tanks in 1 batch"})  # fmt: skip
    return report_table("practices", pd.DataFrame(rows))


def table(name: str, *rows: dict[str, Any]) -> ReportTable:
    """A table of the rows given."""
    return report_table(name, pd.DataFrame(list(rows)))


def timeline() -> TankRecords:
    """Sixty days with one warm spell, two losses, one incident, two stages."""
    days = pd.date_range("2023-11-08", periods=60)
    source = ["observed"] * 40 + ["modelled"] * 12 + ["observed"] * 8
    return TankRecords(
        daily=pd.DataFrame(
            {"day": days, "water_temp_c": [8.0 + (i % 9) * 0.2 for i in range(60)], "source": source}
        ),
        losses=pd.DataFrame({"checked_on": days[[5, 30]], "stage": ["egg", "alevin"], "dead": [3, 61]}),
        stages=pd.DataFrame({"stage": ["hatch_half", "button_up"], "last_absent_on": [days[20], pd.NaT],
                             "first_seen_on": [days[22], days[55]]}),
        incidents=pd.DataFrame({"kind": ["chiller_stopped"], "started_at": [days[28]], "ended_at": [days[30]]}),
    )  # fmt: skip


def taken_as_lost() -> ReportTable:
    """T-098 counted as many dead as it got eggs and said no more."""
    return table("taken_as_lost", {"tank_id": "T-098", "site_id": "S-09", "region": "R-0", "eggs": 120,
                                   "dead_egg": 20, "dead_alevin": 100, "dead_fry": 0,
                                   "dead_total": 120})  # fmt: skip


def too_many_dead() -> ReportTable:
    """Of twelve tanks T-007 counted more dead than it got eggs."""
    return table("too_many_dead", {"tank_id": "T-007", "site_id": "S-03", "region": "R-0", "eggs": 140,
                                   "dead_total": 200, "left_alive": 77,
                                   "release_contradicted": False})  # fmt: skip


def large_losses() -> ReportTable:
    """None; those of a small programme are in test_first_year.py."""
    return report_table("large_losses", pd.DataFrame(columns=["tank_id", "site_id"]))


def season_results(tanks: int = 12, **changes_of: Any) -> SeasonResults:
    """A whole season of invented results; `changes_of` replace fields."""
    judged = changes_of.get("setups", setups(tanks))
    practices_found = () if "effects" in changes_of else contrasts()
    silent = table(
        "not_reported",
        {
            "tank_id": "T-099",
            "site_id": "S-09",
            "region": "R-0",
            "eggs": 150,
            "last_record_on": dt.date(2023, 12, 1),
            "why_unusable": "no exit",
        },
    )
    of_tanks = () if judged.refusal else tank_claims(judged.frame)
    statements = stated(place_claims(sites().frame, judged.frame), of_tanks).and_also(practices_found)
    results = SeasonResults(
        season=SEASON, settings=Settings(), setups=judged, statements=statements,
        visits=report_table("visits", visits_table(judged, silent, too_many_dead(), large_losses(),
                                                   statements, tank_practices(judged))),
        site_seasons=site_seasons(judged), tank_practices=tank_practices(judged), effects=effects(),
        methods=report_table("methods", effects().frame.head(6)[declared_first("effects")]),
        practices=practices(),
        changes=changes(),
        sites=sites(),
        stage_survival=stage_survival(), losses=losses(), trend=trend(),
        fits=table("fits", {"outcome": "delivered_to_release", "model": "practices", "rows_given": 60,
                            "rows_used": 55, "left_out": "stopped reporting: 5", "note": ""}),
        batches=table("batches", {"batch_id": "B-0", "species": "coho", "donor_stock": "D-1", "tanks": 3,
                                  "eggs": 420, "release_median_pct": 84.0, "release_q25_pct": 80.0,
                                  "release_q75_pct": 88.0}),
        accounting=table("accounting", {"region": "R-0", "batch_id": "B-0", "tanks_supplied": tanks,
                                        "delivered": tanks, "usable": tanks - 1, "bound_all_died_pct": 70.5,
                                        "bound_all_lived_pct": 84.5}),
        not_reported=silent, too_many_dead=too_many_dead(), taken_as_lost=taken_as_lost(),
        large_losses=large_losses(), missing_regions=report_table("missing_regions", ""),
        mixed_batches=report_table("mixed_batches", pd.DataFrame(columns=["tank_id", "site_id"])),
        exposure=exposure(tanks),
        events=table("events", {"tank_id": "T-001", "on": dt.date(2023, 11, 8), "event": "eggs delivered"},
                     {"tank_id": "T-001", "on": dt.date(2024, 1, 2), "event": "chiller stopped"}),
        uploads=table("uploads", {"upload": 1, "file": "losses_north.csv", "table_name": "losses",
                                  "rows_accepted": 410, "rows_rejected": 5, "rows_sent_back": 3,
                                  "rows_to_mend": 1, "withdrawn": False}),
        findings=table("findings", {"rule": "looks_cumulative", "level": "warning", "table_name": "losses",
                                    "findings": 2, "acknowledged": 0}),
        kept_out=report_table("kept_out", pd.DataFrame(columns=["tank_id", "table_name", "file", "line"])),
        moved=report_table("moved_tanks", pd.DataFrame(columns=["tank_id", "site_id", "from_site_id"])),
        clashing_rows=report_table("clashing_rows", pd.DataFrame(columns=["table_name", "row_key", "differs"])),
        detectable=table("detectable", {"outcome": "delivered_to_release", "season": SEASON, "tanks": tanks,
                                        "eggs": 150, "expected_pct": 84.2, "flagged_points": 31.0,
                                        "watched_points": 21.75}),
        funnel=table("funnel", *({"eggs": eggs, "expected_pct": 84.0, "low_95_pct": 84 - 300 / eggs ** 0.5,
                                  "high_95_pct": 95.0, "low_998_pct": 84 - 500 / eggs ** 0.5, "high_998_pct": 98.0}
                                 for eggs in (50, 100, 200))),
        screen=table("screen", {"outcome": "delivered_to_release", "rows_given": 60, "rows_used": 55,
                                "left_out": "5 stopped reporting", "tank_sd": 0.45}),
        **checks(), key_figures=key_figures(tanks), trials=trials(), timelines={"T-001": timeline()},
    )  # fmt: skip
    return replace(results, **changes_of)


def sites() -> ReportTable:
    """One site, below expected over its three seasons."""
    return table("sites", {"site_id": "S-00", "region": "R-0", "outcome": "delivered_to_release", "seasons": 3,
                              "tank_seasons": 4, "seasons_below": 2, "observed_pct": 60.0, "expected_pct": 82.0,
                              "difference_points": -12.0, "difference_low": -20.0, "difference_high": -3.0,
                              "p_value": 0.0004, "q_value": 0.01, "reason": "clear",
                              "verdict": "below_expected", "note": "better by 9 points"})  # fmt: skip


def checks() -> dict[str, ReportTable]:
    """Of a model that holds: three tanks' residuals, one site's influence, one practice's inflation."""
    residual = {"season": SEASON, "tank_id": "T-001", "site_id": "S-00", "fitted_pct": 81.0, "temp_c": 8.1}
    return {
        "model_checks": table("model_checks", {"condition_number": 7.4, "dispersion": 1.02}),
        "residuals": table("residuals", *({**residual, "residual": size} for size in (-1.2, 0.1, 0.9))),
        "influence": table("influence", {"site_id": "S-00", "tanks": 4, "largest_shift": 0.7,
                                         "factor": "room_type"}),
        "inflation": table("inflation", {"factor": "room_type", "gvif": 1.7, "degrees_of_freedom": 2,
                                         "gvif_per_df": 1.14}),
        "normality": table("normality", {"group": "site_id", "levels": 40, "p_value": 0.4}),
    }  # fmt: skip


def tank_practices(judged: ReportTable) -> ReportTable:
    """Gravel and room of every tank."""
    rows = judged.frame[judged.frame["outcome"] == "delivered_to_release"] if len(judged) else judged.frame
    parts = [
        pd.DataFrame({"tank_id": rows["tank_id"], "practice": name, "level": rows[name]})
        for name in ("gravel_practice", "room_type")
    ]
    return report_table("tank_practices", pd.concat(parts, ignore_index=True))


def site_seasons(judged: ReportTable) -> ReportTable:
    """Three seasons of every tank that is judged."""
    rows = judged.frame[(judged.frame["outcome"] == "delivered_to_release") & judged.frame["observed_pct"].notna()]
    rows = rows.assign(
        difference_points=(rows["observed_pct"] - rows["expected_pct"]).astype(float),
        is_named=rows["place_verdict"] == "below_expected",
    )
    columns = ["season", "tank_id", "site_id", "difference_points", "is_named"]
    seasons = [rows[columns].assign(season=season) for season in (2021, 2022, 2023)]
    return report_table("site_seasons", pd.concat(seasons, ignore_index=True), columns)


def contrasts() -> tuple[Claim, ...]:
    """Gravel is clear, the room is not, light cover cannot be told; and the change that follows."""
    made = (
        (ClaimKind.PRACTICE_DIFFERS, "gravel_practice", Reason.CLEAR, "gravel", "bare", 6.1, "points"),
        (ClaimKind.PRACTICE_DIFFERS, "room_type", Reason.NOT_CLEAR, "hallway", "classroom", -4.2, "points"),
        (ClaimKind.PRACTICE_DIFFERS, "light_cover", Reason.CONFOUNDED, "yes", "no", math.nan, "points"),
        (ClaimKind.CHANGE, "gravel_practice", Reason.CLEAR, "gravel", "bare", 189.0, "fish"),
    )
    return tuple(
        Claim(
            kind, subject, reason, level, reference, "delivered_to_release", size, size * 0.4, size * 1.6, unit,
            0.002, 0.02, 26, "changes" if kind is ClaimKind.CHANGE else "practices",
        )
        for kind, subject, reason, level, reference, size, unit in made
    )  # fmt: skip


def changes() -> ReportTable:
    """Gravel instead of bare is claimed, less cover never is."""
    row = {
        "change": "gravel practice: gravel rather than bare", "practice": "gravel_practice", "level": "bare",
        "proposed": "gravel", "tanks_to_change": 22, "eggs_to_change": 3100, "tanks": 61, "batches": 9,
        "difference_points": 6.1, "difference_low": 2.0, "difference_high": 10.2, "fish_saved": 189.1,
        "fish_low": 62.0, "fish_high": 316.2, "days_longer": None, "decision": "claimed", "reason": "clear",
        "evidence": "clear after allowing for everything compared beside it", "note": "",
    }  # fmt: skip
    other = {"practice": "light_cover", "level": "yes", "proposed": "no", "decision": "not_claimed"}
    return table("changes", row, {**row, **other, "fish_saved": None, "reason": "against_care"})


def trials() -> ReportTable:
    """Gravel against bare, assigned to 64 tanks, a fifth of which did otherwise."""
    tanks = planned_tanks()
    rows = assign(tanks, tanks, "gravel_practice", ("bare", "gravel"), season=SEASON, seed=1).rows
    return trials_table(analyse_trials(recorded(rows, 0.8, np.random.default_rng(1), not_followed=0.2)[0], SEASON))


def stage_survival() -> ReportTable:
    """Three stages and the whole, two estimates."""
    rows = [
        {"season": SEASON, "species": "coho", "stage": stage, "stage_label": label,
         **{f"{name}_{estimate}": value for estimate in ("release_based", "loss_based")
            for name, value in (("tanks", 11), ("entered", risk))},
         "release_based_pct": pct, "release_based_low": pct - 3, "release_based_high": pct + 2,
         "loss_based_pct": pct + 3, "loss_based_low": pct, "loss_based_high": pct + 4}
        for stage, label, risk, pct in (
            ("hatch", "delivery to hatch", 1540, 94.0), ("hatch_to_button_up", "hatch to button-up", 1480, 90.0),
            ("button_up_to_release", "button-up to release", 1360, 95.5),
            ("delivered_to_release", "delivery to release", 1540, 82.0))
    ]  # fmt: skip
    return report_table("stage_survival", pd.DataFrame(rows))


def losses() -> ReportTable:
    """Dead by stage."""
    return table(
        "losses",
        {"stage": "egg", "where": "as eggs, up to hatch", "tanks": 11, "fish": 60.0},
        {"stage": "alevin", "where": "as alevins", "tanks": 11, "fish": 120.0},
        {"stage": "fry", "where": "as fry", "tanks": 11, "fish": 40.0},
        {"stage": "unaccounted", "where": "unaccounted", "tanks": 10, "fish": 45.0},
    )


def trend() -> ReportTable:
    """Three seasons of one species."""
    rows = [
        {"season": season, "season_name": f"{season}/{season % 100 + 1}", "species": "coho",
         "release_based_pct": pct, "release_based_low": pct - 4, "release_based_high": pct + 4}
        for season, pct in ((2021, 84.0), (2022, 77.0), (2023, 82.0))
    ]  # fmt: skip
    return report_table("trend", pd.DataFrame(rows))


def exposure(tanks: int) -> ReportTable:
    """One window per tank."""
    rows = [
        {"tank_id": code, "exposure_window": "whole", "days": 90, "days_observed": 73,
         "observed_pct": 81.0, "usable": place != 2, "note": "too few days read" if place == 2 else "",
         "mean_water_temp_c": 7.0 + place % 5 * 0.7, "sd_daily_mean_c": 0.6,
         "hours_above_warm": 3.0 * (place == 0)}
        for place, code in enumerate(tank_codes(tanks))
    ]  # fmt: skip
    return report_table("exposure", pd.DataFrame(rows))


def key_figures(tanks: int) -> ReportTable:
    """The numbers that stand in no other table."""
    values = {
        "tanks_judged": tanks - 1, "tanks_below_expected": 1, "tanks_to_watch": 1, "tanks_supplied": tanks,
        "tanks_delivered": tanks, "tanks_reported_start": tanks, "tanks_reported_end": tanks - 1,
        "tanks_usable": tanks - 1, "eggs_delivered": 1680, "hatched": 1540, "tanks_hatch_known": tanks,
        "left_alive": 1260, "released": 1250, "tanks_release_counted": tanks - 1, "dead_counted": 220,
        "tanks_dead_counted": tanks, "fish_unaccounted": 45, "reported_pct": 82.0,
        "bound_low_pct": 70.5, "bound_high_pct": 84.5, "files_loaded": 11, "rows_accepted": 4100,
        "rows_sent_back": 31,
        "rows_to_mend": 12,
    }  # fmt: skip
    rows = [{"name": name, "value": float(value), "unit": "", "meaning": name.replace("_", " ")}
            for name, value in values.items()]  # fmt: skip
    return report_table("key_figures", pd.DataFrame(rows))


def uploads() -> pd.DataFrame:
    """A ledger of one upload."""
    return pd.DataFrame(
        [{"upload": 1, "path": "/home/someone/uploads/losses_north.csv", "table": "losses", "sha256": "ab" * 32,
          "loaded_at": dt.datetime(2024, 7, 1, 12), "rows_read": 413, "rows_accepted": 410, "rows_rejected": 3,
          "rows_to_mend": 1, "withdrawn": False}]
    )  # fmt: skip


def refused_results() -> SeasonResults:
    """A season in which everything was refused: one tank, no count, nothing to compare."""
    why = "only one batch has usable tanks, so nothing can be compared"
    names = [one.name for one in fields(SeasonResults) if one.type == "ReportTable"]
    tables = {name: report_table(name, why) for name in names if name not in ("key_figures", "uploads")}
    return season_results(1, **tables, statements=state(()), timelines={})
