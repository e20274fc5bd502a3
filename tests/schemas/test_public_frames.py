"""Frames that public functions take and give are held to their public schemas."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from broodyear import compare_setups, published_models, score_development
from broodyear.errors import UsageError
from broodyear.schemas.frame_columns import FRAMES
from broodyear.schemas.frames import checked, frame_schema


def tank_seasons() -> pd.DataFrame:
    rows = pd.DataFrame({"season": 2024, "tank_id": range(60), "eggs": 150, "survivors": 128})
    rows["survivors"] += rows["tank_id"] % 7 - 3
    return rows.assign(site_id=rows["tank_id"], batch_id=rows["tank_id"] % 4, outcome="hatch")


@pytest.mark.parametrize("name", FRAMES)
def test_every_frame_has_a_schema(name: str) -> None:
    assert set(frame_schema(name).columns) == set(FRAMES[name])


def test_what_public_functions_give_passes() -> None:
    frame_schema("published_models").validate(published_models(), lazy=True)
    frame_schema("tank_seasons").validate(tank_seasons(), lazy=True)
    rows = compare_setups(tank_seasons())
    assert len(checked(rows, "setups")) == 60 and "60 rows" in rows.summary()


def test_what_breaks_a_schema_is_named_with_its_row() -> None:
    with pytest.raises(UsageError, match=r"not one of tank_seasons: .*eggs: out_of_range, row 3: -1"):
        checked(tank_seasons().assign(eggs=np.where(np.arange(60) == 3, -1, 150)), "tank_seasons")
    with pytest.raises(UsageError, match="survivors: the column is missing"):
        checked(tank_seasons().drop(columns="survivors"), "tank_seasons")
    with pytest.raises(UsageError, match="there is no frame 'nothing'; expected one of constant_temperatures"):
        frame_schema("nothing")


@pytest.mark.parametrize("given", [None, {}, [], "x"])
def test_what_is_no_source_is_refused_in_words(given: Any) -> None:
    with pytest.raises(ValueError):
        score_development(given)
