"""Judging the tank-seasons of one outcome: expected, shrunken, p-value, fish below expected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.claims import Reason
from broodyear.setups.predictive import mean_survival, normal_scores, shrunken_survival
from broodyear.setups.screen_model import ScreenData, ScreenFit, fit_screen
from broodyear.setups.site_verdicts import Departures, SiteVerdicts, judge_sites, place_verdict
from broodyear.statistics.numbers import FloatArray, expit, two_sided_p
from broodyear.survival.tank_frame import FEWEST_EGGS, NOT_RECORDED, codes, pair_codes

#: Fewer judged tank-seasons than this say nothing about how much ordinary tanks differ.
FEWEST_TANKS = 8
#: Season effects are estimated from this many seasons on.
FEWEST_SEASONS = 5
#: Prior standard deviations on the logit scale: weak for the general level, looser than any plausible species
#: gap.
_LEVEL_PRIOR_SD = 5.0
_SPECIES_PRIOR_SD = 1.5
_SLOPE_PRIOR_SD = 0.5
#: Why a tank gets no verdict, in words; the first that holds is said.
_TOO_FEW = {
    str(Reason.TOO_FEW_EGGS): f"fewer than {FEWEST_EGGS} eggs",
    str(Reason.CONFOUNDED): "the only tank of its batch: tank and batch cannot be told apart",
}
#: Logit-scale standard deviations behind a screen, the tank-seasons behind them, and those kept out.
SPREADS = ("tank_sd", "site_sd", "batch_sd", "season_sd", "freedom", "set_aside")


@dataclass(frozen=True, eq=False)
class Judged:
    """rows: the used rows of one outcome with the columns of `judge`; sentence: what was done or refused; spreads:
    by name, see SPREADS, nan where there was nothing to estimate them from; departures: scores by site and season,
    sites: a verdict per site, None when nothing could be judged.
    """

    rows: pd.DataFrame
    sentence: str
    spreads: dict[str, float]
    departures: Departures | None = None
    sites: SiteVerdicts | None = None


def judge(used: pd.DataFrame) -> Judged:
    """Expected and shrunken survival of one outcome's used rows.

    Adds expected_log_odds, expected_se, spread (logit), expected_pct, shrunken_pct, shrunken_low,
    shrunken_high, z_score, p_value, place_verdict, is_site_on_watch, fish_below_expected, unjudged, note (why
    there is no verdict).
    """
    batch = pd.Series(pair_codes(used["season"], used["batch_id"]), index=used.index)
    tests = [used["eggs"] < FEWEST_EGGS, batch.map(batch.value_counts()) < 2]
    unjudged = pd.Series(np.select(tests, list(_TOO_FEW), ""), index=used.index, dtype=object)
    rows = used.assign(unjudged=unjudged, note=unjudged.map(_TOO_FEW).fillna(""))
    alive, eggs = float(rows["survivors"].sum()), float(rows["eggs"].sum())
    if len(rows) < FEWEST_TANKS:
        words = f"{len(rows)} tank-seasons are too few to know how much ordinary tanks differ"
        too_few = {"unjudged": str(Reason.TOO_FEW_TANKS), "note": words}
        return _without_model(rows, f"{words}; at least {FEWEST_TANKS} are needed", **too_few)
    if alive in (0.0, eggs):
        fate, share = "survived" if alive else "died", 100.0 * alive / eggs
        alike = {"expected_pct": share, "shrunken_pct": share, "z_score": 0.0, "p_value": 1.0}
        sentence = f"every fish {fate}, so no tank stands out"
        return _without_model(rows, sentence, **alike, fish_below_expected=0.0, unjudged="", note="")
    return _judged(rows, fit_screen(screen_data(rows)))


def _without_model(rows: pd.DataFrame, sentence: str, **known: float | str) -> Judged:
    unknown = (
        "expected_log_odds", "expected_se", "spread", "expected_pct", "shrunken_pct", "shrunken_low",
        "shrunken_high", "z_score", "p_value", "fish_below_expected",
    )  # fmt: skip
    rows = rows.assign(place_verdict=place_verdict(Reason.TOO_FEW_SEASONS), is_site_on_watch=False)
    rows = rows.assign(**{**dict.fromkeys(unknown, np.nan), **known})
    return Judged(rows, sentence, {**dict.fromkeys(SPREADS, np.nan), "set_aside": 0})


def screen_data(rows: pd.DataFrame) -> ScreenData:
    """Counts and design of what is not judged: species, thermal units at delivery, season and batch."""
    columns, precision = [np.ones(len(rows))], [1.0 / _LEVEL_PRIOR_SD**2]
    if "species" in rows:
        label, levels = codes(rows["species"].astype(object).where(rows["species"].notna(), NOT_RECORDED))
        if len(levels) > 1:
            columns += list(np.eye(len(levels))[label].T)
            precision += [1.0 / _SPECIES_PRIOR_SD**2] * len(levels)
    if "units_at_delivery_c_days" in rows:
        units = pd.to_numeric(rows["units_at_delivery_c_days"], errors="coerce").to_numpy(dtype=float)
        known = units[~np.isnan(units)]
        if known.size >= FEWEST_TANKS and known.std() > 0.0:  # else there is nothing to tell tanks apart by
            columns.append(np.where(np.isnan(units), 0.0, (units - known.mean()) / known.std()))
            precision.append(1.0 / _SLOPE_PRIOR_SD**2)
    season, seasons = codes(rows["season"])
    return ScreenData(
        survivors=rows["survivors"].to_numpy(dtype=float),
        eggs=rows["eggs"].to_numpy(dtype=float),
        common=np.column_stack(columns),
        common_precision=np.array(precision),
        season=season if len(seasons) >= FEWEST_SEASONS else None,
        batch=pair_codes(rows["season"], rows["batch_id"]),
    )


def _judged(rows: pd.DataFrame, fit: ScreenFit) -> Judged:
    survivors, eggs = rows["survivors"].to_numpy(dtype=float), rows["eggs"].to_numpy(dtype=float)
    spread = np.hypot(fit.tank_sd, fit.expected_se)
    score = normal_scores(survivors, eggs, fit.expected, spread)
    departures = _departures(rows, fit, score)
    between_sites = min(departures.site_sd(), 0.95 * fit.tank_sd)
    memory, memory_variance = departures.remembered(between_sites)
    own_variance = fit.tank_sd**2 - between_sites**2 + memory_variance + fit.expected_se**2
    shrunken = shrunken_survival(survivors, eggs, fit.expected + memory, np.sqrt(own_variance))
    sites = judge_sites(departures)
    expected = mean_survival(fit.expected, spread)
    rows = rows.assign(
        expected_log_odds=fit.expected,
        expected_se=fit.expected_se,
        spread=spread,
        expected_pct=100.0 * expected,
        shrunken_pct=100.0 * shrunken[0],
        shrunken_low=100.0 * shrunken[1],
        shrunken_high=100.0 * shrunken[2],
        z_score=score,
        p_value=two_sided_p(score, fit.freedom),
        place_verdict=np.array([place_verdict(reason) for reason in sites.reasons])[departures.site],
        is_site_on_watch=np.array([reason is Reason.WATCH for reason in sites.reasons])[departures.site],
        fish_below_expected=eggs * (expected - shrunken[0]),
    )
    sentence = (
        f"{len(rows)} tank-seasons were compared with what their species, batch, season and thermal units"
        f" at delivery lead one to expect; ordinary tanks differ by a standard deviation of"
        f" {fit.tank_sd:.2f} on the logit scale, and {fit.set_aside} tank-seasons outside the 99.5 %"
        " limits were kept out of that estimate"
    )
    spreads = {name: getattr(fit, name, between_sites) for name in SPREADS}  # that of sites is no part of the fit
    return Judged(rows, sentence, spreads, departures, sites)


def _departures(rows: pd.DataFrame, fit: ScreenFit, score: FloatArray) -> Departures:
    share = expit(fit.expected)
    sampling = 1.0 / (rows["eggs"].to_numpy(dtype=float) * np.maximum(share * (1.0 - share), 1e-6))
    error = np.sqrt(sampling + fit.tank_sd**2 + fit.expected_se**2)
    site, names = codes(rows["site_id"])
    season, _ = codes(rows["season"])
    unknown = names.index(NOT_RECORDED) if NOT_RECORDED in names else -1
    return Departures(score, np.asarray(error, dtype=float), site, season, unknown)
