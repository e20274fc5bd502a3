"""Held-out scores, the pitfall of first-seen dates, and what the records can tell."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
from tests.development.programmes import is_midway

from broodyear.claims import ClaimKind
from broodyear.development import DevelopmentModel, assess_development, score_development
from broodyear.development.scoring.cross_validation import blocks_of
from broodyear.development.scoring.held_out_scores import SCORE_COLUMNS, Scoring, score_everything
from broodyear.errors import NothingToAnalyse
from broodyear.reports.development.gathering import statements_table

# Columns that others read, by contract.
CONTRACT = (
    "species", "stage", "model", "scheme", "band", "tanks", "batches", "bias_days", "bias_low", "bias_high",
    "mae_days", "coverage_50", "coverage_80", "coverage_95", "log_score", "skill_vs_constant",
)  # fmt: skip
# Looks on weekdays at the end of the day: lags of 0.5 d on four intervals of one day and 1.5 d on one of three,
# weighted by their length, (4 · 0.5 + 3 · 1.5) / 7.
WEEKDAY_LAG_DAYS = 0.929


@pytest.fixture(scope="module")
def scored(programme: Any) -> Any:
    return score_everything(programme.frame, Scoring(schemes=("batch_out",)), daily=programme.daily)


def test_columns_are_those_of_the_contract(scored: Any) -> None:
    assert set(CONTRACT) <= set(scored.scores.columns)
    assert tuple(scored.scores.columns) == SCORE_COLUMNS
    assert set(scored.scores["model"]) == {
        "own_constant_units", "own_exponential", "own_log_inverse",
        "fit_Heming1982_chinook_hatch", "Heming1982_chinook_hatch_constant_units",
    }  # fmt: skip
    assert set(scored.scores["band"]) == {"all", "<5", "5-7", "7-9", "9-11", ">11"}


def test_an_unbiased_model_scored_by_first_seen_dates_looks_a_day_early(simulate: Callable[..., Any]) -> None:
    """Truth itself is scored: the curve that made the dates, no spread between batches to blur it."""
    made = simulate(7, tanks=400, batches=20, batch_sd=0.0)
    table = score_development(made.frame, daily=made.daily, forms=("log_inverse",), schemes=("batch_out",))
    cell = table[(table["model"] == "own_log_inverse") & (table["band"] == "all")].iloc[0]
    assert cell["bias_first_seen_days"] == pytest.approx(-WEEKDAY_LAG_DAYS, abs=0.12)
    assert cell["bias_days"] == pytest.approx(0.0, abs=0.12)
    assert cell["bias_low"] <= 0.0 <= cell["bias_high"]
    assert cell["mae_days"] < cell["mae_first_seen_days"]


def test_curved_truth_is_predicted_better_by_the_curve(scored: Any) -> None:
    main = scored.scores.query("band == 'all'").set_index("model")
    assert main.loc["own_log_inverse", "log_score"] > main.loc["own_constant_units", "log_score"]
    assert main.loc["own_log_inverse", "skill_vs_constant"] > 0
    assert main.loc["own_constant_units", "skill_vs_constant"] == 0.0
    assert abs(main.loc["own_log_inverse", "bias_days"]) < 2.5 * main.loc["own_log_inverse", "bias_se"]


def test_coverage_is_near_what_is_stated(scored: Any) -> None:
    cell = scored.scores.query("band == 'all' and model == 'own_log_inverse'").iloc[0]
    # 15 batches carry the uncertainty: one of them off by two SDs moves 7 % of the tanks.
    assert cell["coverage_50"] == pytest.approx(50, abs=15)
    assert cell["coverage_80"] == pytest.approx(80, abs=12)
    assert cell["coverage_95"] == pytest.approx(95, abs=8)
    assert cell["pit_mean"] == pytest.approx(0.5, abs=0.12)
    assert cell["pit_sd"] == pytest.approx(0.289, abs=0.05)


def test_a_bias_lies_between_its_limits(scored: Any) -> None:
    told = scored.scores[scored.scores["bias_low"].notna()]
    assert len(told) and (told["bias_low"] < told["bias_days"]).all()
    assert is_midway(told)


def test_thin_cells_are_blank_with_a_note(scored: Any) -> None:
    blank = scored.scores[scored.scores["mae_days"].isna()]
    assert len(blank)
    assert (blank["batches"] < 3).all()
    assert set(blank["unscored"]) <= {"too_few_batches", "no_tanks", "outside_tested"}
    assert blank["note"].str.contains("suppressed|no tank").all()
    assert blank[["bias_days", "coverage_95", "log_score"]].isna().all(axis=None)


def test_stages_looked_for_too_seldom_tell_no_error(programme: Any) -> None:
    frame = programme.frame.assign(
        absent_day=programme.frame["absent_day"] - 25.0, seen_day=programme.frame["seen_day"] + 25.0
    )
    table = score_development(frame, daily=programme.daily, forms=("constant_units",), schemes=("batch_out",))
    is_published = ~table["model"].str.startswith("own_")
    cell = table[is_published & (table["band"] == "all") & table["log_score"].notna()].iloc[0]
    assert cell[["bias_days", "bias_low", "bias_high", "mae_days", "coverage_95"]].isna().all()
    assert cell["note"].startswith("cannot be told: one shift of the predictions by -")
    assert cell["note"].endswith(" days fits all that was seen")
    assert np.isfinite(cell["log_score"]) and cell["unscored"] == "looks_too_far_apart"


def test_spreads_that_do_not_settle_leave_the_errors_blank_and_say_so(
    programme: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A search that finds no terms, as where nothing holds a coefficient: the fits and their dates stay scored."""
    monkeypatch.setattr("broodyear.development.likelihood.crossed_search.MOST_OFF", -1.0)
    table = score_development(
        programme.frame, daily=programme.daily, forms=("constant_units",), schemes=("batch_out",)
    )
    cell = table[(table["model"] == "own_constant_units") & (table["band"] == "all")].iloc[0]
    assert cell[["bias_days", "bias_low", "bias_high", "p_value", "mae_days", "coverage_95"]].isna().all()
    assert cell["note"].startswith("cannot be told: the spreads between batches and sites could not be estimated")
    assert np.isfinite(cell["log_score"]) and cell["unscored"] == "spreads_unknown"


