"""Five hundred workbooks and layouts made up at random: every cell accounted for, and never a traceback.

Run with: pytest tests/benchmarks -k generated_layouts -s.
"""

from __future__ import annotations

import pytest
from hypothesis import Phase, given, seed, settings
from tests.intake.generated_layouts import account_for, cases

from broodyear.layouts import Layout

WORKBOOKS = 500


@pytest.mark.filterwarnings("ignore::UserWarning")  # of the library that writes the workbooks
@seed(20261106)
@given(cases())
@settings(max_examples=WORKBOOKS, deadline=None, phases=(Phase.generate,), database=None)
def test_no_cell_is_unaccounted_for(case: tuple[list[list[object]], Layout]) -> None:
    account_for(*case)
