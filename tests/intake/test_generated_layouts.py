"""Workbooks and layouts made up at random: every cell accounted for, and never a traceback."""

from __future__ import annotations

import pytest
from hypothesis import Phase, given, settings
from tests.intake.generated_layouts import account_for, cases

from broodyear.layouts import Layout


@pytest.mark.filterwarnings("ignore::UserWarning")  # of the library that writes the workbooks
@given(cases())
# Each example writes and loads a workbook; the long form stands among the benchmarks.
@settings(derandomize=True, max_examples=12, deadline=None, phases=(Phase.generate,), database=None)
def test_no_cell_is_unaccounted_for(case: tuple[list[list[object]], Layout]) -> None:
    account_for(*case)
