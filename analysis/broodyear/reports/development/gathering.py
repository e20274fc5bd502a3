"""The tables of the development report, worked out from derived tables: of a store, or frozen ones.

What the records can and cannot tell stands in sentences; what is found of the models is in the claims.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from broodyear.errors import BroodyearError
from broodyear.reports.development.results import MAIN_SCHEME, DevelopmentResults, results_of, rows_of, titled
from broodyear.reports.numbers import known
from broodyear.reports.rendering import phrase_lines
from broodyear.reports.sentences import state

if TYPE_CHECKING:
    from broodyear.development import DevelopmentAssessment, DevelopmentModel
    from broodyear.development.scoring.held_out_scores import DevelopmentScores
    from broodyear.reports.second_process import SecondProcess
    from broodyear.settings import Settings

#: The derived tables that everything on the page is worked out from.
FROZEN_TABLES = ("observed_stages", "tank_seasons", "daily_temperature")

#: Days after delivery at which the example of a forecast is made: early enough to have a fan to show.
EXAMPLE_AFTER_DAYS = 21
#: Tanks that are tried for that example.
_TRIED = 5
_FAN = (
    "day", "done_pct", "low_95", "low_80", "high_80", "high_95", "date", "is_recorded", "model", "tank_id",
    "stage",
)  # fmt: skip


@dataclass(frozen=True)
class Records:
    """The derived tables of FROZEN_TABLES by name, read once, the settings they were made with, and the models of
    one's own that are scored on them beside the published ones."""

    frames: Mapping[str, pd.DataFrame]
    settings: Settings
    models: Sequence[DevelopmentModel] = ()

    def result(self, name: str) -> pd.DataFrame:
        """A derived table, as a store gives it."""
        return self.frames[name]


def scored_records(records: Records, beside: SecondProcess | None = None) -> DevelopmentScores:
    """Models scored on the records, part of them `beside`.

    Raises NothingToAnalyse when no stage of any species can be scored.
    """
    from broodyear.development.scoring.assessment import compared_scores
    from broodyear.development.scoring.held_out_scores import Scoring, done_here

    ask = beside.ask if beside else done_here
    return compared_scores(records, Scoring(), models=records.models, ask=ask)


def gather_development(records: Records, scored: DevelopmentScores) -> DevelopmentResults:
    """The tables of the development report, from the scores of its records."""
    from broodyear.development.models.sources import cited_on_page, references
    from broodyear.development.scoring.assessment import assessed
    from broodyear.development.scoring.held_out_scores import DEFAULT_SEED

    found = assessed(scored)
    curves, pairs = _drawn_curves(found)
    frames = {name: value for name, value in vars(found).items() if isinstance(value, pd.DataFrame)}
    works = references(cited_on_page(found.coefficients, pairs, found.disagreements))
    return results_of(
        {
            **frames, "statements": statements_table(found), "copied": found.copied_sheets, "curves": curves,
            "pairs": pairs, "fan": _example_fan(records, found), "works": works,
        },
        settings=records.settings, models=records.models, seed=DEFAULT_SEED, claims=state(found.claims),
        shown=found.shown,
    )  # fmt: skip


