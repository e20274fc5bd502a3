"""Dead counted of what an outcome starts from, worked out by hand, and counts that are more than the eggs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from broodyear.survival.tank_frame import counted_dead, exceeds_eggs

EVERY = ["hatch", "hatch_to_release", "delivered_to_release"]


@pytest.mark.parametrize(
    ("dead", "expected"),
    [
        ({"dead_egg": 7, "late_picks": 2, "dead_alevin": "5", "dead_fry": None}, [7, 7, 14]),
        ({"dead_egg": 7}, [7, np.nan, 7]),
        ({"dead_egg": None, "dead_fry": None}, [np.nan] * 3),
        ({"dead_egg": 7, "losses_look_cumulative": True}, [np.nan] * 3),
        ({"dead_egg": 7, "counts_disagree": [True, None, False, None, None]}, [np.nan, np.nan, 7]),
        ({}, [np.nan] * 3),
    ],
)
def test_each_row_counts_the_dead_of_what_its_outcome_starts_from(
    dead: dict[str, object], expected: list[float]
) -> None:
    found = counted_dead(pd.DataFrame({"outcome": [*EVERY, None, "another"]}, index=range(7, 12)).assign(**dead))
    np.testing.assert_array_equal(found.loc[7:], [*expected, np.nan, np.nan])


def test_a_tenth_more_than_the_eggs_is_miscounting() -> None:
    counted = pd.Series([100.0, 109.0, 111.0, np.nan, 5.0])
    assert exceeds_eggs(counted, pd.Series([100.0] * 4 + [np.nan])).tolist() == [False, False, True, False, False]
