"""Any table with two count columns will do, and what it holds is read for what it is."""

from __future__ import annotations

from decimal import Decimal

import pandas as pd
import pytest

from broodyear.errors import UsageError
from broodyear.survival import fit_survival


class Foreign:
    """A frame of another library, which knows how to become a pandas frame."""

    def __init__(self, frame: pd.DataFrame, *, has_arrow: bool) -> None:
        self.frame, self.columns, self.has_arrow = frame, list(frame.columns), has_arrow

    def to_pandas(self) -> pd.DataFrame:
        if not self.has_arrow:
            raise ModuleNotFoundError("pyarrow is required")
        return self.frame

    def __getitem__(self, name: str) -> pd.Series:
        return self.frame[name]


def fit(frame, formula="gravel + temp_c", **more):
    settings = {"groups": ["site"], "method": "mixed"} | more
    return fit_survival(frame, formula, survived="survived", trials="trials", **settings)


@pytest.fixture
def tanks(golden) -> pd.DataFrame:
    return golden.frame("crossed_tanks").head(60)


@pytest.mark.parametrize(
    "given",
    [
        lambda frame: frame.to_dict("list"),
        lambda frame: frame.to_dict("records"),
        lambda frame: frame.to_records(index=False),
        lambda frame: frame.convert_dtypes(),
        lambda frame: frame.astype({"survived": "uint16", "trials": "Int32"}),
        lambda frame: frame.assign(temp_c=frame["temp_c"].astype(object)),
        lambda frame: frame.assign(temp_c=[Decimal(str(value)) for value in frame["temp_c"]]),
        lambda frame: frame.sample(frac=1.0, random_state=1),
        lambda frame: frame.set_index(pd.Index([0] * len(frame))),
        lambda frame: Foreign(frame, has_arrow=True),
        lambda frame: Foreign(frame, has_arrow=False),
    ],
)
def test_the_same_rows_give_the_same_fit(tanks, given):
    found, plain = fit(given(tanks)), fit(tanks)
    assert found.effects["estimate"].to_dict() == pytest.approx(plain.effects["estimate"].to_dict(), abs=1e-9)


def test_arrow_table(tanks):
    arrow = pytest.importorskip("pyarrow")
    found = fit(arrow.Table.from_pandas(tanks))
    assert found.coefficients == pytest.approx(fit(tanks).coefficients, abs=1e-9)


@pytest.mark.parametrize("given", [None, "tanks.csv", 3, [], {"survived": [1, 2], "trials": [3]}])
def test_what_is_no_table_is_refused(given):
    with pytest.raises(UsageError, match="table"):
        fit(given)


def test_no_groups_may_be_said_as_none(tanks):
    assert fit(tanks, groups=None, method="quasi_binomial").rows_used == 60


def test_a_reference_may_be_named_as_it_reads(tanks):
    found = fit(tanks, "covered + C(season)")
    assert found.contrast("covered", "True").loc[0, "level"] == False  # noqa: E712
    assert set(found.contrast("season", "2003")["reference"]) == {2003}


def test_a_formula_without_terms_and_one_with_the_outcome(tanks):
    with pytest.raises(UsageError, match="has no term at all: write '1'"):
        fit(tanks, "0")
    with pytest.raises(UsageError, match="reads 'survived', the outcome itself"):
        fit(tanks, "gravel + survived")


def test_a_spline_that_spans_the_intercept_is_told_its_cure(tanks):
    with pytest.raises(ValueError, match=r"cr\(temp_c, df=3\) add up to the intercept: .*constraints='center'"):
        fit(tanks, "cr(temp_c, df=3)")
    assert len(fit(tanks, "cr(temp_c, df=3, constraints='center')").effects) == 4
