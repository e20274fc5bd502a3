"""Which batches of a season did otherwise than the typical others, wherever they went.

A tank is judged against its own batch, so a poor batch shows in no tank. Here batches are compared with each
other, regions held alike: log-odds of sites as batch + region, each site's departure winsorised as in the screen
(Huber 1981, Robust Statistics, section 7.8), so that one lost tank is no poor batch. How alike the tanks of a site
are is not known well enough, least of all from one season: those of one batch at one site count as one, their mean
as far from others as a single tank.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.claims import Claim, ClaimKind, Reason, claims_from, clear_or_not
from broodyear.setups.screen import Judged, SetupScreen
from broodyear.setups.screen_model import CLIP, SQUARE_OF_ALL
from broodyear.statistics.multiplicity import holm, over_outcomes
from broodyear.statistics.numbers import FloatArray, connected_parts
from broodyear.survival.practices.batches import batches_compared
from broodyear.survival.result import average_over_groups
from broodyear.survival.tank_frame import FEWEST_EGGS, HATCH, MAIN_OUTCOME, NOT_RECORDED

#: Fewest tanks of a batch, at fewest sites, that tell it from its tanks and sites (common practice, no source).
FEWEST_TANKS, FEWEST_SITES = 3, 2
#: Mean derivative of a standard normal score winsorised at CLIP.
_SLOPE = 0.8
_STEPS = 50


def batch_claims(screen: SetupScreen, season: int) -> list[Claim]:
    """One claim per batch at hatch and over the whole stay: whether it did otherwise than the typical others of
    its species in the season. level: batches left out because they stand apart themselves; reference: the only
    other one, where there is one. p_family counts all batches of the outcome (two that meet only each
    other once), and both outcomes.
    """
    judged = {name: screen.judged[name] for name in (HATCH, MAIN_OUTCOME) if name in screen.judged}
    if not judged:
        return []
    tables = {name: compare_batches(one, season) for name, one in judged.items()}
    p_values = pd.DataFrame({name: table["p_family"].astype(float) for name, table in tables.items()})
    together = pd.DataFrame(over_outcomes(p_values.T).T, p_values.index, p_values.columns)
    ends = {"low": "difference_low", "high": "difference_high"}
    names = {"subject": "batch_id", "level": "left_out", "reference": "other", "estimate": "difference_points"}
    claims: list[Claim] = []
    for name, table in tables.items():
        p_family = together[name].reindex(table.index)
        asked = zip(table["unasked"], p_family, strict=True)
        reasons = [Reason(why) if why else clear_or_not(p) for why, p in asked]
        stated = table.assign(p_family=p_family, reason=reasons, batch_id=table.index)
        claims += claims_from(stated, names | ends, kind=ClaimKind.BATCH_DIFFERS, outcome=name, unit="points")
    return claims


def compare_batches(judged: Judged, season: int) -> pd.DataFrame:
    """By batch_id: difference_* in points and p_value against the typical others of its species, left_out, other
    (the only one it is compared with), p_family and comparisons over all batches, unasked (why nothing was asked).

    Batches that meet in no region, directly or through others, cannot be told from their regions; they meet where
    each has FEWEST_SITES or more.
    """
    rows = judged.rows
    rows = rows[rows["is_used"] & (rows["season"] == season) & (rows["eggs"] >= FEWEST_EGGS)]
    species = rows["species"] if "species" in rows else pd.Series("", rows.index)
    rows = rows.assign(species=species.astype(object).fillna(""), region=rows["region"].replace("", NOT_RECORDED))
    sizes = rows.groupby("batch_id", sort=True).agg(
        species=("species", "first"), tanks=("tank_id", "size"), sites=("site_id", "nunique")
    )
    few = [sizes["tanks"] < FEWEST_TANKS, sizes["sites"] < FEWEST_SITES]
    sizes["unasked"] = np.select(few, [Reason.TOO_FEW_TANKS, Reason.TOO_FEW_SITES], "").astype(object)
    # Where a batch has one site in a region, what tells it from the region there could be that site.
    is_told = rows.groupby(["batch_id", "region"])["site_id"].transform("nunique") >= FEWEST_SITES
    is_nowhere = ~sizes.index.isin(rows.loc[is_told, "batch_id"]) & (sizes["unasked"] == "")
    sizes["unasked"] = sizes["unasked"].mask(is_nowhere, str(Reason.CONFOUNDED))
    asked = rows[is_told & rows["batch_id"].isin(sizes.index[sizes["unasked"] == ""])]
    found = [_one_species(group, judged.spreads) for _, group in asked.groupby("species", sort=True)]
    table = sizes.join(pd.concat(found) if found else pd.DataFrame(columns=_ESTIMATED))
    table["unasked"] = table.pop("why").fillna(table["unasked"])
    named = ["left_out", "other"]
    table[named] = table[named].astype(object).where(table[named].notna(), "")
    # Of two batches, each against the other is one comparison.
    is_again = (table["other"] != "") & (table["other"] < table.index)
    p_family = pd.Series(holm(table["p_value"].mask(is_again).to_numpy(dtype=float)), table.index)
    table["p_family"] = p_family.where(~is_again, table["other"].map(p_family))
    return table.assign(comparisons=int((table["p_value"].notna() & ~is_again).sum()))


_ESTIMATED = ["difference_points", "difference_low", "difference_high", "p_value", "left_out", "other", "why"]


def _one_species(rows: pd.DataFrame, spreads: dict[str, float]) -> pd.DataFrame:
    """_ESTIMATED by batch_id of one species; why: why a batch was not asked, missing where it was."""
    (batch, batches), (region, regions) = (pd.factorize(rows[name], sort=True) for name in ("batch_id", "region"))
    part = connected_parts(batch, region, len(batches), len(regions))
    found = []
    for one in np.unique(part):
        own = rows[part[batch] == one]
        if own["batch_id"].nunique() > 1:
            found.append(_compared(own, spreads))
        else:
            alone = {"why": str(Reason.CONFOUNDED if len(batches) > 1 else Reason.ONE_LEVEL)}
            found.append(pd.DataFrame(alone, index=batches[part == one]))
    return pd.concat(found).reindex(columns=_ESTIMATED)


def _compared(rows: pd.DataFrame, spreads: dict[str, float]) -> pd.DataFrame:
    """Batches that share regions, directly or through others, against the typical ones of them."""
    eggs, survivors = rows["eggs"].astype(float), rows["survivors"].astype(float)
    share = (survivors + 0.5) / (eggs + 1.0)
    each = rows.assign(log_odds=np.log(share / (1.0 - share)), sampling=1.0 / (eggs * share * (1.0 - share)))
    sites = each.groupby(["batch_id", "site_id"], sort=True)
    units = sites.agg(region=("region", "first"), log_odds=("log_odds", "mean"), sampling=("sampling", "mean"))
    error = np.sqrt(units["sampling"] / sites.size() + spreads["tank_sd"] ** 2).to_numpy(dtype=float)
    units = units.reset_index()
    of_batch, of_region = (pd.get_dummies(units[name], dtype=float) for name in ("batch_id", "region"))
    regions = of_region.to_numpy()[:, 1:]
    values = units["log_odds"].to_numpy(dtype=float)
    estimate, covariance = _winsorised(values, error, np.hstack([of_batch.to_numpy(), regions]))
    size = of_batch.shape[1]
    levels = np.hstack([np.eye(size), np.tile(regions.mean(axis=0), (size, 1))])
    alike = average_over_groups(levels @ estimate, spreads["tank_sd"])
    between = levels @ covariance @ levels.T

    def error_of(against: FloatArray) -> FloatArray:
        slopes = against * alike.by_log_odds
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", slopes, between, slopes)))

    # The spread is known from as many sites at most as are left over here, whatever tanks and seasons they have.
    degrees = np.full(size, np.clip(len(units) - size - regions.shape[1], 1.0, spreads["freedom"]))
    other = of_batch.columns[::-1] if size == 2 else ""
    return batches_compared(of_batch.sum(), alike.survival, error_of, degrees).assign(other=other, why=None)


def _winsorised(values: FloatArray, error: FloatArray, design: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Coefficients and their covariance, no value moving them by more than one CLIP errors away does."""
    weighted = design / error[:, None]
    inverse = np.linalg.pinv(weighted.T @ weighted)
    estimate = inverse @ weighted.T @ (values / error)
    for _ in range(_STEPS):
        score = np.clip((values - design @ estimate) / error, -CLIP, CLIP)
        step = inverse @ weighted.T @ score / _SLOPE
        estimate = estimate + step
        if float(np.abs(step).max()) < 1e-8:
            break
    return estimate, np.asarray(SQUARE_OF_ALL / _SLOPE**2 * inverse, dtype=float)
