"""The set-up screen: every tank-season against what its eggs, batch and season lead one to expect."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import pandas as pd

from broodyear.claims import Claim, ClaimKind, Reason, claims_from
from broodyear.errors import NothingToAnalyse
from broodyear.notes import note
from broodyear.setups.circumstances import circumstances, losing_stage
from broodyear.setups.predictive import (
    FALSE_DISCOVERY_RATE,
    WATCH_P,
    detectable_by_season,
    normal_scores,
    shrunken_survival,
)
from broodyear.setups.screen_model import SET_ASIDE, ScreenData, ScreenFit, fit_screen
from broodyear.setups.site_verdicts import Departures, held_to, judge_sites, place_verdict
from broodyear.shown import ShownFrame, Shows, shown
from broodyear.statistics.crossed import Grouping
from broodyear.statistics.multiplicity import adjust_within, over_outcomes
from broodyear.statistics.numbers import BoolArray, expit, two_sided_p
from broodyear.survival.practices.model import FEWEST_SEASONS, UNITS, measured
from broodyear.survival.result import average_over_groups
from broodyear.survival.tank_frame import FEWEST_EGGS, NOT_RECORDED, OUTCOMES, counted_dead, exceeds_eggs, prepare

SETUP_COLUMNS = [
    "season", "tank_id", "site_id", "region", "batch_id", "room_type", "gravel_practice", "outcome", "eggs",
    "survivors", "observed_pct", "expected_pct", "shrunken_pct", "shrunken_low", "shrunken_high",
    "fish_below_expected", "p_value", "q_value", "verdict", "losing_stage", "circumstances", "z_score",
    "expected_log_odds", "spread", "watch_reason", "place_verdict", "unjudged", "evidence", "survivors_at_most",
    "note",
]  # fmt: skip
#: Logit-scale standard deviations behind a screen, the tank-seasons behind them, and those kept out.
SPREADS = ("tank_sd", "site_sd", "batch_sd", "season_sd", "freedom", "set_aside")
#: Fewer judged tank-seasons than this say nothing about how much ordinary tanks differ.
FEWEST_TANKS = 8
#: Prior standard deviations on the logit scale: weak for the general level, looser than any plausible species
#: gap.
_LEVEL_PRIOR_SD = 5.0
_SPECIES_PRIOR_SD = 1.5
_SLOPE_PRIOR_SD = 0.5
#: The claim's reason where the verdict alone decides it.
_REASONS = {"below_expected": Reason.CLEAR, "above_expected": Reason.CLEAR, "as_expected": Reason.NOT_CLEAR}


@dataclass(frozen=True, eq=False)
class Judged:
    """One outcome's used rows with what was worked out of them, and the uncounted below even at their most
    (`is_used` tells them apart, their survivors are that most); sentence: what was done or refused; spreads: by
    name, see SPREADS, nan where there was nothing to estimate them from; departures: scores by site and season,
    None when nothing could be judged; sites: the verdicts by site_id, see `judge_sites`.
    """

    rows: pd.DataFrame
    sentence: str
    spreads: dict[str, float]
    departures: Departures | None = None
    sites: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["p_value", "reason"], dtype=float))


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


def compare_setups(frame: pd.DataFrame) -> ShownFrame:
    """The rows of setups.csv from a frame of tank-seasons; see `screen_setups` for what stands behind them.

    frame: season, tank_id, site_id, batch_id, eggs, survivors; optional outcome, species,
    units_at_delivery_c_days, region, room_type, gravel_practice, stage losses and other context.
    verdict: below_expected (q <= 0.10, and the shrunken interval lies below what was expected, or nobody counted
    what was left and this is the most), watch (below the 95 % limits, or low at a site that is below expected or
    worth watching over its seasons), as_expected, above_expected (as below, and the dead and the survivors are not
    more than the eggs), too_few_records. place_verdict: the site's, over all its seasons: below_expected (q <=
    0.10 over sites, no outcome surer than all together), as_expected, too_few_seasons.

    >>> frame = pd.DataFrame({"season": 2024, "tank_id": range(60), "eggs": 150, "survivors": 128})
    >>> frame = frame.assign(site_id=frame["tank_id"], batch_id=frame["tank_id"] % 4)
    >>> frame["survivors"] += frame["tank_id"] % 7 - 3
    >>> frame.loc[0, "survivors"] = 20
    >>> compare_setups(frame).query("verdict == 'below_expected'")["tank_id"].tolist()
    [0]
    """
    from broodyear.schemas.frames import checked

    # What stands for the whole: the shrunken survival of the tanks that stand out from below.
    shows = Shows(
        "Tanks below expectation", ("season", "tank_id", "outcome"), "shrunken_pct", "shrunken_low",
        "shrunken_high", "survival, %", {"verdict": "below_expected"},
    )  # fmt: skip
    return shown(checked(screen_setups(frame).rows, "setups"), shows)


def screen_setups(frame: pd.DataFrame) -> SetupScreen:
    """Judge every tank-season of every outcome; the model is fitted once per outcome over all seasons.

    Expected survival is given species, units at delivery, season and batch, never room, gravel or
    temperature: those are what is being judged. Limits allow for ordinary differences between tanks
    (Spiegelhalter 2005, doi:10.1136/qshc.2005.013755), p-values are mid-p of the overdispersed count,
    q-values hold the false-discovery rate within a season and outcome (Benjamini and Hochberg 1995).
    """
    tanks = prepare(frame)
    present = {str(name) for name in tanks["outcome"].dropna()}
    if not present:
        raise NothingToAnalyse("no tank-season has an outcome, so no set-up can be compared")
    outcomes = [*(name for name in OUTCOMES if name in present), *sorted(present - set(OUTCOMES))]
    judged = _sites_together({name: judge(*_judgeable(tanks, name)) for name in outcomes})
    rows = _with_verdicts(_joined(tanks, judged))
    flagged = rows["verdict"].isin(["below_expected", "watch"])
    rows["losing_stage"] = losing_stage(rows).where(flagged, "")
    at_poor_site = rows["place_verdict"] == "below_expected"
    has_large_loss = rows["has_large_loss"] if "has_large_loss" in rows else False
    rows[["circumstances", "evidence"]] = circumstances(rows, flagged | at_poor_site | has_large_loss)
    whole = {name: rows[name].round().astype("Int64") for name in ("eggs", "survivors", "survivors_at_most")}
    ordered = rows.assign(_place=rows["outcome"].map(outcomes.index, na_action="ignore"), **whole)
    ordered = ordered.sort_values(["season", "_place", "tank_id"], kind="stable")
    return SetupScreen(
        rows=ordered[SETUP_COLUMNS].reset_index(drop=True),
        spreads=_spreads(tanks, judged),
        detectable=detectable_by_season(rows),
        judged={name: result for name, result in judged.items() if result.departures is not None},
        capped=int(tanks["is_capped"].sum()),
    )


def _judgeable(rows: pd.DataFrame, outcome: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The used rows of an outcome, and those nobody knows the end of, survivors being the most their dead leave.

    Where even that is below what ordinary tanks show, the tank is a finding, for it can only be worse. A tank is
    compared with others of its batch, so one without is left out, as are those of few eggs and of running totals.
    """
    rows = rows[rows["outcome"] == outcome]
    used, missing = rows[rows["is_used"]], rows[~rows["is_used"] & (rows["eggs"] >= FEWEST_EGGS)]
    dead = counted_dead(missing)
    batches, own = (pd.MultiIndex.from_frame(one[["season", "batch_id"]]) for one in (used, missing))
    is_judged = own.isin(batches) & dead.notna() & ~exceeds_eggs(dead, missing["eggs"])
    return used, missing.assign(survivors=(missing["eggs"] - dead).clip(lower=0.0))[is_judged]


