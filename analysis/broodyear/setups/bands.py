"""Practices that can be changed, as factors with few levels."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.setups.tank_frame import NOT_RECORDED


@dataclass(frozen=True)
class Practice:
    """name: column of practices.csv; columns: what it is made from; make: frame -> level per row (None = not
    recorded); words: how it is said; adjust_for: other practices it must be told apart from."""

    name: str
    columns: tuple[str, ...]
    make: Callable[[pd.DataFrame], pd.Series]
    words: str
    adjust_for: tuple[str, ...]


def _as_is(column: str) -> Callable[[pd.DataFrame], pd.Series]:
    return lambda rows: _known(rows[column])


def _yes_no(column: str) -> Callable[[pd.DataFrame], pd.Series]:
    return lambda rows: rows[column].map(lambda value: None if pd.isna(value) else ("yes" if value else "no"))


def _band(column: str, edges: Sequence[float], labels: Sequence[str]) -> Callable[[pd.DataFrame], pd.Series]:
    """Bands of a number; each edge belongs to the band above it."""

    def make(rows: pd.DataFrame) -> pd.Series:
        number = pd.to_numeric(rows[column], errors="coerce")
        place = np.searchsorted(np.asarray(edges), number.to_numpy(dtype=float), side="right")
        level = np.array([*labels, None], dtype=object)[np.where(number.isna(), len(labels), place)]
        return pd.Series(level, index=rows.index, dtype=object)

    return make


def _known(values: pd.Series) -> pd.Series:
    blank = values.isna() | values.astype(str).isin(["", NOT_RECORDED])
    return values.astype(object).where(~blank, None)


def _room_and_gravel(rows: pd.DataFrame) -> pd.Series:
    room, gravel = _known(rows["room_type"]), _known(rows["gravel_practice"])
    both = room.notna() & gravel.notna()
    return (room.astype(str) + " / " + gravel.astype(str)).where(both, None)


_ROOM = ("room_type", "gravel_practice")

PRACTICES = (
    Practice("room_and_gravel", _ROOM, _room_and_gravel, "room type and gravel practice", ()),
    Practice(
        "gravel_practice", ("gravel_practice",), _as_is("gravel_practice"), "gravel practice", ("room_type",)
    ),
    Practice("room_type", ("room_type",), _as_is("room_type"), "room type", ("gravel_practice",)),
    Practice(
        "set_point_band",
        ("set_point_c",),
        _band(
            "set_point_c",
            (7.0, 9.0, 11.0),
            ("below 7 °C", "7 to below 9 °C", "9 to below 11 °C", "11 °C or more"),
        ),
        "set point",
        _ROOM,
    ),
    Practice(
        "differential_band",
        ("differential_c",),
        _band("differential_c", (1.0, 2.0), ("below 1 °C", "1 to below 2 °C", "2 °C or more")),
        "thermostat differential",
        _ROOM,
    ),
    Practice(
        "conditioning_band",
        ("conditioning_days",),
        _band("conditioning_days", (5.0, 14.0), ("below 5 d", "5 to below 14 d", "14 d or more")),
        "days between filling and delivery",
        _ROOM,
    ),
    Practice(
        "media_band",
        ("media_carried_over_pct",),
        _band("media_carried_over_pct", (1e-9, 50.0), ("none", "below 50 %", "50 % or more")),
        "filter media carried over",
        _ROOM,
    ),
    Practice("light_cover", ("light_cover",), _yes_no("light_cover"), "light cover", _ROOM),
    Practice("insulated", ("insulated",), _yes_no("insulated"), "insulation", _ROOM),
    Practice("weekend_access", ("weekend_access",), _yes_no("weekend_access"), "weekend access", _ROOM),
)


def available(rows: pd.DataFrame) -> tuple[Practice, ...]:
    """Practices whose columns are in the frame with at least one value."""
    return tuple(
        practice
        for practice in PRACTICES
        if all(column in rows and _known(rows[column]).notna().any() for column in practice.columns)
    )
