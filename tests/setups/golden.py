"""Reading the published and computed values kept under tests/golden/setups."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np

FOLDER = Path(__file__).parents[1] / "golden" / "setups"


def check(file: str, name: str) -> dict[str, Any]:
    """One golden check: id, value, tolerance, how it was made, and its source where published."""
    checks = json.loads((FOLDER / file).read_text())["checks"]
    return next(entry for entry in checks if entry["id"] == name)


def counts(file: str) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Unit labels, successes and trials of a golden data file."""
    with (FOLDER / file).open() as handle:
        rows = list(csv.DictReader(handle))
    return [row["unit"] for row in rows], *(np.array([float(row[name]) for row in rows]) for name in ("r", "n"))


def assert_matches(got: Any, want: Any, tolerance: dict[str, float]) -> None:
    """|got - want| <= abs + rel x |want|, the rule stated in the golden files."""
    np.testing.assert_allclose(got, want, rtol=tolerance.get("rel", 0.0), atol=tolerance.get("abs", 0.0))
