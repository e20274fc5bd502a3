"""The validation of the invented programme against what was planted in it.

Run: python -m pytest tests/benchmarks/development_planted_truth_test.py -s
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from broodyear.development import DevelopmentAssessment, assess_development
from broodyear.intake import load_paths
from broodyear.reports.development.gathering import statements_table
from broodyear.store import open_store
from broodyear.synthetic import simulate, write_uploads

SEEDS = (20240801, 7)
TEMPS_C = (7.0, 8.0, 9.0, 10.0)
#: The generating curve differs from every form, thermometers are off and batches few: days to half hatched are to
#: come back within this, and the sentence about bias is to hold.
MOST_ERROR_PCT = 4.0


@pytest.fixture(scope="module", params=SEEDS)
def planted(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[object, DevelopmentAssessment]:
    folder: Path = tmp_path_factory.mktemp("programme")
    programme = simulate(request.param)
    write_uploads(programme, folder / "uploads")
    with open_store(folder / "store.duckdb", for_loading=True) as store:
        load_paths(store, [str(folder / "uploads")])
    with open_store(folder / "store.duckdb") as store:
        return programme.truth, assess_development(store)


def test_true_days_to_hatch_come_back(planted: tuple[dict, DevelopmentAssessment]) -> None:
    truth, found = planted
    for (species, stage), models in found.shown.items():
        if stage != "hatch_half":
            continue
        days = truth["development"][species]["fertilisation to half hatched"]["days_at_c"]
        true = np.array([days[f"{temp:.1f}"] for temp in TEMPS_C])
        fit = found.fits[(species, stage)][models[0].removeprefix("own_")]
        limits = fit.interval(TEMPS_C)
        error_pct = 100.0 * (limits["days"].to_numpy() / true - 1.0)
        print(f"{species} {models[0]} {fit.tanks} tanks: error at {TEMPS_C} °C {error_pct.round(1)} %")
        assert np.abs(error_pct).max() < MOST_ERROR_PCT


def test_forecast_sheets_are_found_with_their_units(planted: tuple[dict, DevelopmentAssessment]) -> None:
    truth, found = planted
    print(found.copied_sheets.to_string())
    for _, sheet in found.copied_sheets.iterrows():
        assert sheet["stage"] == "hatch_half"
        assert sheet["units_c_days"] == pytest.approx(
            truth["forecast_sheet_units_c_days"][sheet["species"]], abs=5.0
        )


def test_first_seen_dates_make_every_model_look_early(planted: tuple[dict, DevelopmentAssessment]) -> None:
    _, found = planted
    print(
        found.first_seen[["species", "stage", "model", "bias_days", "bias_first_seen_days"]].round(2).to_string()
    )
    assert (found.first_seen["shift_days"] < -0.5).all()
    words = statements_table(found)["sentence"].str.cat(sep="\n")
    print(words)
    assert "it is the model" in words or "neither is biased beyond its error" in words
