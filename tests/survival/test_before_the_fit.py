"""Collinearity, sparse cells and connectivity."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from broodyear.errors import NothingToAnalyse, Refused, UsageError
from broodyear.survival import collinearity, cross_table, separability, sparse_cells, variance_inflation


def test_variance_inflation_of_longley(golden):
    longley = golden.frame("longley").drop(columns="Employed")
    found = variance_inflation(longley)
    for name, expected in golden.value("penalised_and_collinear", "vif.longley").items():
        assert found[name] == pytest.approx(expected, rel=1e-8)


def test_condition_numbers_of_longley(golden):
    longley = golden.frame("longley").drop(columns="Employed")
    longley.columns = [name.replace(".", "_") for name in longley.columns]
    found = collinearity(longley, " + ".join(longley.columns))
    expected = golden.value("penalised_and_collinear", "condition.longley")
    assert found.condition_number == pytest.approx(expected["kappa_standardised"], rel=1e-6)
    assert found.condition_number_with_intercept == pytest.approx(
        expected["kappa_unit_length_with_intercept"], rel=1e-6
    )
    assert "times what it would be" in found.sentence


def test_generalised_inflation_of_factors(golden):
    tanks = golden.frame("collinear_tanks")
    found = collinearity(tanks, "temp_dev + temp_sd + temp_max + gravel + room")
    for term, expected in golden.value("penalised_and_collinear", "gvif.linear").items():
        assert found.terms.loc[term, "gvif"] == pytest.approx(expected["GVIF"], rel=1e-6)
        assert found.terms.loc[term, "gvif_per_df"] == pytest.approx(expected["GVIF_1_2df"], rel=1e-6)


def test_collinearity_refuses_what_has_no_inflation(golden):
    tanks = golden.frame("collinear_tanks")
    with pytest.raises(Refused, match="not independent"):
        collinearity(tanks.assign(twice=2 * tanks["temp_sd"]), "temp_sd + twice")
    with pytest.raises(UsageError, match="no column 'nothing'"):
        collinearity(tanks, "nothing")


def test_cross_table_counts_every_tank(tanks):
    table = cross_table(tanks, "gravel_practice", "room_type")
    assert table.loc["all", "all"] == len(tanks)
    assert (
        table.loc["bare", "hallway"]
        == ((tanks["gravel_practice"] == "bare") & (tanks["room_type"] == "hallway")).sum()
    )


def test_sparse_cells_lists_the_thin_combinations():
    frame = pd.DataFrame({"gravel": ["bare"] * 7 + ["stones"] * 3, "room": "lab", "batch_id": list("AABBCCDABA")})
    found = sparse_cells(frame, ["gravel", "room"])
    assert found.to_dict("records") == [{"gravel": "stones", "room": "lab", "tanks": 3, "batches": 2}]


def graph(pairs: str) -> pd.DataFrame:
    """Rows from text such as "a1 a2 b2": level, then group."""
    return pd.DataFrame(
        {"level": [pair[0] for pair in pairs.split()], "batch": [pair[1] for pair in pairs.split()]}
    )


def test_levels_joined_through_others_are_separable():
    found = separability(graph("a1 b1 b2 c2"), "level", "batch")
    assert found.is_separable
    assert found.same_part("a", "c")
    assert list(found.levels["shared_groups"]) == [1, 2, 1]


def test_levels_that_never_meet_are_not():
    found = separability(graph("a1 a2 b1 c3 c4"), "level", "batch")
    assert not found.is_separable
    assert not found.same_part("a", "c")
    assert list(found.levels["part"]) == [1, 1, 2]
    assert found.sentence == "level cannot be separated from batch: c never shares a batch with a, b."


def test_rows_missing_either_side_are_ignored():
    frame = graph("a1 b1 c1")
    frame.loc[2, "batch"] = None
    assert list(separability(frame, "level", "batch").levels["level"]) == ["a", "b"]
    with pytest.raises(NothingToAnalyse, match="No row has both level and batch"):
        separability(frame.assign(batch=np.nan), "level", "batch")
    with pytest.raises(UsageError, match="no column 'lot'"):
        separability(frame, "level", "lot")