def test_what_is_not_scored_says_why_in_a_column(programme: Any) -> None:
    """Two sites; two stocks of many batches and one of a single batch; a model tested in warmer water alone."""
    batch = programme.frame["batch_id"].str[1:].astype(int)
    first = (batch == 0) & (programme.frame["season"] == programme.frame.loc[batch == 0, "season"].min())
    frame = programme.frame.assign(
        site_id=np.where(programme.frame.index % 2 == 0, "S1", "S2"),
        donor_stock=np.where(first, "C", np.where(batch % 2 == 0, "A", "B")),
    )
    warm = DevelopmentModel(
        "warm", "chinook", "hatch_half", "constant_units", {"K": 500.0}, valid_low_c=25.0, valid_high_c=28.0
    )
    found = assess_development(
        frame, daily=programme.daily, schemes=("batch_out",), forms=("constant_units",), models=[warm]
    )
    table = found.scores[found.scores["band"] == "all"].set_index(["model", "donor_stock"]).sort_index()
    row = table.loc[("own_constant_units", "")]
    assert (row["sites"], row["unscored"]) == (2, "too_few_sites")
    assert np.isfinite(row["bias_days"]) and np.isnan(row[["bias_low", "p_value"]].astype(float)).all()
    stocks = table.loc["own_constant_units"].drop("")
    assert stocks["unscored"].to_dict() == {"A": "too_few_sites", "B": "too_few_sites", "C": "too_few_batches"}
    assert stocks["p_value"].isna().all()
    assert table.loc[("warm", ""), "unscored"] == "outside_tested"
    against = found.comparisons[(found.comparisons["model"] == "warm") | (found.comparisons["against"] == "warm")]
    assert len(against) and (against["tanks"] == 0).all()


def test_same_seed_same_numbers(programme: Any) -> None:
    part = programme.frame.iloc[:120]
    options: dict[str, Any] = {"daily": programme.daily, "forms": ("exponential",), "schemes": ("season_out",)}
    pd.testing.assert_frame_equal(score_development(part, **options), score_development(part, **options))


