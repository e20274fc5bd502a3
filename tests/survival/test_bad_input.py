"""Each mistake gets a sentence that names the column and the cure."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from broodyear.errors import Refused, UsageError
from broodyear.survival import fit_survival


@pytest.fixture
def frame() -> pd.DataFrame:
    rng = np.random.default_rng(4)
    frame = pd.DataFrame(
        {
            "gravel": ["bare", "stones"] * 12,
            "room": ["hall", "hall", "lab", "lab"] * 6,
            "warm": rng.normal(9, 1, 24).round(2),
            "site": [f"S{index % 8}" for index in range(24)],
            "covered": [True, False, False] * 8,
            "eggs": rng.integers(60, 160, 24),
        }
    )
    frame["alive"] = rng.binomial(frame["eggs"], 0.8)
    return frame


def fit(frame: pd.DataFrame, formula: str = "gravel + warm", **more):
    return fit_survival(frame, formula, survived="alive", trials="eggs", **({"method": "quasi_binomial"} | more))


def test_missing_values_and_empty_tanks_are_left_out_and_counted(frame):
    frame.loc[[0, 1], "warm"] = np.nan
    frame.loc[2, "gravel"] = None
    frame.loc[3, ["alive", "eggs"]] = 0
    found = fit(frame)
    assert (found.rows_given, found.rows_used) == (24, 20)
    assert found.left_out == {"missing gravel": 1, "missing warm": 2, "no eggs (eggs is 0)": 1}


def test_a_tank_season_in_several_rows_is_told(frame):
    once = frame.assign(season=2024, tank_id=[f"T{index}" for index in range(24)])
    assert fit(once).notes == ()
    found = fit(pd.concat([once, once.iloc[[5, 5, 7]]], ignore_index=True))
    assert (found.rows_used, len(found.notes)) == (27, 1)
    assert found.notes[0].startswith(
        "2 tank-seasons stand in more than one row, the first 2024 T5: each row counts"
    )
    assert fit(pd.concat([once, once.assign(season=2025)], ignore_index=True)).notes == ()


def test_columns_the_model_does_not_read_may_be_missing(frame):
    assert fit(frame.assign(note=np.nan)).rows_used == 24


def test_more_survivors_than_eggs(frame):
    frame.loc[5, ["alive", "eggs"]] = [90, 80]
    with pytest.raises(
        Refused, match="1 of 24 rows have more survivors than eggs; the first is row 6 of the frame"
    ):
        fit(frame)


@pytest.mark.parametrize("value", [-3.0, 12.5])
def test_counts_must_be_whole_and_not_negative(frame, value):
    frame["alive"] = frame["alive"].astype(float)
    frame.loc[2, "alive"] = value
    with pytest.raises(Refused, match=f"Column 'alive' holds {value:g} in row 3 .* whole counts"):
        fit(frame)


def test_counts_must_be_numbers(frame):
    with pytest.raises(Refused, match="Column 'alive' holds values that are not numbers"):
        fit(frame.assign(alive="many"))


def test_unknown_column(frame):
    with pytest.raises(UsageError, match="no column 'gravle'; its columns are gravel, room"):
        fit(frame, "gravle")
    with pytest.raises(UsageError, match="no column 'batch'"):
        fit(frame, groups="batch", method="clustered")


@pytest.mark.parametrize("formula", ["gravel +", "alive ~ gravel", "gravel + (1 | site)"])
def test_formula_that_cannot_be_read(frame, formula):
    with pytest.raises(UsageError, match="cannot be read: write the right-hand side only"):
        fit(frame, formula)


def test_one_level(frame):
    with pytest.raises(Refused, match="Column 'gravel' is bare in all 24 rows used.*take it out of the formula"):
        fit(frame.assign(gravel="bare"))


def test_constant_covariate(frame):
    with pytest.raises(Refused, match="Column 'warm' is 9.0 in all 24 rows used"):
        fit(frame.assign(warm=9.0))


def test_one_level_left_after_leaving_rows_out(frame):
    frame.loc[frame["gravel"] == "stones", "warm"] = np.nan
    with pytest.raises(Refused, match="Column 'gravel' is bare in all 12 rows used"):
        fit(frame)


def test_aliased_columns_are_both_named(frame):
    with pytest.raises(Refused, match=r"warm_f cannot be told apart from warm: .* Take one of them out"):
        fit(frame.assign(warm_f=32 + 1.8 * frame["warm"]), "warm + warm_f")
    same = frame.assign(bottom=frame["gravel"])
    with pytest.raises(Refused, match=r"bottom\[T.stones\] cannot be told apart from gravel\[T.stones\]"):
        fit(same, "gravel + bottom")


def test_interaction_without_rows(frame):
    thin = frame[~((frame["gravel"] == "stones") & (frame["room"] == "lab"))]
    with pytest.raises(Refused, match=r"combination that the coefficient gravel\[T.stones\]:room\[T.lab\]"):
        fit(thin, "gravel * room")


def test_group_with_one_level(frame):
    with pytest.raises(Refused, match="Group 'site' has one level \\(S0\\) in the 24 rows used"):
        fit(frame.assign(site="S0"), groups="site", method="mixed")


def test_twin_groups(frame):
    twin = frame.assign(host=frame["site"].str.lower())
    with pytest.raises(Refused, match="Groups 'site' and 'host' split the rows in the same way"):
        fit(twin, groups=["site", "host"], method="mixed")


def test_two_tanks_in_all(frame):
    with pytest.raises(Refused, match="Only 2 of the 2 rows given can be used .* at least 3 tank-seasons"):
        fit(frame.head(2), "1")


def test_too_few_rows_for_the_formula(frame):
    with pytest.raises(
        Refused, match=r"asks for 3 coefficients \(Intercept, gravel\[T.stones\], warm\), but only 3 rows"
    ):
        fit(frame.head(3))


def test_separation_is_refused_by_name(frame):
    frame.loc[frame["gravel"] == "stones", "alive"] = 0
    for method, groups in (
        ("quasi_binomial", ()),
        ("mixed", "site"),
        ("beta_binomial", ()),
        ("clustered", "site"),
    ):
        with pytest.raises(Refused, match=r"gravel\[T.stones\] has no finite estimate.*use method='firth'"):
            fit(frame, method=method, groups=groups)
    answered = fit(frame, method="firth").effects.loc["gravel[T.stones]"]
    assert -20 < answered["estimate"] < -4
    assert answered["std_error"] < 3


def test_separation_by_a_combination_is_found():
    """No single level separates; gravel + room together do (the interaction cell lost everything)."""
    frame = pd.DataFrame({"a": [0, 0, 1, 1] * 3, "b": [0, 1, 0, 1] * 3, "eggs": 50, "alive": [30, 28, 31, 0] * 3})
    with pytest.raises(Refused, match="a:b has no finite estimate"):
        fit(frame, "a * b")
    assert fit(frame, "a + b").effects["std_error"].max() < 5


@pytest.mark.parametrize(("share", "word"), [(0, "died"), (1, "survived")])
def test_all_or_nothing_everywhere(frame, share, word):
    with pytest.raises(Refused, match=f"All eggs in all 24 rows used {word}"):
        fit(frame.assign(alive=share * frame["eggs"]))


def test_methods_and_groups_must_fit(frame):
    with pytest.raises(UsageError, match="method must be one of mixed, .* but 'glm' was passed"):
        fit(frame, method="glm")
    with pytest.raises(UsageError, match="needs at least one column in groups="):
        fit(frame, method="mixed")
    with pytest.raises(UsageError, match="needs exactly one column in groups=, but 2"):
        fit(frame, method="clustered", groups=["site", "room"])
    with pytest.raises(UsageError, match="'beta_binomial' takes no groups, but site was named"):
        fit(frame, method="beta_binomial", groups="site")
    with pytest.raises(UsageError, match="quadrature_points above 1"):
        fit(frame, method="mixed", groups=["site", "room"], quadrature_points=9)
    with pytest.raises(UsageError, match="names a column twice"):
        fit(frame, method="mixed", groups=["site", "site"])


def test_dates_are_not_covariates(frame):
    dated = frame.assign(delivered_on=pd.date_range("2024-01-01", periods=24))
    with pytest.raises(Refused, match="'delivered_on' holds dates; turn it into a number"):
        fit(dated, "delivered_on")


def test_two_columns_of_one_name(frame):
    doubled = pd.concat([frame, frame[["warm"]]], axis=1)
    with pytest.raises(UsageError, match="more than one column named 'warm'"):
        fit(doubled)


def test_booleans_are_two_level_factors(frame):
    found = fit(frame, "covered + gravel:warm")
    assert "covered[T.True]" in found.effects.index
    assert found.contrast("covered").loc[0, ["level", "reference"]].tolist() == [True, False]
    nullable = fit(frame.assign(covered=frame["covered"].astype("boolean")), "covered + gravel:warm")
    assert nullable.coefficients == pytest.approx(found.coefficients)


def test_term_names_are_the_formula_librarys(frame):
    found = fit(frame.assign(season=[2023, 2024] * 12), "room * warm + C(season)")
    assert list(found.effects.index) == [
        "Intercept",
        "room[T.lab]",
        "warm",
        "C(season)[T.2024]",
        "room[T.lab]:warm",
    ]
    assert found.effects.index.name == "term"
    assert list(found.effects.columns) == ["estimate", "std_error", "ci_low", "ci_high", "p_value"]


def test_unused_categories_are_no_levels(frame):
    stones = pd.Categorical(frame["gravel"], categories=["stones", "bare", "layered"])
    found = fit(frame.assign(gravel=stones), "gravel")
    assert list(found.effects.index) == ["Intercept", "gravel[T.bare]"]


def test_the_frame_given_is_not_changed(frame):
    before = frame.copy(deep=True)
    fit(frame, "covered + gravel")
    pd.testing.assert_frame_equal(frame, before)
