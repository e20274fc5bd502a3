"""Frames of results that say what is in them and draw themselves, for notebooks.

    scores = score_development(store)      # a data frame like any other
    print(scores.summary())                # its main rows as text
    axes = scores.plot()                   # estimates with their intervals; ``plot(axes)`` draws on yours

Parts of such a frame (rows, columns, joins) are plain data frames.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar

import pandas as pd

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Rows that a summary prints and a drawing holds.
MOST_ROWS = 40


@dataclass(frozen=True)
class Shows:
    """How a frame of results is summarised and drawn.

    title; labels: columns that name a row; estimate, low, high: columns of an estimate and its limits; unit: of
    these; only: column → value of the rows that stand for the whole, where there are more.
    """

    title: str
    labels: tuple[str, ...]
    estimate: str
    low: str
    high: str
    unit: str
    only: Mapping[str, Any] = field(default_factory=dict)

    def rows(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The rows that stand for the whole and have an estimate, at most MOST_ROWS."""
        chosen = frame
        for name, value in self.only.items():
            is_blank = chosen[name].isna() if value == "" else False
            chosen = chosen[(chosen[name] == value) | is_blank]
        return chosen[chosen[self.estimate].notna()].head(MOST_ROWS)

    def summary(self, frame: pd.DataFrame) -> str:
        """The title, how many rows there are, and the main ones as text."""
        rows = self.rows(frame)
        shown = rows[[*self.labels, self.estimate, self.low, self.high]]
        head = f"{self.title}: {len(frame)} rows, {len(rows)} shown ({self.unit}, 95 % limits)"
        return head if rows.empty else f"{head}\n{shown.to_string(index=False, float_format=lambda x: f'{x:.2f}')}"

    def html(self, frame: pd.DataFrame) -> str:
        """The same for a notebook; whatever came from records is escaped."""
        rows = self.rows(frame)[[*self.labels, self.estimate, self.low, self.high]]
        table = rows.to_html(index=False, float_format=lambda x: f"{x:.2f}", escape=True)
        return f"<div><p>{self.title}, {self.unit}</p>{table}</div>"

    def labelled(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Columns label, estimate, low, high of the main rows."""
        rows = self.rows(frame)
        labels = [", ".join(map(str, one)) for one in rows[list(self.labels)].itertuples(index=False)]
        columns = {"estimate": rows[self.estimate], "low": rows[self.low], "high": rows[self.high]}
        return pd.DataFrame(columns).assign(label=labels).reset_index(drop=True)


class ShownFrame(pd.DataFrame):
    """A data frame of results with ``summary()`` and ``plot(ax=None)``.

    >>> shows = Shows("Bias", ("model",), "bias", "low", "high", "days")
    >>> frame = shown(pd.DataFrame({"model": ["m"], "bias": [1.0], "low": [0.5], "high": [1.5]}), shows)
    >>> print(frame.summary())
    Bias: 1 rows, 1 shown (days, 95 % limits)
    model  bias  low  high
        m  1.00 0.50  1.50
    """

    _metadata = ("shows",)
    shows: Shows

    @property
    def _constructor(self) -> type[pd.DataFrame]:
        return pd.DataFrame

    def summary(self) -> str:
        """The main rows as text."""
        return self.shows.summary(self)

    # A frame's own plot is an accessor; this one is what every result of the package has.
    def plot(self, ax: Axes | None = None) -> Axes:  # type: ignore[override]
        """The main estimates with their 95 % limits on ``ax``, or on new matplotlib axes; returns the axes."""
        from broodyear.figures.intervals import estimates_axes

        return estimates_axes(self.shows.labelled(self), self.shows.unit, ax)


def shown(frame: pd.DataFrame, shows: Shows) -> ShownFrame:
    """The frame as one that tells and draws itself."""
    made = ShownFrame(frame)
    made.shows = shows
    return made


class ShownResult:
    """A result of several tables that summarises and draws the main one. main: its name; shows: how."""

    main: ClassVar[str]
    shows: ClassVar[Shows]

    def summary(self) -> str:
        """The main rows as text."""
        return self.shows.summary(getattr(self, self.main))

    def _repr_html_(self) -> str:
        return self.shows.html(getattr(self, self.main))

    def plot(self, ax: Axes | None = None) -> Axes:
        """The main estimates with their 95 % limits on ``ax``, or on new matplotlib axes; returns the axes."""
        return shown(getattr(self, self.main), self.shows).plot(ax)
