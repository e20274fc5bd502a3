"""Judging the tank-seasons of one outcome: expected, shrunken, p-value, fish below expected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.claims import Reason
from broodyear.setups.predictive import mean_survival, normal_scores, shrunken_survival
from broodyear.setups.screen_model import ScreenData, ScreenFit, fit_screen
from broodyear.setups.site_history import Departures, remembered_departure, site_sd
from broodyear.setups.site_verdicts import SiteVerdicts, judge_sites, place_verdict
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


@dataclass(frozen=True, eq=False)
class Spreads:
    """Logit-scale standard deviations behind a screen; nan where there was nothing to estimate them from."""

    tank_sd: float
    site_sd: float
    batch_sd: float
    season_sd: float
    freedom: float
    set_aside: int


@dataclass(frozen=True, eq=False)
class Judged:
    """rows: the used rows of one outcome with the columns of `judge`; spreads; sentence: what was done or
    refused; departures: scores by site and season, sites: a verdict per site, None when nothing could be judged.
    """

    rows: pd.DataFrame
    spreads: Spreads
    sentence: str
    departures: Departures | None
    sites: SiteVerdicts | None


#: Why a tank gets no verdict, in words; the first that holds is said.
_TOO_FEW = {
    str(Reason.TOO_FEW_EGGS): f"fewer than {FEWEST_EGGS} eggs",
    str(Reason.CONFOUNDED): "the only tank of its batch: tank and batch cannot be told apart",
}

_NAN = float("nan")
_NOTHING = Spreads(_NAN, _NAN, _NAN, _NAN, _NAN, set_aside=0)


def judge(used: pd.DataFrame) -> Judged:
    """Expected and shrunken survival of one outcome's used rows.

    Adds expected_log_odds, expected_se, spread (logit), expected_pct, shrunken_pct, shrunken_low,
    shrunken_high, z_score, p_value, place_verdict, is_site_on_watch, fish_below_expected, unjudged,
    too_few_because.
    """
    rows = used.copy()
    rows["unjudged"] = _too_few(rows)
    rows["too_few_because"] = rows["unjudged"].map(_TOO_FEW).fillna("")
    alive, eggs = float(rows["survivors"].sum()), float(rows["eggs"].sum())
    if len(rows) < FEWEST_TANKS:
        words = f"{len(rows)} tank-seasons are too few to know how much ordinary tanks differ"
        return _unjudged(rows, f"{words}; at least {FEWEST_TANKS} are needed", words)
    if alive in (0.0, eggs):
        fate = "survived" if alive else "died"
        return _all_alike(rows, 100.0 * alive / eggs, f"every fish {fate}, so no tank stands out")
    fit = fit_screen(screen_data(rows))
    return _judged(rows, fit)


def _too_few(rows: pd.DataFrame) -> pd.Series:
    """The reason why a row gets no verdict; empty when it gets one."""
    batch = pd.Series(pair_codes(rows["season"], rows["batch_id"]), index=rows.index)
    tests = [rows["eggs"] < FEWEST_EGGS, batch.map(batch.value_counts()) < 2]
    return pd.Series(np.select(tests, list(_TOO_FEW), ""), index=rows.index, dtype=object)


def _unjudged(rows: pd.DataFrame, sentence: str, because: str) -> Judged:
    for name in ("expected_log_odds", "expected_se", "spread", "expected_pct", "z_score", "p_value"):
        rows[name] = np.nan
    for name in ("shrunken_pct", "shrunken_low", "shrunken_high", "fish_below_expected"):
        rows[name] = np.nan
    rows["place_verdict"], rows["is_site_on_watch"] = place_verdict(Reason.TOO_FEW_SEASONS), False
    rows["too_few_because"], rows["unjudged"] = because, str(Reason.TOO_FEW_TANKS) if because else ""
    return Judged(rows, _NOTHING, sentence, None, None)


def _all_alike(rows: pd.DataFrame, expected_pct: float, sentence: str) -> Judged:
    judged = _unjudged(rows, sentence, "")
    fixed = {"expected_pct": expected_pct, "shrunken_pct": expected_pct, "z_score": 0.0, "p_value": 1.0}
    return Judged(judged.rows.assign(**fixed, fish_below_expected=0.0), _NOTHING, sentence, None, None)


def screen_data(rows: pd.DataFrame) -> ScreenData:
    """Counts and design of what is not judged: species, thermal units at delivery, season and batch."""
    columns, precision = [np.ones(len(rows))], [1.0 / _LEVEL_PRIOR_SD**2]
    if "species" in rows:
        label, levels = codes(rows["species"].astype(object).where(rows["species"].notna(), NOT_RECORDED))
        if len(levels) > 1:
            columns += list(np.eye(len(levels))[label].T)
            precision += [1.0 / _SPECIES_PRIOR_SD**2] * len(levels)
    if "units_at_delivery_c_days" in rows:
        units = _standardised(rows["units_at_delivery_c_days"])
        if units is not None:
            columns.append(units)
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


def _standardised(values: pd.Series) -> FloatArray | None:
    """Mean 0 and SD 1 with blanks at the mean; None when there is nothing to tell tanks apart by."""
    numbers = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float)
    known = numbers[~np.isnan(numbers)]
    if known.size < FEWEST_TANKS or known.std() <= 0.0:
        return None
    return np.where(np.isnan(numbers), 0.0, (numbers - known.mean()) / known.std())


def _judged(rows: pd.DataFrame, fit: ScreenFit) -> Judged:
    survivors, eggs = rows["survivors"].to_numpy(dtype=float), rows["eggs"].to_numpy(dtype=float)
    spread = np.hypot(fit.tank_sd, fit.expected_se)
    score = normal_scores(survivors, eggs, fit.expected, spread)
    departures = _departures(rows, fit, score)
    between_sites = min(site_sd(departures), 0.95 * fit.tank_sd)
    memory, memory_variance = remembered_departure(departures, between_sites)
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
    spreads = Spreads(fit.tank_sd, between_sites, fit.batch_sd, fit.season_sd, fit.freedom, fit.set_aside)
    return Judged(rows, spreads, _sentence(rows, spreads), departures, sites)


def _departures(rows: pd.DataFrame, fit: ScreenFit, score: FloatArray) -> Departures:
    share = expit(fit.expected)
    sampling = 1.0 / (rows["eggs"].to_numpy(dtype=float) * np.maximum(share * (1.0 - share), 1e-6))
    error = np.sqrt(sampling + fit.tank_sd**2 + fit.expected_se**2)
    site, names = codes(rows["site_id"])
    season, _ = codes(rows["season"])
    unknown = names.index(NOT_RECORDED) if NOT_RECORDED in names else -1
    return Departures(score, np.asarray(error, dtype=float), site, season, unknown)


def _sentence(rows: pd.DataFrame, spreads: Spreads) -> str:
    return (
        f"{len(rows)} tank-seasons were compared with what their species, batch, season and thermal units"
        f" at delivery lead one to expect; ordinary tanks differ by a standard deviation of"
        f" {spreads.tank_sd:.2f} on the logit scale, and {spreads.set_aside} tank-seasons outside the 99.5 %"
        " limits were kept out of that estimate"
    )