def test_schemes_leave_out_whole_blocks(programme: Any) -> None:
    table = score_development(programme.frame, daily=programme.daily, forms=("constant_units",))
    blocks = table.query("model == 'own_constant_units' and band == 'all'").set_index("scheme")["blocks"]
    assert blocks.to_dict() == {"batch_out": 15, "site_out": 12, "season_out": 4}
    dealt = blocks_of(programme.frame["site_id"], "site_out")
    assert pd.Series(dealt).groupby(programme.frame["site_id"].to_numpy()).nunique().max() == 1


def test_one_season_cannot_be_left_out(programme: Any) -> None:
    one = programme.frame.assign(season=2024)
    table = score_development(one, daily=programme.daily, forms=("constant_units",), schemes=("season_out",))
    row = table.query("model == 'own_constant_units' and band == 'all'").iloc[0]
    assert row["tanks"] == 0
    assert "only one block" in row["note"]


def test_a_narrow_band_is_said_to_tell_nothing(simulate: Callable[..., Any]) -> None:
    made = simulate(3, tanks=150, batches=12, low_c=7.2, high_c=8.8)
    found = assess_development(made.frame, daily=made.daily, schemes=("batch_out",))
    refused = found.scores[found.scores["note"].str.startswith("refused", na=False)]
    assert refused["model"].tolist() == ["own_log_inverse"]
    assert "cannot tell the constants" in refused["note"].item()
    words = " ".join(statements_table(found)["sentence"])
    assert "this programme's own fit, log-inverse is refused" in words
    assert not found.comparisons["is_told_apart"].any()


def test_one_batch_only_is_a_sentence_and_no_own_score(programme: Any) -> None:
    single = programme.frame.assign(batch_id="only")
    table = score_development(single, daily=programme.daily, schemes=("batch_out",))
    own = table[table["model"].str.startswith("own_")]
    assert own["mae_days"].isna().all()
    assert own["note"].str.contains("at least 3 are needed").all()


def test_nothing_to_score_is_said(programme: Any) -> None:
    frame = programme.frame.assign(dating="copied_from_forecast")
    copied = "no stage has a tank that can be scored: date copied from a forecast, by its own word (200)"
    with pytest.raises(NothingToAnalyse) as told:
        score_development(frame, daily=programme.daily)
    assert str(told.value) == copied
    with pytest.raises(NothingToAnalyse, match=r": no stage is on record$"):
        score_development(frame.assign(stage="eyed"), daily=programme.daily)


def test_warm_thermometers_are_told_from_a_biased_model(simulate: Callable[..., Any]) -> None:
    """Hand-read tanks whose thermometers read 0.8 °C warm; loggers read true. The model is the truth itself."""
    made = simulate(21, tanks=300, batches=15, batch_sd=0.01)
    rng = np.random.default_rng(1)
    is_logger = rng.uniform(size=300) < 0.5
    daily = {
        tank: temps + (0.0 if logger else 0.8)
        for (tank, temps), logger in zip(made.daily.items(), is_logger, strict=True)
    }
    frame = made.frame.assign(logger_pct=np.where(is_logger, 100.0, 0.0))
    found = assess_development(frame, daily=daily, schemes=("batch_out",))
    rows = found.thermometers[found.thermometers["model"] == "fit_Heming1982_chinook_hatch"].set_index("read_by")
    assert is_midway(rows)
    assert rows.loc["logger", "bias_low"] <= 0.3
    assert rows.loc["hand", "bias_high"] < 0.0  # too warm a reading predicts too early
    assert rows.loc["hand", "implied_offset_c"] == pytest.approx(0.8, abs=0.35)
    (told,) = [
        claim for claim in found.claims if claim.kind is ClaimKind.THERMOMETER and claim.subject.startswith("fit_")
    ]
    assert told.is_claimed and told.estimate < 0 and told.level == "chinook hatch_half"


def test_assessment_lists_every_pair_that_disagrees_and_every_exclusion(programme: Any) -> None:
    frame = programme.frame.copy()
    frame.loc[:9, "dating"] = "copied_from_forecast"
    found = assess_development(frame, daily=programme.daily, schemes=("batch_out",), forms=("constant_units",))
    assert found.left_out["rows"].sum() == 10
    assert found.disagreements["error_pct"].abs().min() >= 3.0
    assert {"data", "intervals", "first_seen", "survivors"} <= set(statements_table(found)["topic"])
    assert found.predictions["predicted_day"].notna().any()
    models = set(found.coefficients["model"])
    assert {one for one in models if one.startswith("own_")} == {"own_constant_units"} < models
