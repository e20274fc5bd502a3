"""Whether one step per degree can stand for the effect of water temperature on an outcome."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from broodyear.errors import BroodyearError
from broodyear.survival.curvature import CURVED_BELOW, Curvature, curvature_test, p_words
from broodyear.survival.effects_models import Headline
from broodyear.survival.effects_rows import TEMPERATURE

#: Share of the tanks at either end of the temperatures where a curve follows single tanks.
FEW_TANKS = 0.05


@dataclass(frozen=True)
class Bend:
    """finding: what the test says, for the notes of the fit; note: a reservation about the step, or empty."""

    finding: str = ""
    note: str = ""


def bend_of_temperature(headline: Headline) -> Bend:
    """A straight line in temperature against a natural spline, in the headline model of one outcome."""
    others = [name for name in (*headline.factors, *headline.adjusters) if name != TEMPERATURE]
    try:
        found = curvature_test(
            headline.data, " + ".join(others) or "1", TEMPERATURE,
            survived="survivors", trials="eggs", groups=headline.groups,
        )  # fmt: skip
    except BroodyearError as error:
        return Bend(f"Whether temperature acts in a straight line cannot be told: {error}")
    shown = p_words(found.p_value)
    if not found.p_value < CURVED_BELOW:
        return Bend(f"Temperature is not shown to act in anything but a straight line ({shown}).")
    where = _where_best(found, headline.data[TEMPERATURE])
    note = f"not a straight line ({shown}): one step cannot stand for every temperature; {where}"
    return Bend(f"Temperature does not act in a straight line ({shown}).", note)


def _where_best(found: Curvature, temps_c: pd.Series) -> str:
    """Where along the curve survival is highest, in words; the ends follow few tanks and are left out."""
    low, high = temps_c.quantile([FEW_TANKS, 1.0 - FEW_TANKS])
    inside = found.curve[found.curve[TEMPERATURE].between(low, high)]
    best = inside.iloc[int(inside["adjusted_pct"].argmax())]
    return f"by the curve survival is highest near {best[TEMPERATURE]:.1f} °C, {best['adjusted_pct']:.0f} %"
