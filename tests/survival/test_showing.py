"""A fit to look at: its text, its HTML, its axes."""

from __future__ import annotations

import matplotlib.pyplot as plt
import pandas as pd
import pytest

from broodyear.figures.style import SERIES
from broodyear.survival import SurvivalFit, fit_survival


@pytest.fixture(scope="module")
def fit(seeds: pd.DataFrame) -> SurvivalFit:
    return fit_survival(seeds, "extract", survived="r", trials="n", groups="plate")


def test_the_summary_says_what_was_fitted_to_what(fit: SurvivalFit) -> None:
    text = fit.summary()
    assert text.startswith("Survival of r out of n on extract, by method mixed\n21 rows given, 21 used")
    assert "SD between levels, log-odds: plate 0." in text
    for term, estimate in fit.effects["estimate"].items():
        assert str(term) in text and f"{estimate:.4g}" in text


def test_html_escapes_what_came_from_records(seeds: pd.DataFrame) -> None:
    renamed = seeds.assign(extract=seeds["extract"].astype(str) + "<b>")
    shown = fit_survival(renamed, "extract", survived="r", trials="n", groups="plate")._repr_html_()
    assert "<table" in shown and "<b>" not in shown and "&lt;b&gt;" in shown


def test_the_plot_draws_each_effect_on_the_axes_given(fit: SurvivalFit) -> None:
    figure, axes = plt.subplots()
    assert fit.plot(axes) is axes
    labels = [label.get_text() for label in axes.get_yticklabels()]
    assert labels == [str(term) for term in fit.effects.index if term != "Intercept"]
    drawn = [list(line.get_xdata()) for line in axes.lines if line.get_marker() == SERIES[0].marker]
    assert drawn[0] == pytest.approx(fit.effects["estimate"].drop("Intercept").tolist())
    own = fit.plot()
    assert own is not axes and own.get_xlabel().startswith("effect on the log-odds")
    plt.close(figure)
    plt.close(own.figure)
