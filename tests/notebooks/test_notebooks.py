"""The notebooks run from their first cell to their last on the invented programme's export, and hold no output."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pytest
from tests.built_once import ROOT, built_once

from broodyear.intake import load_paths, suspicions
from broodyear.store import export_store, open_store
from broodyear.synthetic import simulate, write_uploads

FOLDER = ROOT / "analysis" / "notebooks"
NAMES = sorted(place.name for place in FOLDER.iterdir())
#: Two libraries stop their search a little apart.
AGREES = 1e-4
#: The demonstration in small, with batches enough for a score.
SIZE = {"seasons": 2, "tanks": 44, "regions": 3, "logger_interval_minutes": 720}


def code_cells(name: str) -> list[str]:
    notebook = json.loads((FOLDER / name).read_text(encoding="utf-8"))
    return ["".join(cell["source"]) for cell in notebook["cells"] if cell["cell_type"] == "code"]


@pytest.fixture
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which demo/export is, as the notebooks ask for."""

    def build(folder: Path) -> None:
        write_uploads(simulate(1, **SIZE), folder / "uploads")
        with (
            open_store(folder / "programme.duckdb", for_loading=True) as store,
            pytest.MonkeyPatch.context() as patched,
        ):
            patched.setattr(suspicions, "find_suspicions", lambda *given: [])  # no notebook reads them
            load_paths(store, [str(folder / "uploads")])
        with open_store(folder / "programme.duckdb") as store:
            export_store(store, folder / "demo" / "export", "csv")

    return built_once(tmp_path_factory, "exported", build)


def test_there_are_three() -> None:
    assert NAMES == ["annual_review.ipynb", "regions.ipynb", "validate_a_model.ipynb"]


@pytest.mark.parametrize("name", NAMES)
def test_a_notebook_runs_as_it_stands(name: str, demo_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(demo_folder)
    names: dict[str, Any] = {}
    for number, cell in enumerate(code_cells(name), 1):
        exec(compile(cell, f"{name}, code cell {number}", "exec"), names)
    plt.close("all")
    if name == "annual_review.ipynb":
        assert 0 < names["account"]["left alive, reported (%)"] <= 100
        assert names["axes"].get_xlabel() and set(names["effects"]) >= {"estimate", "p_value"}
        beside = names["beside"]
        np.testing.assert_allclose(beside["estimate"], beside["second_estimate"], rtol=AGREES)
        np.testing.assert_allclose(beside["std_error"], beside["second_error"], rtol=AGREES)
    elif name == "regions.ipynb":
        assert len(names["found"].rows) and len(names["claims"])
    else:
        assert names["overall"]["model"].eq("mine").any() and names["overall"]["bias_days"].notna().any()


@pytest.mark.parametrize("name", NAMES)
def test_a_notebook_holds_no_output(name: str) -> None:
    notebook = json.loads((FOLDER / name).read_text(encoding="utf-8"))
    code = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in code)
