"""Practices that can be changed, as factors with few levels."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.survival.tank_frame import NOT_RECORDED

Maker = Callable[[pd.DataFrame], pd.Series]


@dataclass(frozen=True)
class Practice:
    """name: column of practices.csv; columns: what it is made from; make: frame -> level per row (None = not
    recorded); words: how it is said; reference: the level others are compared with, where it has tanks enough
    (blank: the one with most tanks); care: levels from least to most care for the animals, where that is known.
    """

    name: str
    columns: tuple[str, ...]
    make: Maker
    words: str
    reference: str = ""
    care: tuple[str, ...] = ()

    def is_less_care(self, proposed: str, replaced: str) -> bool:
        """Whether a change from `replaced` to `proposed` would mean less care for the animals."""
        known = proposed in self.care and replaced in self.care
        return known and self.care.index(proposed) < self.care.index(replaced)


def _as_is(column: str) -> Maker:
    return lambda rows: _known(rows[column])


def _yes_no(column: str) -> Maker:
    return lambda rows: _known(rows[column].astype(object).map({True: "yes", False: "no"}))


def _band(column: str, edges: Sequence[float], labels: Sequence[str]) -> Maker:
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


SET_POINT = "set_point_band"
SET_POINT_BANDS = ("below 7 °C", "7 to below 9 °C", "9 to below 11 °C", "11 °C or more")
_DIFFERENTIAL_BANDS = ("below 1 °C", "1 to below 2 °C", "2 °C or more")
_CONDITIONING_BANDS = ("below 5 d", "5 to below 14 d", "14 d or more")
_MEDIA_BANDS = ("none", "below 50 %", "50 % or more")
_LOOKED_AFTER = ("no", "yes")

PRACTICES = (
    Practice("gravel_practice", ("gravel_practice",), _as_is("gravel_practice"), "gravel practice", "bare"),
    Practice("room_type", ("room_type",), _as_is("room_type"), "room type", "classroom"),
    Practice(SET_POINT, ("set_point_c",), _band("set_point_c", (7.0, 9.0, 11.0), SET_POINT_BANDS), "set point"),
    Practice("differential_band", ("differential_c",), _band("differential_c", (1.0, 2.0), _DIFFERENTIAL_BANDS),
             "thermostat differential"),
    Practice("conditioning_band", ("conditioning_days",),
             _band("conditioning_days", (5.0, 14.0), _CONDITIONING_BANDS), "days between filling and delivery",
             care=_CONDITIONING_BANDS),
    Practice("media_band", ("media_carried_over_pct",),
             _band("media_carried_over_pct", (1e-9, 50.0), _MEDIA_BANDS), "filter media carried over"),
    Practice("light_cover", ("light_cover",), _yes_no("light_cover"), "light cover", "no", _LOOKED_AFTER),
    Practice("insulated", ("insulated",), _yes_no("insulated"), "insulation", "no", _LOOKED_AFTER),
    Practice("weekend_access", ("weekend_access",), _yes_no("weekend_access"), "weekend access", "no",
             _LOOKED_AFTER),
    Practice("filter_kind", ("filter_kind",), _as_is("filter_kind"), "filter kind"),
)  # fmt: skip


def practice_named(name: str) -> Practice:
    """The practice of this name; KeyError where there is none."""
    return {practice.name: practice for practice in PRACTICES}[name]


def available(rows: pd.DataFrame) -> tuple[Practice, ...]:
    """Practices whose columns are in the frame with at least one value."""
    return tuple(
        practice
        for practice in PRACTICES
        if all(column in rows and _known(rows[column]).notna().any() for column in practice.columns)
    )
