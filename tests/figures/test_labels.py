"""Names beside marks: none touches another, the most important ones stand, wherever the marks lie."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.text import Text
from tests.figures.test_figures import judged, limits

from broodyear.figures import funnel
from broodyear.figures.labels import Named, name_marks
from broodyear.figures.style import Sheet, sheet


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[Sheet]]:
    """The sheets that were finished, to be measured."""
    sheets: list[Sheet] = []
    really = Sheet.svg

    def kept(page: Sheet, title: str) -> str:
        sheets.append(page)
        return really(page, title)

    monkeypatch.setattr(Sheet, "svg", kept)
    yield sheets


def texts(page: Sheet) -> dict[str, tuple[float, float, float, float]]:
    """Where the drawing library itself says that every name and note stands, by text."""
    renderer = RendererAgg(*page.figure.get_size_inches() * page.figure.dpi, page.figure.dpi)
    found: list[Text] = [*page.axes[0].texts, *page.figure.legends[0].get_texts()]
    # As plain text: a note's own extent takes in the line that leads to its mark.
    return {one.get_text(): tuple(Text.get_window_extent(one, renderer).extents) for one in found}  # type: ignore[misc]


def overlapping(page: Sheet) -> list[tuple[str, str]]:
    boxes = texts(page).items()
    return [
        (one, other)
        for (one, (l1, b1, r1, t1)), (other, (l2, b2, r2, t2)) in combinations(boxes, 2)
        if l1 < r2 and l2 < r1 and b1 < t2 and b2 < t1
    ]


def seventy_sites(low: int, seed: int) -> pd.DataFrame:
    """Seventy tanks whose flagged ones lie close together, where names would fall on each other."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        {"tank_id": [f"TANK-{number:04d}" for number in range(70)], "eggs": rng.integers(140, 160, 70),
         "expected_pct": rng.normal(82, 1.5, 70), "observed_pct": rng.normal(84, 5, 70), "verdict": "as_expected"}
    )  # fmt: skip
    frame.loc[: low - 1, "observed_pct"] = rng.normal(45, 6, low)
    frame.loc[: low - 1, "verdict"] = ["below_expected", "watch"] * (low // 2)
    return frame


@pytest.mark.parametrize(("low", "seed"), [(10, 1), (10, 2), (30, 3)])
def test_no_name_touches_another(low: int, seed: int, drawn: list[Sheet]) -> None:
    frame = seventy_sites(low, seed)
    funnel.expected_figure(frame, name="e", title="Expected")
    funnel.funnel_figure(frame, limits(), name="f", title="Funnel")
    for page in drawn:
        assert overlapping(page) == []
        by_need = list(frame.head(low).sort_values("observed_pct")["tank_id"])
        assert set(by_need if low <= 10 else by_need[:1]) <= set(texts(page))


def test_names_of_a_few_tanks_stand_beside_their_marks(drawn: list[Sheet]) -> None:
    funnel.expected_figure(judged(), name="e", title="Expected")
    flagged = judged()[judged()["verdict"].isin(["below_expected", "watch"])]
    assert set(flagged["tank_id"]) <= set(texts(drawn[0])) and overlapping(drawn[0]) == []


def test_where_there_is_no_room_the_first_names_stand() -> None:
    with sheet("n", 1.6, 0.6, margins={"left": 0.1, "right": 0.95, "bottom": 0.2, "top": 0.95}) as page:
        page.axes[0].set_xlim(0, 1)
        page.axes[0].set_ylim(0, 1)
        heap = [Named(0.3, 0.5, f"TANK-{number}") for number in range(9)]
        written = name_marks(page.axes[0], heap, [])
    assert written == [one.name for one in heap[: len(written)]] and 1 <= len(written) < 9


@pytest.mark.parametrize("has_mark_below", [True, False])
def test_a_limit_is_named_above_itself_where_a_mark_lies_below(drawn: list[Sheet], has_mark_below: bool) -> None:
    ends = limits().iloc[-1]
    low = float(ends["low_95_pct"])
    frame = seventy_sites(2, 3).assign(observed_pct=95.0, verdict="as_expected")
    frame.loc[0, ["eggs", "observed_pct"]] = [int(ends["eggs"]), low - 2 if has_mark_below else 95.0]
    funnel.funnel_figure(frame, limits(), name="f", title="Funnel")
    line = drawn[0].axes[0].transData.transform((ends["eggs"], low))[1]
    bottom, top = texts(drawn[0])["95 % of ordinary tanks"][1::2]
    assert (bottom > line) if has_mark_below else (top < line)
