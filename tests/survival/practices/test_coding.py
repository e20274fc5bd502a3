"""Factors over rows: which levels may be compared, at the very number of tanks and batches that decides it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from broodyear.claims import Reason
from broodyear.survival.practices.factors import MERGED, Factor, code_factor, level_counts
from broodyear.survival.practices.model import fit_adjusted


def coded(**batches_of: list[str]) -> Factor:
    """A factor whose levels have one tank in each batch named."""
    pairs = [(level, batch) for level, batches in batches_of.items() for batch in batches]
    rows = pd.DataFrame(pairs, columns=["level", "batch_id"]).assign(season=2024, eggs=100.0, survivors=80.0)
    return code_factor(rows, "gravel_practice", rows["level"], level_counts(rows, rows["level"]))


TEN = ["B1", "B2"] * 5


@pytest.mark.parametrize(
    ("tanks", "refused"),
    [
        (["B1"] * 4 + ["B2"], {}),
        (["B1"] * 3 + ["B2"], {"gravel": Reason.TOO_FEW_TANKS}),
        (["B1"] * 5, {"gravel": Reason.TOO_FEW_BATCHES}),
    ],
)
def test_five_tanks_in_two_batches_may_be_compared_and_fewer_may_not(
    tanks: list[str], refused: dict[str, Reason]
) -> None:
    factor = coded(bare=TEN, gravel=tanks)
    assert factor.refused == refused and factor.is_comparable is (not refused)
    assert (MERGED in factor.levels) is False
    assert factor.sizes["gravel"] == (len(tanks), len(set(tanks)))


def test_sparse_levels_are_merged_where_together_they_are_enough() -> None:
    factor = coded(bare=TEN, gravel=["B1", "B2"], other=["B1", "B1", "B2"])
    assert MERGED in factor.levels and factor.compared == ("bare",)
    assert np.bincount(factor.codes).tolist() == [10, 5]


def test_levels_that_never_share_a_batch_are_known() -> None:
    factor = coded(bare=TEN, gravel=["B1"] * 4 + ["B2"], other=["B8"] * 3 + ["B9"] * 3)
    assert factor.reference == "bare"
    assert factor.shares_batches("gravel") and not factor.shares_batches("other")


@pytest.mark.parametrize(("units", "is_told"), [((280.0, 286.0), False), ((280.0, 286.0, 289.0), True)])
def test_batches_that_units_make_up_have_no_spread_of_their_own(units: tuple[float, ...], is_told: bool) -> None:
    """Else nothing holds their spread, and those of sites and tanks are found as if coefficients cost nothing."""
    rng = np.random.default_rng(3)
    batch = np.arange(24) % len(units)
    rows = pd.DataFrame({"season": 2024, "site_id": [f"S{one % 15}" for one in range(24)], "eggs": 200.0})
    rows = rows.assign(batch_id=[f"B{one}" for one in batch], units_at_delivery_c_days=np.array(units)[batch])
    rows["survivors"] = rng.binomial(200, 1.0 / (1.0 + np.exp(-1.5 - rng.normal(0.0, 0.5, 24)))).astype(float)
    found = fit_adjusted(rows, [])
    assert found.fit.groups == ("site_id", *(["batch_id"] if is_told else []), "tank_season")
    assert not any("maximum likelihood" in note for note in found.fit.notes)