def judge(used: pd.DataFrame, uncounted: pd.DataFrame) -> Judged:
    """Expected and shrunken survival of one outcome's used rows, and of the uncounted below at their most.

    Adds what SETUP_COLUMNS say of a model (expected_log_odds, spread: logit), unjudged and note (why there is no
    verdict).
    """
    batch = used.groupby(["season", "batch_id"]).ngroup().to_numpy()
    is_few, is_small = len(used) < FEWEST_TANKS, used["eggs"].to_numpy() < FEWEST_EGGS
    is_alone = np.bincount(batch, minlength=1)[batch] < 2
    reasons = [str(one) for one in (Reason.TOO_FEW_TANKS, Reason.TOO_FEW_EGGS, Reason.CONFOUNDED)]
    unjudged = np.select([np.full(len(used), is_few), is_small, is_alone], reasons, "").astype(object)
    words = partial(note, "setups", "unjudged", tanks=len(used), fewest_eggs=FEWEST_EGGS)
    notes = [words(reason=one) if one else "" for one in unjudged]
    rows = used.assign(unjudged=unjudged, note=notes)
    alive, eggs = float(rows["survivors"].sum()), float(rows["eggs"].sum())
    fit, blank = None, dict.fromkeys(("unjudged", "note"), "")
    if not is_few and alive in (0.0, eggs):
        share = 100.0 * alive / eggs
        rows = rows.assign(expected_pct=share, shrunken_pct=share, z_score=0.0, p_value=1.0, **blank)
        rows = rows.assign(fish_below_expected=0.0)
    elif not is_few:
        rows = pd.concat([rows, uncounted.assign(**blank)]) if len(uncounted) else rows
        fit = fit_screen(screen_data(rows))
    sentence = note("setups", "screen", tanks=len(used), fewest=FEWEST_TANKS, alive=alive, fit=fit)
    if fit is None:
        return Judged(rows, sentence, {**dict.fromkeys(SPREADS, np.nan), "set_aside": 0})
    return _judged(rows, fit, sentence)


