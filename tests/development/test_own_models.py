"""Models of one's own: checked with every problem at once, their uncertainty, and the file they come in."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from broodyear import DevelopmentModel, fit_development, forecast_day, score_development
from broodyear.development import days_to_stage, read_models
from broodyear.errors import UsageError

UNITS: dict[str, Any] = {
    "name": "mine", "species": "chinook", "stage": "hatch_half", "form": "constant_units",
    "coefficients": {"K": 540.0},
}  # fmt: skip


def test_it_is_taken_where_a_published_name_is() -> None:
    mine = DevelopmentModel(**UNITS, valid_low_c=4.0, valid_high_c=14.0)
    assert days_to_stage(mine, 9.0) == 60.0
    assert forecast_day(mine, [9.0] * 70) == pytest.approx(60.0)


def test_covariance_widens_its_predictions() -> None:
    """By hand: ln D = a − bT, so the variance of ln D at 8 °C is va + 64 vb − 16 cov."""
    covariance = [[0.0004, 0.00003], [0.00003, 0.000004]]
    mine = DevelopmentModel("mine", "coho", "hatch_half", "exponential", {"a": 5.5, "b": 0.15}, covariance)
    expected = math.sqrt(0.0004 + 64 * 0.000004 - 16 * 0.00003)
    assert mine.log_days_se(8.0)[0] == pytest.approx(expected, rel=1e-6)
    row = mine.interval(8.0).iloc[0]
    assert row["high"] / row["days"] == pytest.approx(math.exp(1.959964 * expected), rel=1e-6)
    assert np.isnan(DevelopmentModel(**UNITS).interval(8.0)["low"].iloc[0])


def test_every_problem_is_told_at_once() -> None:
    with pytest.raises(UsageError) as caught:
        DevelopmentModel(
            "own_x", "", "hatched", "power", {"a": 1.0}, spread_log_sd=-1, valid_low_c=9, valid_high_c=4
        )
    text = str(caught.value)
    for part in (
        "names that begin with own_ are those of fits made here",
        "the species is ''",
        "stage is 'hatched'; expected one of eyed,",
        "valid_low_c 9 is not below valid_high_c 4",
        "spread_log_sd is -1",
        "the form power takes the coefficients a, alpha, b, but a were given",
    ):
        assert part in text


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"coefficients": None}, "takes the coefficients K, but None were given"),
        ({"coefficients": {"K": "540"}}, "K is '540'; expected a number"),
        ({"coefficients": {"K": True}}, "K is True; expected a number"),
        ({"coefficients": {"K": -540.0}}, "no days above 0 at any temperature"),
        ({"covariance": [[1.0, 2.0]]}, "covariance has the shape (1, 2); expected 1 by 1 numbers"),
        ({"covariance": [[-1.0]]}, "variances of 0 and above"),
        ({"covariance": "wide"}, "covariance is not a table of numbers"),
        ({"counted_from": "delivery"}, "counted_from is 'delivery'; expected one of fertilisation, hatch"),
        ({"name": None}, "the name is None; expected a text"),
        (
            {"form": "exponential", "coefficients": {"a": 3.2, "b": -0.14}},
            "the days rise with temperature, from 42.95 at 4 °C to 131.6 at 12 °C; expected fewer in "
            "warmer water: is a sign the wrong way round?",
        ),
    ],
)
def test_single_problems_say_what_was_expected(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(UsageError, match=re.escape(said)):
        DevelopmentModel(**(UNITS | changes))


MODEL = """
[[model]]
name = "mine"
species = "chinook"
stage = "hatch_half"
form = "exponential"
coefficients = { a = 5.6, b = 0.14 }
covariance = [[0.0004, 0.00003], [0.00003, 0.000004]]
valid_low_c = 5
valid_high_c = 12.0
"""


def test_a_file_of_models_is_read(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(MODEL, encoding="utf-8")
    (mine,) = read_models(file)
    assert days_to_stage(mine, 8.0) == pytest.approx(math.exp(5.6 - 0.14 * 8))
    assert mine.covariance.shape == (2, 2)


def test_a_bad_file_tells_every_problem_of_every_model(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    twice = MODEL.replace("stage =", "stag =") + MODEL.replace('"mine"', '"BM1990_chinook_emergence"')
    file.write_text("other = 1\n" + twice + MODEL.replace("5.6", '"5.6"'), encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        read_models(file)
    text = str(caught.value)
    for part in (
        "mine.toml: unknown entry 'other'", "model 1: unknown key 'stag'", "model 1: stage not given",
        "model 3: mine: a is '5.6'; expected a number", "'BM1990_chinook_emergence' is that of a published model",
    ):  # fmt: skip
        assert part in text
    for content, said in (
        ("", "no [[model]] entry"),
        ("model = 3", "no [[model]] entry"),
        ("[[model", "not a TOML"),
    ):
        file.write_text(content, encoding="utf-8")
        with pytest.raises(UsageError) as caught:
            read_models(file)
        assert said in str(caught.value)
    with pytest.raises(UsageError, match="does not exist"):
        read_models(tmp_path / "none.toml")


def test_it_is_scored_beside_every_published_model_on_the_same_tanks(programme: Any) -> None:
    true = DevelopmentModel("the truth", "chinook", "hatch_half", "log_inverse", dict(programme.true.coefficients))
    options: dict[str, Any] = {"daily": programme.daily, "schemes": ("batch_out",), "forms": ("constant_units",)}
    table = score_development(programme.frame, models=[true], **options)
    whole = table[table["band"] == "all"].set_index("model")
    assert {"the truth", "fit_Heming1982_chinook_hatch", "own_constant_units"} <= set(whole.index)
    row = whole.loc["the truth"]
    assert row["bias_low"] <= 0.0 <= row["bias_high"]
    assert row["skill_vs_constant"] > 0.0
    with pytest.raises(
        UsageError, match="is a DevelopmentModel or the name of a published model, but int was given"
    ):
        score_development(programme.frame, models=[3], **options)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"schemes": ("tank_out",)}, "schemes are ('tank_out',); expected a list of some of batch_out, site_out"),
        ({"stages": "hatch_half"}, "stages are 'hatch_half'; expected a list of some of hatch_half, button_up"),
        ({"forms": 3}, "forms are 3; expected a list of some of constant_units, power, log_inverse, exponential"),
        ({"folds": 5}, "unknown: folds; expected stages, schemes, forms, seed"),
    ],
)  # fmt: skip
def test_what_cannot_be_asked_of_scores_is_said(programme: Any, options: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError, match=re.escape(words)):
        score_development(programme.frame, daily=programme.daily, **options)


def test_a_model_of_another_species_has_a_row_that_says_why_it_is_not_scored(programme: Any) -> None:
    other = DevelopmentModel(**(UNITS | {"species": "coho"}))
    options: dict[str, Any] = {"daily": programme.daily, "schemes": ("batch_out",), "forms": ("constant_units",)}
    scores = score_development(programme.frame, models=[other], **options)
    mine = scores[scores["model"] == "mine"]
    assert mine[["unscored", "note", "tanks"]].to_numpy().tolist() == [
        ["no_tanks", "no tank of coho with this stage can be scored", 0]
    ]
    assert mine["bias_days"].isna().all()


def test_a_fit_given_for_a_model_is_told_how_it_becomes_one(programme: Any) -> None:
    fit = fit_development(pd.DataFrame({"temp_c": [4.0, 6, 8], "days": [120.0, 82, 60]}), "constant_units")
    with pytest.raises(UsageError) as error:
        score_development(programme.frame, daily=programme.daily, models=[fit])
    assert str(error.value) == (
        "a model to score is a DevelopmentModel or the name of a published model, but DevelopmentFit was given; a "
        "fit gives its model by fit.as_model(name, species, stage)"
    )
