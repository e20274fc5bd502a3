"""The look shared by every figure: contrast, determinism, labels, refusals at the door."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pandas as pd
import pytest

from broodyear.errors import Refused
from broodyear.figures import style
from broodyear.reports.rendering import TEMPLATES

#: WCAG 2.2: 4.5:1 for text (1.4.3), 3:1 for graphics (1.4.11).
TEXT_CONTRAST, GRAPHIC_CONTRAST = 4.5, 3.0


def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb (WCAG 2.2)."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def themes() -> dict[str, dict[str, str]]:
    """Colours of the page by theme, read from its style."""
    css = (TEMPLATES / "page.css").read_text(encoding="utf-8")
    screen, printed = css.split("@media print")
    light, dark = screen.split("@media (prefers-color-scheme:dark)")
    found = {}
    for name, part in (("light", light), ("dark", dark), ("print", printed)):
        colours = dict(re.findall(r"--([a-z-]+):(#[0-9a-f]{3,6})", part))
        found[name] = {key: "#ffffff" if value == "#fff" else value for key, value in colours.items()}
    return found


def test_black_on_white_has_the_contrast_of_the_standard() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("theme", ["light", "dark", "print"])
@pytest.mark.parametrize("ink", ["ink", "quiet", "link", "alarm", "good"])
def test_text_reads_on_page_and_card(theme: str, ink: str) -> None:
    colours = themes()[theme]
    assert contrast(colours[ink], colours["paper"]) >= TEXT_CONTRAST
    assert contrast(colours[ink], colours["card"]) >= TEXT_CONTRAST


@pytest.mark.parametrize("theme", ["light", "dark", "print"])
@pytest.mark.parametrize("series", ["s-blue", "s-orange", "s-green", "s-grey", "s-pink"])
def test_series_stand_out_from_the_card(theme: str, series: str) -> None:
    colours = themes()[theme]
    assert contrast(colours[series], colours["card"]) >= GRAPHIC_CONTRAST


def test_colours_of_the_files_stand_out_on_white() -> None:
    assert all(contrast(series.colour, style.PAPER) >= GRAPHIC_CONTRAST for series in style.SERIES)
    assert contrast(style.INK, style.PAPER) >= TEXT_CONTRAST
    assert contrast(style.QUIET, style.PAPER) >= TEXT_CONTRAST


def test_no_two_series_or_verdicts_differ_by_colour_alone() -> None:
    assert len({series.marker for series in style.SERIES}) == 5
    assert len({str(series.line) for series in style.SERIES}) == 5
    assert len({series.marker for series, _ in style.VERDICTS.values()}) == len(style.VERDICTS)


def drawn(name: str, label: str = "a") -> str:
    """A small drawing."""
    with style.sheet(name) as page:
        style.dots(page.axes[0], [1], [0], style.SERIES[0])
        style.row_labels(page.axes[0], [label])
        return page.svg("A <title> & more")


def test_the_same_drawing_has_the_same_bytes_and_no_date() -> None:
    assert drawn("one") == drawn("one")
    assert "dc:date" not in drawn("one")


def test_the_title_is_inside_and_escaped() -> None:
    root = ET.fromstring(drawn("one"))
    assert root.attrib["role"] == "img"
    assert root[0].tag.endswith("title") and root[0].text == "A <title> & more"


def test_text_stays_text_whatever_it_looks_like() -> None:
    hostile = '$x^2$ <script> "a" 蛙'
    root = ET.fromstring(drawn("one", hostile))
    assert hostile in [element.text for element in root.iter() if element.tag.endswith("text")]


def test_settings_of_the_drawing_library_stay_as_they_were() -> None:
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    drawn("one")
    assert dict(mpl.rcParams) == before


@pytest.mark.parametrize(("label", "shown"), [("T-001", "T-001"), ("a" * 10 + "b" * 10, "aaaaaaaaa…bbbbbbbb")])
def test_long_labels_lose_their_middle(label: str, shown: str) -> None:
    assert style.shortened(label, 18) == shown
    assert len(style.shortened(label, 18)) <= 18 or label == shown


def test_a_missing_column_is_refused_by_name() -> None:
    with pytest.raises(Refused, match="figure of tanks needs the column 'verdict'"):
        style.require_columns(pd.DataFrame({"tank_id": []}), ["tank_id", "verdict"], "tanks")
