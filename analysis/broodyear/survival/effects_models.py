"""The models behind one outcome's effects: the headline, the within-batch check, the other methods."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodyear.errors import BroodyearError, Refused
from broodyear.survival.design import Design, make_design
from broodyear.survival.effects_rows import TEMPERATURE
from broodyear.survival.fit import fit_marginal, fit_survival
from broodyear.survival.result import SurvivalFit

FEWEST_SEASONS_AS_GROUP = 5
OVERDISPERSED = 1.05  # conditional Pearson dispersion above which a tank-season intercept is added
BEYOND_DOUBT = 2.0  # dispersion that restricted spreads cannot bring below OVERDISPERSED
FEW_LEVELS = 12  # of site or batch, below which normal intervals are known to be too narrow
OTHER_METHODS = ("beta_binomial", "quasi_binomial", "clustered", "exchangeable")
DIFFERS_BELOW = 0.05  # p of "between batches and within batches agree"
DIFFERS_BY = 0.5  # standard errors by which the within-batch answer must leave the headline to be worth a word


@dataclass(frozen=True, eq=False)
class Headline:
    """The headline mixed model of one outcome and what it was fitted to."""

    outcome: str
    fit: SurvivalFit
    data: pd.DataFrame
    factors: tuple[str, ...]
    adjusters: tuple[str, ...]
    groups: tuple[str, ...]
    notes: tuple[str, ...]

    def adjusted_for(self, factor: str) -> str:
        """What the effect of one factor allows for, in words."""
        named = [*(other for other in self.factors if other != factor), *self.adjusters]
        words = [_words(name) for name in named] + [
            _words(group) for group in self.groups if group != "tank_season"
        ]
        unique = list(dict.fromkeys(words))
        return ", ".join(unique[:-1]) + f" and {unique[-1]}" if len(unique) > 1 else "".join(unique)


def _words(name: str) -> str:
    plain = {
        "site_id": "site", "batch_id": "batch", "C(season)": "season", "gravel_practice": "gravel",
        "room_type": "room type", TEMPERATURE: "water temperature",
    }  # fmt: skip
    return plain.get(name, name)


def _fit(
    data: pd.DataFrame, formula: str, groups: Sequence[str], method: str = "mixed", *, plain: bool = False
) -> SurvivalFit:
    return fit_survival(
        data,
        formula,
        survived="survivors",
        trials="eggs",
        groups=groups,
        method=method,
        small_sample=method == "mixed" and not plain,
    )


def headline_model(data: pd.DataFrame, factors: Sequence[str], outcome: str) -> Headline:
    """Fit the headline model: site and batch crossed, season from five on, tank-season when needed."""
    if not len(data):
        raise Refused("No tank-season has what this model needs.")
    if not factors:
        raise Refused("No practice has two levels with enough tanks to compare.")
    groups = _usable_groups(data)
    adjusters = _adjusters(data, groups)
    notes: list[str] = []
    while True:
        formula = " + ".join([*factors, *adjusters])
        try:
            fit = _first_fit(data, formula, groups)
            break
        except Refused as error:
            if not adjusters:
                raise
            notes.append(f"Not adjusted for {_words(adjusters[-1])}: {error}")
            adjusters = adjusters[:-1]
    if fit.dispersion > OVERDISPERSED and not _one_row_each(data, groups):
        groups = (*groups, "tank_season")
        fit = _fit(data, formula, groups)
        notes.append("Tanks vary more than eggs that die independently would: a tank-season intercept was added.")
    said = (*notes, *fit.notes, *_few_levels(fit))
    return Headline(outcome, fit, data, tuple(factors), adjusters, groups, said)


def _first_fit(data: pd.DataFrame, formula: str, groups: Sequence[str]) -> SurvivalFit:
    """The model without a tank-season intercept.

    Where tanks vary so much that the intercept is needed beyond doubt, only its dispersion is looked at, and that
    of maximum likelihood says as much as that of restricted spreads, in half the time.
    """
    if not _one_row_each(data, groups):
        plain = _fit(data, formula, groups, plain=True)
        if plain.dispersion > BEYOND_DOUBT:
            return plain
    return _fit(data, formula, groups)


def _few_levels(fit: SurvivalFit) -> tuple[str, ...]:
    """Maximum likelihood underrates spreads seen on few levels, and with them the intervals."""
    few = [
        f"{len(grouping.levels)} levels of {_words(grouping.name)}"
        for grouping in fit.design.groupings
        if grouping.name in ("site_id", "batch_id") and len(grouping.levels) < FEW_LEVELS
    ]
    return (f"Only {' and '.join(few)}: intervals are likely to be too narrow.",) if few else ()


def _usable_groups(data: pd.DataFrame) -> tuple[str, ...]:
    """Site and batch, and season from five on, leaving out any with one level or a twin of another."""
    wanted = ["site_id", "batch_id"]
    if data["season"].nunique() >= FEWEST_SEASONS_AS_GROUP:
        wanted.append("season")
    groups: list[str] = []
    for name in wanted:
        if data[name].nunique() < 2:
            continue
        twins = [other for other in groups if _same_split(data, name, other)]
        if not twins:
            groups.append(name)
    if not groups:
        raise Refused("All tanks share one site and one batch, so ordinary variation cannot be judged.")
    return tuple(groups)


def _same_split(data: pd.DataFrame, first: str, second: str) -> bool:
    pairs = len(data[[first, second]].drop_duplicates())
    return pairs == data[first].nunique() == data[second].nunique()


def _one_row_each(data: pd.DataFrame, groups: Sequence[str]) -> bool:
    return any(data[name].nunique() == len(data) for name in groups)


def _adjusters(data: pd.DataFrame, groups: Sequence[str]) -> tuple[str, ...]:
    found = ["species"] if data["species"].nunique() > 1 else []
    if "season" not in groups and data["season"].nunique() > 1:
        found.append("C(season)")
    return tuple(found)


@dataclass(frozen=True, eq=False)
class WithinBatch:
    """The within-batch answer beside the headline, per level; empty with a reason when there is none."""

    levels: dict[str, dict[str, float]]
    why_not: str

    def columns(self, level: str) -> dict[str, float]:
        """Within-batch odds ratio and interval of a level, nan when there is none."""
        row = self.levels.get(level)
        if row is None:
            return {}
        return {
            "within_batch_odds_ratio": float(np.exp(row["estimate"])),
            "within_batch_low": float(np.exp(row["low"])),
            "within_batch_high": float(np.exp(row["high"])),
        }

    def differs(self, level: str) -> bool:
        """Whether tanks sharing a batch tell another story than batches compared with each other."""
        row = self.levels.get(level)
        return row is not None and row["p_between"] < DIFFERS_BELOW and row["shift"] > DIFFERS_BY

    def note(self, level: str) -> str:
        """The sentence for the note column, empty when both answers agree."""
        if self.why_not:
            return self.why_not
        if not self.differs(level):
            return ""
        ratio = float(np.exp(self.levels[level]["estimate"]))
        return f"within batch the odds ratio is {ratio:.2f}: over all batches, batches are compared as well"


def within_batch(headline: Headline, factor: str) -> WithinBatch:
    """Add the batch means of a factor's columns: its own coefficients then compare within batches only.

    Mundlak 1978 (doi 10.2307/1913646): the coefficient of the batch mean is the between-batch less the
    within-batch effect, and its test says whether the two answers differ.
    """
    if "batch_id" not in headline.groups:
        return WithinBatch({}, "")
    data, means = _with_batch_means(headline, factor)
    formula = " + ".join([*headline.factors, *headline.adjusters, *means])
    try:
        fit = _fit(data, formula, headline.groups)
    except BroodyearError:
        return WithinBatch({}, "no comparison within batch alone is possible")
    rows: dict[str, dict[str, float]] = {}
    table = fit.effects.to_dict("index")
    for mean, (term, level) in means.items():
        estimate = float(table[term]["estimate"])
        rows[level] = {
            "estimate": estimate, "low": float(table[term]["ci_low"]), "high": float(table[term]["ci_high"]),
            "p_between": float(table[mean]["p_value"]), "shift": _shift(headline, term, estimate),
        }  # fmt: skip
    return WithinBatch(rows, "")


def _shift(headline: Headline, term: str, within: float) -> float:
    """Distance of the within-batch estimate from the headline, in standard errors of the headline."""
    row = headline.fit.effects.to_dict("index")[term]
    return abs(within - float(row["estimate"])) / float(row["std_error"])


def _with_batch_means(headline: Headline, factor: str) -> tuple[pd.DataFrame, dict[str, tuple[str, str]]]:
    """The data with one column of batch means per level; column -> (term, level) it belongs to."""
    data = headline.data.copy()
    if factor == TEMPERATURE:
        data["batch_mean_temp_c"] = data.groupby("batch_id")[factor].transform("mean")
        return data, {"batch_mean_temp_c": (factor, "+1 °C")}
    means = {}
    for place, level in enumerate(data[factor].cat.categories[1:]):
        share = (data[factor] == level).astype(float)
        data[f"batch_share_{place}"] = share.groupby(data["batch_id"]).transform("mean")
        means[f"batch_share_{place}"] = (f"{factor}[T.{level}]", str(level))
    return data, means


def method_rows(headline: Headline, wanted: Sequence[str]) -> pd.DataFrame:
    """The same contrasts by the other four methods, batch as a fixed factor; refusals become notes."""
    data, formula, note = _marginal_setting(headline)
    parts, shared = [], _shared_design(data, formula)
    for method in OTHER_METHODS:
        groups: Sequence[str] = ["site_id"] if method in ("clustered", "exchangeable") else []
        try:
            fit = fit_marginal(shared, method) if shared else _fit(data, formula, groups, method)
        except BroodyearError as error:
            parts.append(_refusal(headline, wanted, method, str(error)))
            continue
        for factor in wanted:
            table = fit.step(factor) if factor == TEMPERATURE else fit.contrast(factor)
            said = " ".join([note, *fit.notes]).strip()
            parts.append(_dressed(headline, table, factor, method, said))
    return pd.concat(parts, ignore_index=True)


def _shared_design(data: pd.DataFrame, formula: str) -> Design | None:
    """The design of all the other methods, or None where the site keeps some of them from their rows."""
    if data["site_id"].isna().any():
        return None
    try:
        return make_design(data, formula, "survivors", "eggs", ("site_id",))
    except BroodyearError:
        return None


def _marginal_setting(headline: Headline) -> tuple[pd.DataFrame, str, str]:
    """Rows and formula for methods without random intercepts: batch enters as a fixed factor.

    Batches with one tank say nothing within batch and are left out. When batches are too many for that,
    batch stays out of the formula and the note says so.
    """
    data = headline.data
    sizes = data.groupby("batch_id")["eggs"].transform("size")
    shared = data[sizes > 1].copy()
    if shared["batch_id"].nunique() < 2 or 4 * shared["batch_id"].nunique() > len(shared):
        return data, " + ".join([*headline.factors, *headline.adjusters]), "Batch is not adjusted for."
    for name in headline.factors:
        if isinstance(shared[name].dtype, pd.CategoricalDtype):
            shared[name] = shared[name].cat.remove_unused_categories()
    alone = len(data) - len(shared)
    note = f"Batch as a fixed factor; {alone} tanks alone in their batch left out." if alone else ""
    return shared, " + ".join([*headline.factors, "batch_id"]), note or "Batch as a fixed factor."


def _dressed(headline: Headline, table: pd.DataFrame, factor: str, method: str, note: str) -> pd.DataFrame:
    dressed = table.assign(outcome=headline.outcome, factor=factor, method=method, note=note)
    counts: list[Any] = []
    for level in table["level"]:
        part = headline.data if factor == TEMPERATURE else headline.data[headline.data[factor] == level]
        counts.append((len(part), int(part["batch_id"].nunique())))
    dressed["tanks"], dressed["batches"] = zip(*counts, strict=True)
    if factor == TEMPERATURE:
        dressed["level"] = "+1 °C"
    return dressed


def _refusal(headline: Headline, wanted: Sequence[str], method: str, why: str) -> pd.DataFrame:
    rows = [
        {"outcome": headline.outcome, "factor": factor, "level": "all levels", "reference": "",
         "tanks": len(headline.data), "batches": int(headline.data["batch_id"].nunique()),
         "method": method, "note": why.rstrip(".")}
        for factor in wanted
    ]  # fmt: skip
    return pd.DataFrame(rows)