def _sites_together(judged: Mapping[str, Judged]) -> dict[str, Judged]:
    """Sites are one family over all outcomes: none is clear in one that all of them together do not speak for."""
    p_values = pd.DataFrame({name: result.sites["p_value"] for name, result in judged.items()})
    together = pd.DataFrame(over_outcomes(p_values.T).T, p_values.index, p_values.columns)
    return {name: replace(one, sites=held_to(one.sites, together[name])) for name, one in judged.items()}


def screen_data(rows: pd.DataFrame) -> ScreenData:
    """Counts and design of what is not judged: species, thermal units at delivery, season and batch."""
    columns, precision = [np.ones(len(rows))], [1.0 / _LEVEL_PRIOR_SD**2]
    is_fitted = rows["is_used"].to_numpy(dtype=bool)
    if "species" in rows:
        label, levels = pd.factorize(rows["species"].astype(object).fillna(NOT_RECORDED), sort=True)
        if len(levels) > 1:
            columns += list(np.eye(len(levels))[label].T)
            precision += [1.0 / _SPECIES_PRIOR_SD**2] * len(levels)
    units = measured(rows, UNITS)
    known = units[~np.isnan(units) & is_fitted]
    if known.size >= FEWEST_TANKS and known.std() > 0.0:  # else there is nothing to tell tanks apart by
        columns.append(np.where(np.isnan(units), 0.0, (units - known.mean()) / known.std()))
        precision.append(1.0 / _SLOPE_PRIOR_SD**2)
    batch = Grouping.of(rows.assign(batch=rows.groupby(["season", "batch_id"]).ngroup()), "batch")
    seasons = [Grouping.of(rows, "season")] if rows["season"].nunique() >= FEWEST_SEASONS else []
    return ScreenData(
        survivors=rows["survivors"].to_numpy(dtype=float),
        eggs=rows["eggs"].to_numpy(dtype=float),
        dense=np.column_stack(columns),
        precision=np.array(precision),
        groupings=(batch, *seasons),
        is_fitted=is_fitted,
    )


