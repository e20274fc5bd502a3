"""Results tell and draw themselves: summaries, HTML that runs nothing, axes in and out, plain parts."""

from __future__ import annotations

import matplotlib.pyplot as plt
import pandas as pd
import pytest

from broodyear.errors import Refused
from broodyear.shown import MOST_ROWS, ShownFrame, Shows, shown

SHOWS = Shows("Bias", ("model",), "bias", "low", "high", "days", {"band": "all", "stock": ""})


def frame(**changes: object) -> pd.DataFrame:
    rows = {"model": ["<b>a</b>", "b"], "bias": [1.0, None], "low": [0.5, None], "high": [1.5, None]}
    return pd.DataFrame(rows).assign(band="all", stock=[None, ""]).assign(**changes)


def test_a_summary_counts_all_rows_and_prints_those_with_an_estimate() -> None:
    assert shown(frame(), SHOWS).summary().splitlines()[0] == "Bias: 2 rows, 1 shown (days, 95 % limits)"
    assert shown(frame(band="5-7"), SHOWS).summary() == "Bias: 2 rows, 0 shown (days, 95 % limits)"


def test_what_came_from_records_is_escaped() -> None:
    assert "&lt;b&gt;a&lt;/b&gt;" in SHOWS.html(frame()) and "<b>" not in SHOWS.html(frame())
    assert "&lt;b&gt;" in str(shown(frame(), SHOWS)._repr_html_())


def test_axes_given_are_drawn_on_and_come_back() -> None:
    _, ax = plt.subplots()
    assert shown(frame(), SHOWS).plot(ax) is ax
    assert ax.get_xlabel() == "days, with 95 % interval" and [t.get_text() for t in ax.get_yticklabels()] == [
        "<b>a</b>"
    ]
    plt.close("all")


def test_dates_are_drawn_as_dates_and_at_most_forty_rows() -> None:
    days = pd.date_range("2024-01-01", periods=60)
    many = pd.DataFrame({"model": range(60), "bias": days, "low": days, "high": days})
    ax = shown(many, Shows("Dates", ("model",), "bias", "low", "high", "day")).plot()
    assert len(ax.get_yticks()) == MOST_ROWS
    plt.close("all")


def test_nothing_to_draw_is_refused_and_parts_are_plain_frames() -> None:
    whole = shown(frame(bias=None), SHOWS)
    with pytest.raises(Refused, match="nothing to draw"):
        whole.plot()
    assert isinstance(whole, ShownFrame) and type(whole[whole["band"] == "all"]) is pd.DataFrame
    assert type(whole.assign(x=1)) is pd.DataFrame and type(pd.concat([whole, whole])) is pd.DataFrame
