"""Every figure of the season and regions reports: what it shows, the same bytes twice, and refusals."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace

import pandas as pd
import pytest
from tests.reports import invented, invented_regions

from broodyear.errors import Refused
from broodyear.figures.connectivity import connectivity_figure
from broodyear.figures.diagnostics import MOST_SITES, influence_figure, residuals_figure
from broodyear.figures.funnel import expected_figure, funnel_figure
from broodyear.figures.intervals import MOST_ROWS, Estimate, intervals_figure, panels_figure
from broodyear.figures.timeline import exposure_figure, timeline_figure, trend_figure

MAIN = "delivered_to_release"


def judged() -> pd.DataFrame:
    """Twelve tanks, delivery to release."""
    frame = invented.setups(12).frame
    return frame[frame["outcome"] == MAIN]


def limits() -> pd.DataFrame:
    """Three points of funnel limits."""
    return invented.season_results().funnel.frame


def stages() -> str:
    frame = invented.stage_survival().frame
    both = [
        Estimate("release_based_pct", "release_based_low", "release_based_high", "by exits"),
        Estimate("loss_based_pct", "loss_based_low", "loss_based_high", "by dead", hollow=True),
    ]
    return intervals_figure(frame, name="s", title="Stages", label="stage_label", estimates=both, unit="%")


def regions() -> str:
    frame = invented_regions.results().regions.frame
    panels = [Estimate("raw_pct", "", "", "raw"), Estimate("adjusted_pct", "adjusted_low", "adjusted_high", "adj")]
    return panels_figure(frame, name="r", title="Regions", label="region", panels=panels, unit="%")


def batches() -> str:
    frame = invented_regions.results().graph.frame.rename(columns={"is_shared": "shared"})
    return connectivity_figure(frame, name="c", title="Batches")


def residuals() -> pd.DataFrame:
    """Five tank-seasons, one without a temperature."""
    return pd.DataFrame(
        {"fitted_pct": [60.0, 70.0, 80.0, 85.0, 90.0], "temp_c": [7.0, None, 8.0, 9.0, 8.5],
         "residual": [-0.4, 0.2, 1.1, -2.3, 0.5]}
    )  # fmt: skip


def influence() -> pd.DataFrame:
    """More sites than a drawing holds."""
    sites = [f"S-{number}" for number in range(1, MOST_SITES + 3)]
    shifts = [1.4 - 0.05 * place for place in range(len(sites))]
    return pd.DataFrame({"site_id": sites, "largest_shift": shifts, "factor": "room_type"})


FIGURES: dict[str, Callable[[], str]] = {
    "expected": lambda: expected_figure(judged(), name="e", title="Expected"),
    "funnel": lambda: funnel_figure(judged(), limits(), name="f", title="Funnel"),
    "stages": stages,
    "regions": regions,
    "batches": batches,
    "exposure": lambda: exposure_figure(invented.exposure(9).frame, name="x", title="Water", warm_limit_c=13.0),
    "trend": lambda: trend_figure(invented.trend().frame, name="t", title="Trend", this_season=2023),
    "residuals": lambda: residuals_figure(residuals(), name="q", title="Residuals"),
    "influence": lambda: influence_figure(influence(), name="i", title="Influence"),
    "timeline": lambda: timeline_figure(invented.timeline(), name="l", title="Tank", warm_limit_c=9.0),
}

#: Words that must stand in each drawing as text: units, direct labels.
WORDS = {
    "expected": ["expected from batch, species and season (%)", "T-001", "below expected (1)"],
    "funnel": ["live eggs delivered", "95 % of ordinary tanks", "T-002"],
    "stages": ["hatch to button-up", "by exits", "by dead"],
    "regions": ["north", "raw", "no estimate"],
    "batches": ["north", "B-2", "regions", "batches"],
    "exposure": ["mean water temperature (°C)", "warm limit 13 °C"],
    "trend": ["2021/22", "2023/24"],
    "residuals": ["fitted survival (%)", "mean water temperature (°C)", "residual (standard deviations)"],
    "influence": ["S-1", "room type", "largest move of an estimate without the site (standard errors)"],
    "timeline": ["°C", "dead", "chiller stopped", "button-up", "modelled", "alevin", "warm limit 9 °C"],
}


def texts(svg: str) -> list[str]:
    """Text of a drawing."""
    return [element.text or "" for element in ET.fromstring(svg).iter() if element.tag.endswith("text")]


@pytest.mark.parametrize("name", FIGURES)
def test_words_and_units_stand_in_the_drawing(name: str) -> None:
    found = texts(FIGURES[name]())
    assert [word for word in WORDS[name] if word not in found] == []


@pytest.mark.parametrize("name", FIGURES)
def test_the_same_frame_gives_the_same_bytes(name: str) -> None:
    assert FIGURES[name]() == FIGURES[name]()


@pytest.mark.parametrize("name", FIGURES)
def test_only_the_palette_is_used(name: str) -> None:
    from broodyear.figures import style

    allowed = {style.INK, style.QUIET, style.RULE, style.PAPER, *(series.colour for series in style.SERIES)}
    assert set(re.findall(r"#[0-9a-f]{6}", FIGURES[name]().lower())) - allowed == set()


def test_tanks_without_a_count_are_not_drawn() -> None:
    frame = judged().assign(observed_pct=None)
    with pytest.raises(Refused, match="nothing to draw for Expected"):
        expected_figure(frame, name="e", title="Expected")


def test_sites_that_move_the_estimates_least_are_left_to_the_table() -> None:
    found = texts(influence_figure(influence(), name="i", title="Influence"))
    assert f"S-{MOST_SITES}" in found and f"S-{MOST_SITES + 1}" not in found


def test_too_many_rows_are_left_to_the_table() -> None:
    frame = pd.DataFrame({"label": ["x"] * (MOST_ROWS + 1), "pct": 1.0, "low": 0.0, "high": 2.0})
    estimate = [Estimate("pct", "low", "high", "estimate")]
    with pytest.raises(Refused, match="its table is the better view"):
        intervals_figure(frame, name="i", title="Rows", label="label", estimates=estimate, unit="%")


def test_a_tank_with_no_dated_record_is_refused_and_a_part_of_one_drawn() -> None:
    records = invented.timeline()
    parts = ("daily", "losses", "stages", "incidents")
    empty = {part: getattr(records, part).iloc[:0] for part in parts}
    with pytest.raises(Refused, match="no reading, loss, stage or incident is on record"):
        timeline_figure(replace(records, **empty), name="l", title="Tank", warm_limit_c=13.0)
    only_losses = replace(records, **{**empty, "losses": records.losses})
    found = texts(timeline_figure(only_losses, name="l", title="Tank", warm_limit_c=13.0))
    assert "no temperature on record" in found and "alevin" in found


def test_names_of_close_events_do_not_share_a_line() -> None:
    records = invented.timeline()
    days = pd.to_datetime(["2023-12-01", "2023-12-02", "2023-12-03"])
    stages = pd.DataFrame({"stage": ["hatch_first", "hatch_half", "hatch_all"], "last_absent_on": days,
                           "first_seen_on": days})  # fmt: skip
    root = ET.fromstring(timeline_figure(replace(records, stages=stages), name="l", title="T", warm_limit_c=13.0))
    places = {
        element.text: element.attrib.get("transform", "") or element.attrib.get("y", "")
        for element in root.iter()
        if element.tag.endswith("text") and element.text in ("first hatch", "half hatched", "all hatched")
    }
    assert len(places) == 3 and len(set(places.values())) == 3