def _judged(rows: pd.DataFrame, fit: ScreenFit, sentence: str) -> Judged:
    survivors, eggs = rows["survivors"].to_numpy(dtype=float), rows["eggs"].to_numpy(dtype=float)
    spread = np.hypot(fit.tank_sd, fit.expected_se)
    score = normal_scores(survivors, eggs, fit.expected, spread)
    p_value = two_sided_p(score, fit.freedom)
    # An uncounted tank is tested among all of its season, but its p moves nobody else's verdict.
    is_used: BoolArray = rows["is_used"].to_numpy(dtype=bool)
    q_value = adjust_within(np.where(is_used | (score < 0.0), p_value, 1.0), rows["season"])
    is_judged = is_used | (q_value <= FALSE_DISCOVERY_RATE)
    rows = rows.assign(z_score=score, p_value=p_value, q_value=q_value)[is_judged]
    is_used = is_used[is_judged]
    expected_log_odds, expected_se, spread, score, survivors, eggs = (
        one[is_judged] for one in (fit.expected, fit.expected_se, spread, score, survivors, eggs)
    )
    probability = expit(expected_log_odds)
    sampling = 1.0 / (eggs * np.maximum(probability * (1.0 - probability), 1e-6))
    (site, names), (season, _) = (pd.factorize(rows[name], sort=True) for name in ("site_id", "season"))
    unknown = list(names).index(NOT_RECORDED) if NOT_RECORDED in names else -1
    error = np.sqrt(sampling + fit.tank_sd**2 + expected_se**2)
    departures = Departures(score, error, site, season, unknown)
    counted = departures.subset(is_used)
    between_sites = min(counted.site_sd(), 0.95 * fit.tank_sd)
    memory, memory_variance = departures.remembered(between_sites)
    memory[is_used], memory_variance[is_used] = counted.remembered(between_sites)
    own_variance = fit.tank_sd**2 - between_sites**2 + memory_variance + expected_se**2
    centre = expected_log_odds + memory
    # A tank that was set aside is none of those whose spread this is: its own distance is all that is known of it.
    observed = np.log((survivors + 0.5) / (eggs - survivors + 0.5))
    apart = np.where(np.abs(score) > SET_ASIDE, observed - centre, 0.0)
    shrunken = shrunken_survival(survivors, eggs, centre, np.sqrt(np.maximum(own_variance, apart**2)))
    expected = average_over_groups(expected_log_odds, spread).survival
    rows = rows.assign(
        expected_log_odds=expected_log_odds,
        spread=spread,
        expected_pct=100.0 * expected,
        shrunken_pct=100.0 * shrunken[0],
        shrunken_low=100.0 * shrunken[1],
        shrunken_high=100.0 * shrunken[2],
        fish_below_expected=eggs * (expected - shrunken[0]),
    )
    spreads = {name: getattr(fit, name, between_sites) for name in SPREADS}  # that of sites is no part of the fit
    return Judged(rows, sentence, spreads, departures, judge_sites(departures, counted).set_axis(names))


def _joined(given: pd.DataFrame, judged: Mapping[str, Judged]) -> pd.DataFrame:
    """Judged rows and left-out rows together, in the order given; with p and q where there is a verdict."""
    known = pd.concat([result.rows for result in judged.values()])
    rows = pd.concat([known, given.drop(index=known.index)]).loc[given.index]
    rows = rows.reindex(columns=list(dict.fromkeys([*rows, *SETUP_COLUMNS])))
    # Of a tank judged without a count, all that is known is the most that can have been left.
    at_most = ~rows["is_used"] & rows["z_score"].notna()
    rows["survivors_at_most"] = rows["survivors"].where(at_most)
    rows["survivors"] = rows["survivors"].where(~at_most)
    rows["observed_pct"] = 100.0 * rows["survivors"] / rows["eggs"].where(rows["eggs"] > 0)
    rows["note"] = rows["note"].astype(object).where(rows["is_used"], rows["why_left_out"])
    disagree = rows.get("counts_disagree", pd.Series(False, index=rows.index)).astype("boolean").fillna(False)
    why = np.where(disagree, str(Reason.COUNTS_DISAGREE), str(Reason.NO_RECORDS))
    rows["unjudged"] = rows["unjudged"].astype(object).where(rows["is_used"] | at_most, why)
    # A site's verdict stands on every row of it, also on those that were left out themselves.
    sites = {(name, site): reason for name, one in judged.items() for site, reason in one.sites["reason"].items()}
    pairs = zip(rows["outcome"], rows["site_id"], strict=True)
    rows["site_reason"] = [sites.get(pair, str(Reason.TOO_FEW_SEASONS)) for pair in pairs]
    rows["place_verdict"] = rows["site_reason"].map(place_verdict)
    rows["p_value"] = rows["p_value"].astype(float).where((rows["unjudged"] == "") | at_most)
    families = rows.groupby(["outcome", "season"], dropna=False).ngroup()
    among_used = adjust_within(rows["p_value"].where(rows["is_used"]), families)
    rows["q_value"] = np.where(at_most, rows["q_value"], among_used)
    return rows