def _drawn_curves(found: DevelopmentAssessment) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Curves and published measurements of every species and stage that was scored."""
    from broodyear.development.forecast.figure_data import curve_data, pairs_data

    curves, pairs = [], []
    for species, stage in found.shown:
        key = {"species": species, "stage": stage}
        curves.append(curve_data(found, species, stage).assign(**key))
        pairs.append(pairs_data(species, stage).assign(**key))
    return pd.concat(curves, ignore_index=True), pd.concat(pairs, ignore_index=True)


def _example_fan(records: Records, found: DevelopmentAssessment) -> pd.DataFrame:
    """The fan of the first tank of the last season that gives one, three weeks after its delivery."""
    from broodyear.development.forecast.figure_data import fan_data

    tanks, predicted = records.result("tank_seasons"), found.predictions
    latest = predicted[predicted["season"] == predicted["season"].max()].sort_values(["tank_id", "stage"])
    for tank_id, stage in latest[["tank_id", "stage"]].drop_duplicates().head(_TRIED).itertuples(index=False):
        one = tanks[(tanks["tank_id"] == tank_id) & (tanks["season"] == latest["season"].iloc[0])]
        if one.empty or pd.isna(one["delivered_on"].iloc[0]):
            continue
        as_of = (pd.Timestamp(one["delivered_on"].iloc[0]) + pd.Timedelta(days=EXAMPLE_AFTER_DAYS)).date()
        try:
            return fan_data(records, int(one["season"].iloc[0]), str(tank_id), str(stage), as_of, found.fits)
        except BroodyearError:
            continue  # this tank has no forecast; the next may have one
    return pd.DataFrame(columns=list(_FAN))


_WORDS = "development/statements.txt"
STATEMENT_COLUMNS = ("topic", "species", "stage", "sentence")
#: Own curves that constant units are held against, the first that was compared.
_CURVED = ("own_log_inverse", "own_exponential")
#: A shorter error (days) of days not read is lost among the looks, and not stated.
LEAST_STATED_GAP_DAYS = 0.25


def statements_table(found: DevelopmentAssessment) -> pd.DataFrame:
    """One row per sentence: STATEMENT_COLUMNS.

    Topics of each species and stage in order: data, band, suspects, intervals, first_seen; then copied and
    survivors.
    """
    topics = [(*one, key) for key in found.shown for one in _facts(found, *key)]
    sheets = found.copied_sheets.to_dict("records")
    topics += [("copied", {"sheet": sheet}, (sheet["species"], sheet["stage"])) for sheet in sheets]
    rows = [
        (topic, *key, sentence.unescape())
        for topic, facts, key in topics
        for sentence in phrase_lines(_WORDS, topic, place=titled(*key), **facts)
    ]
    rows += [("survivors", "", "", sentence.unescape()) for sentence in phrase_lines(_WORDS, "survivors")]
    return pd.DataFrame([row for row in rows if row[-1]], columns=list(STATEMENT_COLUMNS))


def _facts(found: DevelopmentAssessment, species: str, stage: str) -> list[tuple[str, dict[str, Any]]]:
    """Topics of a species and stage, each with what its sentences are made of."""
    from broodyear.development.scoring.comparisons import BASE, shows_no_curve
    from broodyear.development.scoring.score_cells import covers_otherwise

    scores, comparisons, first_seen, left_out, gaps = (
        rows_of(frame, species, stage)
        for frame in (found.scores, found.comparisons, found.first_seen, found.left_out, found.gaps)
    )
    main = scores[(scores["scheme"] == MAIN_SCHEME) & (scores["band"] == "all")]
    own = main[main["model"].str.startswith("own_")]
    carried = found.data[(species, stage)].records.gap_se_days
    data = {
        "used": {name: int(own[name].max()) for name in ("tanks", "batches")} if len(own) else None,
        "refused": own[own["unscored"] == "not_converged"].to_dict("records"),
        "left_out": left_out.to_dict("records"),
        "carried": carried[carried >= LEAST_STATED_GAP_DAYS].tolist(),
        "gaps": len(gaps),
        "alone": int((gaps["readings_wanted"] == 1).sum()),
    }
    curved = comparisons[comparisons["model"].isin(_CURVED) & (comparisons["against"] == BASE)]
    curved = curved.sort_values("model", key=lambda names: names.map(_CURVED.index)).head(1)
    bands = [{"row": row, "shows_no_curve": shows_no_curve(row)} for row in curved.to_dict("records")]
    of_first = main[main["model"].isin(found.shown[(species, stage)][:1]) & main["mae_days"].notna()]
    cells = of_first.head(1).to_dict("records")
    topics = [("data", data), *(("band", band) for band in bands)]
    for cell in cells:
        topics += [("suspects", {"row": cell})] if known(cell["mae_without_suspects"]) else []
        topics.append(("intervals", {"row": cell, "differs": covers_otherwise(cell)}))
    return [*topics, *(("first_seen", {"row": row}) for row in first_seen.head(1).to_dict("records"))]
