"""Models of development scored on tanks they were not fitted to."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from broodyear.claims import Reason
from broodyear.development.likelihood.crossed import Work, worked_out
from broodyear.development.models.forms import FITTED_FORMS, NOMINAL
from broodyear.development.models.own_models import DevelopmentModel, name_problems, nominal_models
from broodyear.development.models.published import model_row
from broodyear.development.scoring.cross_validation import (
    MAIN_SCHEME,
    SCHEMES,
    HeldOut,
    blocks_of,
    folds_of,
    hold_out,
    matrix_of,
    own_predictors,
    published_predictors,
)
from broodyear.development.scoring.record_checks import CopiedDates, find_copied_dates, left_out_for_gaps
from broodyear.development.scoring.score_cells import MEASURES, Rows, rows_wanted
from broodyear.development.scoring.stage_data import (
    SCORED_FORMS,
    StageData,
    StageRecords,
    completed,
    fitted_stages,
    stage_records,
    stage_rows,
)
from broodyear.errors import NothingToAnalyse, UsageError
from broodyear.settings import Settings
from broodyear.shown import ShownFrame, ShownResult, Shows, shown

#: Begins a piece of work, of a function of a module and what it is given; what comes back gives its result.
Ask = Callable[..., Callable[[], Any]]

# A tank may not have reached the model's events otherwise: eyed eggs are delivered eyed, feeding is an action.
SCORED_STAGES = ("hatch_half", "button_up")
DEFAULT_SEED = 20240801
SCORE_COLUMNS = (
    "species", "stage", "model", "scheme", "band", "tanks", "batches", "bias_days", "bias_low", "bias_high",
    "mae_days", "coverage_50", "coverage_80", "coverage_95", "log_score", "skill_vs_constant", "bias_se",
    "p_value", "donor_stock", "suspects", "bias_without_suspects", "mae_without_suspects",
    "coverage_95_without_suspects", "interval_distance_days", "bias_first_seen_days", "mae_first_seen_days",
    "pit_mean", "pit_sd", "blocks", "tanks_outside_tested", "sites", "hour_days", "unscored", "note",
)  # fmt: skip


#: What a frame of scores tells and draws: the bias of every model over all temperatures and stocks.
SCORES_SHOW = Shows(
    "Bias of models, one batch left out at a time", ("species", "stage", "model"), "bias_days", "bias_low",
    "bias_high", "predicted − actual, days", {"scheme": "batch_out", "band": "all", "donor_stock": ""},
)  # fmt: skip


@dataclass(frozen=True)
class Scoring:
    """How models are scored: which stages, leaving out what, own fits of which forms; seed: of the randomised
    probability transforms."""

    stages: Sequence[str] = SCORED_STAGES
    schemes: Sequence[str] = tuple(SCHEMES)
    forms: Sequence[str] = SCORED_FORMS
    seed: int = DEFAULT_SEED

    def __post_init__(self) -> None:
        """UsageError for what is not a list of known words."""
        for name, known in (("stages", SCORED_STAGES), ("schemes", tuple(SCHEMES)), ("forms", FITTED_FORMS)):
            given = getattr(self, name)
            words = () if isinstance(given, str) or not isinstance(given, Iterable) else tuple(given)
            if not words or not set(words) <= set(known):
                raise UsageError(f"{name} are {given!r}; expected a list of some of {', '.join(known)}")


@dataclass(frozen=True)
class Predicted:
    """Species and stages with the predictions of their tanks.

    data: by (species, stage); held_out: by (species, stage, model, scheme).
    """

    data: Mapping[tuple[str, str], StageData]
    held_out: Mapping[tuple[str, str, str, str], HeldOut]


#: Rows of tables by the name of the table, and works that give them.
Tables = dict[str, Rows]
Works = Mapping[str, Sequence[Work[Rows]]]


@dataclass(frozen=True)
class DevelopmentScores(Predicted, ShownResult):
    """Everything the validation found.

    scores: rows of scores.csv; copied: dates copied from a forecast; left_out: frame species, stage, reason, rows;
    gaps: stages left out for days without readings; beside: rows of what else was worked out of the predictions.
    """

    scores: pd.DataFrame
    copied: CopiedDates
    left_out: pd.DataFrame
    gaps: pd.DataFrame
    beside: Tables
    main, shows = "scores", SCORES_SHOW


def done_here(work: Callable[..., Any], *given: Any) -> Callable[[], Any]:
    """Do a piece of work here, when its result is wanted."""
    return lambda: work(*given)


def score_development(source: Any, *, daily: Any = None, models: Sequence[Any] = (), **how: Any) -> ShownFrame:
    """The rows of scores.csv: models scored by leaving out one batch, one site, one season at a time.

    source: an open store, a mapping of the derived tables observed_stages, daily_temperature and tank_seasons, or
    one frame of tank records (as ``fit_development`` takes them, daily too) with species, stage, and where known
    site_id and season. models: DevelopmentModel of one's own, or names of published ones, scored beside every
    published model of their species and stage; how: stages, forms, schemes and seed. Own fits are named own_<form>
    and refitted inside each fold; published models stay as they are. Cells with fewer than 3 batches are blank
    with a note.

    >>> tanks = pd.DataFrame({"tank_id": range(32), "daily_temp_c": [6.0, 7, 8, 9, 10, 11, 8, 9] * 4})
    >>> tanks["batch_id"] = tanks["tank_id"] % 4
    >>> hatched = (500 / tanks["daily_temp_c"] * (0.97 + 0.02 * tanks["batch_id"])) // 1
    >>> looked_at = tanks.assign(species="coho", absent_day=hatched - 1, seen_day=hatched + 1)
    >>> scores = score_development(looked_at, forms=("constant_units",), schemes=("batch_out",))
    >>> whole = scores[(scores["model"] == "own_constant_units") & (scores["band"] == "all")]
    >>> int(whole["tanks"].iloc[0]), int(whole["batches"].iloc[0]), bool(whole["bias_days"].abs().iloc[0] < 1)
    (32, 4, True)
    """
    from broodyear.schemas.frames import checked

    if isinstance(source, pd.DataFrame):
        checked(source, "tank_records")
    if unknown := sorted(set(how) - set(Scoring.__dataclass_fields__)):
        raise UsageError(f"unknown: {', '.join(unknown)}; expected {', '.join(Scoring.__dataclass_fields__)}")
    found = score_everything(source, Scoring(**how), daily=daily, models=models)
    return shown(checked(found.scores, "scores"), SCORES_SHOW)


def score_everything(
    source: Any,
    how: Scoring,
    *,
    daily: Any = None,
    models: Sequence[Any] = (),
    ask: Ask = done_here,
    beside: Callable[[Predicted], Works] | None = None,
) -> DevelopmentScores:
    """Scores with the fits, predictions and exclusions behind them.

    daily: the tanks' temperatures, where source is one frame; models: DevelopmentModel of one's own, or names of
    published models, scored beside every published model of their species and stage; ask: has species and stages
    scored, perhaps in another process; beside: what else is to be worked out there of the predictions. Raises
    NothingToAnalyse when no stage of any species can be scored, UsageError for models that are neither or share a
    name.
    """
    chosen = (*nominal_models(getattr(source, "settings", Settings())), *_checked_models(models))
    rows = source if isinstance(source, pd.DataFrame) else stage_rows(source)
    rows = completed(rows)
    copied = find_copied_dates(rows)
    records, left_out = stage_records(rows, copied, daily, how.stages, chosen)
    if not records:
        raise _nothing_scored(left_out)
    answers = [ask(scored_stages, {at: records[at] for at in half}, how, beside) for half in _halves(records)]
    # From the last on, while another process takes them from the first on.
    halves = [answer() for answer in reversed(answers)]
    data = {key: one for found, _ in halves for key, one in found.data.items()}
    tables = {name: [row for _, rows_of in halves for row in rows_of[name]] for name in halves[0][1]}
    tables["scores"] += _unscored(list(records), chosen)
    return DevelopmentScores(
        dict(sorted(data.items())),
        {key: held for found, _ in halves for key, held in found.held_out.items()},
        in_order(tables.pop("scores"), SCORE_COLUMNS),
        copied,
        left_out,
        left_out_for_gaps(rows),
        tables,
    )


def in_order(rows: Rows, columns: Sequence[str]) -> pd.DataFrame:
    """Rows of several stages as a frame, by species and stage."""
    frame = pd.DataFrame(rows, columns=list(columns))
    return frame.sort_values(["species", "stage"], kind="stable", ignore_index=True)


def _nothing_scored(left_out: pd.DataFrame) -> NothingToAnalyse:
    """What keeps every stage from being scored, the reason of most rows first."""
    rows = left_out.groupby("reason", sort=True)["rows"].sum().sort_values(ascending=False, kind="stable")
    reasons = "; ".join(f"{reason} ({count})" for reason, count in rows.items())
    return NothingToAnalyse(f"no stage has a tank that can be scored: {reasons or 'no stage is on record'}")


def _halves(records: Sequence[StageRecords]) -> list[list[int]]:
    """The stages in two parts of about as many tanks: what is scored together takes less time."""
    halves: tuple[list[int], list[int]] = ([], [])
    tanks = [0, 0]
    for at in sorted(range(len(records)), key=lambda at: -len(records[at].rows)):
        lighter = int(tanks[1] < tanks[0])
        halves[lighter].append(at)
        tanks[lighter] += len(records[at].rows)
    return [half for half in halves if half]


def scored_stages(
    records: Mapping[int, StageRecords], how: Scoring, beside: Callable[[Predicted], Works] | None = None
) -> tuple[Predicted, Tables]:
    """Species and stages by their number, with fits and predictions, their scores, and the rows of what is worked
    out beside them.

    On one linear-algebra thread: sums are rounded as threads share them out, and this may run in another process.
    """
    with threadpool_limits(limits=1, user_api="blas"):
        stages = fitted_stages(list(records.values()), how.forms)
        predicted = [_predict(one, how.schemes) for one in stages]
        found = Predicted(
            {(one.species, one.stage): one for one in stages},
            {
                (one.species, one.stage, model, scheme): held
                for one, by_scheme in zip(stages, predicted, strict=True)
                for scheme, by_model in by_scheme.items()
                for model, held in by_model.items()
            },
        )
        scores = [
            work
            for one, by_scheme, number in zip(stages, predicted, records, strict=True)
            for work in rows_wanted(one, by_scheme, np.random.default_rng([how.seed, number]))
        ]
        works = {"scores": scores, **(beside(found) if beside else {})}
        done = iter(worked_out([work for some in works.values() for work in some]))
        tables = {name: [row for _ in some for row in next(done)] for name, some in works.items()}
        tables["scores"] += [row for one in stages for row in _refused_rows(one)]
        return found, tables


def _checked_models(models: Sequence[Any]) -> tuple[DevelopmentModel, ...]:
    given = [models] if isinstance(models, str | DevelopmentModel) else list(models)
    problems = [
        "a model to score is a DevelopmentModel or the name of a published model, but "
        f"{type(one).__name__} was given; a fit gives its model by fit.as_model(name, species, stage)"
        for one in given
        if not isinstance(one, str | DevelopmentModel)
    ]
    for name in given:
        if isinstance(name, str):
            model_row(name)
    own = tuple(one for one in given if isinstance(one, DevelopmentModel))
    problems += name_problems(own)
    if problems:
        raise UsageError("; ".join(problems))
    return own


def _predict(one: StageData, schemes: Sequence[str]) -> dict[str, dict[str, HeldOut]]:
    """Held-out predictions of every model by scheme; a model is fitted to the folds of all schemes at once."""
    records = one.records
    matrix = matrix_of(records)
    folds = [folds_of(blocks_of(one.rows[SCHEMES[scheme]], scheme), scheme) for scheme in schemes]
    together, ends = np.concatenate(folds), np.cumsum([0, *map(len, folds)])
    predictors = {f"own_{form}": own_predictors(records, fit, together) for form, fit in one.fits.items()}
    predictors |= published_predictors(records, one.models, together)
    return {
        scheme: {
            name: hold_out(records, matrix, folds[number], by_fold[ends[number] : ends[number + 1]])
            for name, by_fold in predictors.items()
        }
        for number, scheme in enumerate(schemes)
    }


def _refused_rows(one: StageData) -> Rows:
    """A row of each fit that was refused."""
    counts = len(one.records.tank_id), len(one.records.batches)
    return [
        _blank_row(one.species, one.stage, f"own_{form}", counts, Reason.NOT_CONVERGED, f"refused: {why}")
        for form, why in one.refused.items()
    ]


def _unscored(data: Sequence[StageRecords], given: Sequence[DevelopmentModel]) -> Rows:
    """A row of each given model that nothing is scored against, but for nominal units of other species."""
    scored = {name for one in data for name in one.models}
    rows = []
    for one in given:
        if one.name not in scored and not one.name.startswith(NOMINAL):
            is_counted = one.counted_from == "fertilisation"
            why = Reason.NO_TANKS if is_counted else Reason.COUNTED_FROM_HATCH
            note = f"no tank of {one.species} with this stage can be scored" if is_counted else why.meaning
            rows.append(_blank_row(one.species, one.stage, one.name, (0, 0), why, note))
    return rows


def _blank_row(
    species: str, stage: str, model: str, counts: tuple[int, int], why: Reason, note: str
) -> dict[str, Any]:
    return {
        "species": species, "stage": stage, "model": model, "scheme": MAIN_SCHEME, "band": "all",
        "donor_stock": "", "tanks": counts[0], "batches": counts[1],
        **dict.fromkeys((*MEASURES, "skill_vs_constant"), np.nan), "unscored": str(why), "note": note,
    }  # fmt: skip