def _with_verdicts(rows: pd.DataFrame) -> pd.DataFrame:
    low = rows["z_score"] < 0.0
    # Clear, and not all of it chance: what is left when chance is allowed for lies on the same side.
    is_below, is_above = rows["shrunken_high"] < rows["expected_pct"], rows["shrunken_low"] > rows["expected_pct"]
    is_beyond = is_below.where(low, is_above) | rows["survivors_at_most"].notna()
    found = (rows["q_value"] <= FALSE_DISCOVERY_RATE) & is_beyond
    # With more dead and survivors than eggs, more can seem to live than did.
    cannot_be = found & ~low & exceeds_eggs(counted_dead(rows) + rows["survivors"], rows["eggs"])
    rows["unjudged"] = rows["unjudged"].mask(cannot_be, str(Reason.COUNTS_DISAGREE))
    rows["note"] = rows["note"].mask(cannot_be, Reason.COUNTS_DISAGREE.meaning)
    outside = low & (rows["p_value"] <= WATCH_P)
    carried = low & (rows["place_verdict"] == "below_expected")
    with_site = low & (rows["site_reason"] == Reason.WATCH)
    rows["verdict"] = np.select(
        [rows["p_value"].isna() | cannot_be, found & low, outside | carried | with_site, found],
        ["too_few_records", "below_expected", "watch", "above_expected"],
        "as_expected",
    )
    on_watch = rows["verdict"] == "watch"
    tests = [rows["survivors_at_most"].notna(), on_watch & outside, on_watch & carried, on_watch]
    reasons = [Reason.COUNTED_AT_MOST, Reason.WATCH, Reason.AT_POOR_PLACE, Reason.AT_WATCHED_PLACE]
    rows["watch_reason"] = np.select(tests, [str(reason) for reason in reasons], "")
    return rows


def _spreads(given: pd.DataFrame, judged: Mapping[str, Judged]) -> pd.DataFrame:
    rows = []
    for name, result in judged.items():
        own = given[given["outcome"] == name]
        reasons = own.loc[~own["is_used"], "why_left_out"].value_counts().sort_index()
        left_out = "; ".join(f"{count} {reason}" for reason, count in reasons.items())
        used = int(result.rows["is_used"].sum())
        counts = {"outcome": name, "rows_given": len(own), "rows_used": used, "left_out": left_out}
        rows.append({**counts, **result.spreads, "sentence": result.sentence})
    return pd.DataFrame(rows)


def tank_claims(rows: pd.DataFrame) -> tuple[Claim, ...]:
    """One claim per row of a screen (`SetupScreen.rows`) of one season, in their order.

    estimate, low, high: shrunken less expected survival in points; observed: the same unshrunken; of tanks judged
    at the most that their dead leave, all at that most, level being it and reference the expected share;
    p_family: the false-discovery rate at which the tank would be flagged among the tanks judged for its outcome.
    """
    names = {"estimate": "shrunken_pct", "observed": "observed_pct"}
    names |= {end: f"shrunken_{end}" for end in ("low", "high")}
    less = {name: rows[name].astype(float) - rows["expected_pct"] for name in names.values()}
    reason = rows["unjudged"].where(rows["unjudged"] != "", rows["watch_reason"])
    columns = ["survivors_at_most", "eggs", "expected_pct"]
    left = [
        (f"{most:.0f} of {eggs:.0f} ({100.0 * most / eggs:.0f}\u202f%)", f"{expected:.0f}\u202f%")
        if most >= 0.0
        else ("", "")
        for most, eggs, expected in rows[columns].astype(float).to_numpy()
    ]
    stated = rows.assign(
        **less,
        kind=rows["verdict"].map({"above_expected": ClaimKind.TANK_ABOVE}).fillna(ClaimKind.TANK_BELOW),
        reason=reason.where(reason != "", rows["verdict"].map(_REASONS)),
        comparisons=compared(rows),
        level=[most for most, _ in left],
        reference=[expected for _, expected in left],
    )
    return tuple(claims_from(stated, {**names, "subject": "tank_id", "p_family": "q_value"}, unit="points"))


def compared(rows: pd.DataFrame) -> pd.Series:
    """How many rows of its outcome were judged, one per row."""
    return rows["p_value"].notna().groupby(rows["outcome"]).transform("sum")
