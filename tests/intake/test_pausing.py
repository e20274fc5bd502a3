"""The collector of cyclic garbage is paused for a while, and never left off."""

from __future__ import annotations

import gc

import pytest

from broodyear.intake.session import uncollected


@pytest.mark.parametrize("was_on", [True, False])
def test_it_is_as_it_was_afterwards(was_on: bool) -> None:
    before = gc.isenabled()
    (gc.enable if was_on else gc.disable)()
    try:
        with pytest.raises(ValueError, match="midway"), uncollected():
            assert not gc.isenabled()
            raise ValueError("midway")
        assert gc.isenabled() is was_on
    finally:
        (gc.enable if before else gc.disable)()
