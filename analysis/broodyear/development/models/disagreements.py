"""Where published models and published days to a stage contradict each other, and by how much."""

from __future__ import annotations

from numbers import Real

import pandas as pd

from broodyear.development.models.published import errors_against_pairs, known_models
from broodyear.errors import UsageError

_COLUMNS = [
    "species", "stage", "model", "model_event", "pair_set", "pair_event", "temp_c", "published_days",
    "published_low_days", "published_high_days", "predicted_days", "error_days", "error_pct", "is_in_range",
    "is_same_event", "is_flagged", "model_trust", "pair_trust", "pair_source", "note",
]  # fmt: skip


_OF_PAIRS = {
    "event": "pair_event", "days": "published_days", "days_low": "published_low_days",
    "days_high": "published_high_days", "trust": "pair_trust", "source": "pair_source",
}  # fmt: skip


def published_disagreements(least_pct: float = 0.0) -> pd.DataFrame:
    """Every published pair against every model of its species and stage, largest disagreement first.

    least_pct: leave out pairs that agree within this many per cent (0 keeps all). error_days and error_pct are
    predicted minus published (0 inside a published range). is_in_range: the pair lies at a temperature the model
    was tested at. is_same_event: False where, say, emergence is compared with ponding; part of such a difference
    is definition. is_flagged: the published value itself is doubtful.

    >>> (published_disagreements(10.0)["error_pct"].abs() >= 10.0).all()
    np.True_
    """
    if not isinstance(least_pct, Real):
        raise UsageError(f"a least disagreement is a number (%), but this is of type {type(least_pct).__name__}")
    models = known_models()
    of_model = models[["stage", "model", "event", "trust"]].rename(
        columns={"event": "model_event", "trust": "model_trust"}
    )
    renamed = errors_against_pairs(models).rename(columns=_OF_PAIRS).drop(columns="stage")
    table = renamed.join(of_model, on="number")
    table = table[table["error_pct"].abs() >= least_pct]
    order = table["error_pct"].abs().sort_values(ascending=False, kind="stable").index
    return table.loc[order, _COLUMNS].reset_index(drop=True)
