"""The plan: complete, used, and the same as its page."""

from __future__ import annotations

from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest
from tests.simulated.plan_page import plan_page, plan_rows

from broodyear import synthetic
from broodyear.synthetic.plan import Plan

REPOSITORY = Path(__file__).parents[2]


def test_the_page_is_the_plan() -> None:
    page = (REPOSITORY / "synthetic_data" / "plan.md").read_text(encoding="utf-8")
    assert page == plan_page(), "write it again: the command stands at the top of the page"


def test_every_number_has_a_meaning_and_a_use() -> None:
    code = "".join(
        path.read_text(encoding="utf-8")
        for path in Path(synthetic.__file__).parent.glob("*.py")
        if path.name not in ("plan.py", "traps.py", "sample.py")
    )
    for part, name, _, meaning in plan_rows(Plan()):
        assert meaning, f"{part}.{name} has no meaning"
        assert f".{name}" in code, f"{part}.{name} is used nowhere"


def test_the_plan_cannot_be_changed_in_place() -> None:
    with pytest.raises(FrozenInstanceError):
        Plan().survival.egg_hazard = 1.0  # type: ignore[misc]
