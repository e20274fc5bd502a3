"""Frames that public functions take and give are held to their public schemas."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from broodyear import compare_setups, fit_development, published_models, score_development
from broodyear.development import forecast_stages
from broodyear.development.models.published import known_models
from broodyear.errors import UsageError
from broodyear.schemas.frames import FRAMES, checked, frame_schema


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


def test_tank_records_that_are_none_are_refused_at_the_door_with_their_rows() -> None:
    given = pd.DataFrame(
        {"tank_id": ["a", "b"], "batch_id": "1", "absent_day": [3.0, 4.0], "seen_day": ["5", "x"]}
    )
    for take in (lambda: fit_development(given, "power"), lambda: score_development(given)):
        with pytest.raises(UsageError, match=r"not one of tank_records: seen_day: .*'x'"):
            take()
    later = given.assign(seen_day=[5.0, 6.0], day_share=[0.5, 1.5], hatchery_temp_c=[8.0, np.nan])
    with pytest.raises(UsageError, match=r"tank_records: day_share: out_of_range, row 1: 1\.5; see"):
        fit_development(later, "power")


def test_what_is_given_back_is_checked_at_the_door(monkeypatch: pytest.MonkeyPatch) -> None:
    broken = known_models().assign(spread_log_sd=-1.0)
    monkeypatch.setattr("broodyear.development.models.published.known_models", lambda: broken)
    with pytest.raises(UsageError, match="not one of published_models: spread_log_sd: out_of_range"):
        published_models()
    monkeypatch.setattr(
        "broodyear.development.forecast.forecasting.forecast_table", lambda *_, **__: pd.DataFrame({"season": [1]})
    )
    with pytest.raises(UsageError, match="not one of forecasts: tank_id: the column is missing"):
        forecast_stages({})


@pytest.mark.parametrize("given", [None, {}, [], "x"])
def test_what_is_no_source_is_refused_in_words(given: Any) -> None:
    with pytest.raises(ValueError):
        score_development(given)
