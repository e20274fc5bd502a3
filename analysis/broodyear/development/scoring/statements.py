"""What these records can and cannot tell, in sentences made from the numbers of the validation."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.claims import Reason
from broodyear.development.models.published import readable_name
from broodyear.development.scoring.comparisons import BASE, NARROW_BAND_C
from broodyear.development.scoring.cross_validation import MAIN_SCHEME
from broodyear.development.scoring.held_out_scores import DevelopmentScores
from broodyear.development.scoring.score_cells import LEVELS

STATEMENT_COLUMNS = ("topic", "species", "stage", "sentence")
STAGE_WORDS: Mapping[str, str] = {
    "eyed": "eyed",
    "hatch_first": "first hatch",
    "hatch_half": "half hatched",
    "hatch_all": "all hatched",
    "button_up": "button-up",
    "first_feeding": "first feeding",
}
SURVIVORS = (
    "Only tanks whose eggs lived to the stage have a date: heat that kills also quickens, so the warm end of "
    "every validation is chosen by survival."
)
# A shorter error of days not read is lost among the looks, and not told.
LEAST_TOLD_GAP_DAYS = 0.25
# Normal quantile of a two-sided 5 % shared by three levels (Bonferroni).
_FAR = 2.394


@dataclass(frozen=True)
class StageFindings:
    """The numbers of one species and stage that sentences are made of.

    models: own first, then published; gaps: stages left out for days not read; carried: days of error that such
    days bring to the stages used.
    """

    species: str
    stage: str
    models: tuple[str, ...]
    scores: pd.DataFrame
    comparisons: pd.DataFrame
    first_seen: pd.DataFrame
    left_out: pd.DataFrame
    gaps: pd.DataFrame
    carried: pd.Series

    @property
    def name(self) -> str:
        """The species and stage in words, as a sentence begins."""
        return _named(self.species, self.stage)


def _named(species: str, stage: str) -> str:
    words = f"{species.replace('_', ' ')}, {STAGE_WORDS.get(stage, stage)}"
    return f"{words[:1].upper()}{words[1:]}"


def all_statements(scores: DevelopmentScores, findings: list[StageFindings]) -> pd.DataFrame:
    """One row per sentence: topic, species, stage, sentence.

    Topics in order: data, band, suspects, intervals, first_seen, then copied and survivors. What is found of the
    models is in the claims, not here.
    """
    makers = {
        "data": _data, "band": _band, "suspects": _suspects, "intervals": _intervals, "first_seen": _first_seen,
    }  # fmt: skip
    rows = [
        (topic, one.species, one.stage, sentence)
        for one in findings
        for topic, make in makers.items()
        for sentence in make(one)
    ]
    for _, sheet in scores.copied.sheets.iterrows():
        rows.append(("copied", str(sheet["species"]), str(sheet["stage"]), _copied(sheet)))
    rows.append(("survivors", "", "", SURVIVORS))
    return pd.DataFrame(rows, columns=list(STATEMENT_COLUMNS))


def findings_for(frame: pd.DataFrame, species: str, stage: str) -> pd.DataFrame:
    """The rows of one species and stage."""
    return frame[(frame["species"] == species) & (frame["stage"] == stage)]


def _cell(one: StageFindings, model: str, band: str = "all") -> pd.Series | None:
    table = one.scores
    rows = table[(table["model"] == model) & (table["scheme"] == MAIN_SCHEME) & (table["band"] == band)]
    rows = rows[rows["mae_days"].notna()]
    return rows.iloc[0] if len(rows) else None


def _data(one: StageFindings) -> Iterator[str]:
    table = one.scores[(one.scores["scheme"] == MAIN_SCHEME) & (one.scores["band"] == "all")]
    own = table[table["model"].str.startswith("own_")]
    if own.empty:
        return
    tanks, batches = int(own["tanks"].max()), int(own["batches"].max())
    out = int(one.left_out["rows"].sum())
    reasons = "; ".join(f"{row.reason}: {row.rows}" for row in one.left_out.itertuples())
    used = f"{_plural(tanks, 'tank')} of {_plural(batches, 'batch')}"
    are, were = ("is" if count == 1 else "are" for count in (tanks, out))
    yield f"{one.name}: {used} {are} used, {out} {were} left out" + (f" ({reasons})." if reasons else ".")
    yield from _gaps(one)
    for _, row in own[own["unscored"] == Reason.NOT_CONVERGED].iterrows():
        yield f"{one.name}: {readable_name(str(row['model']))} is {row['note']}."


def _gaps(one: StageFindings) -> Iterator[str]:
    """Days not read: whose error is carried, and what would have kept the stages left out for them."""
    carried = one.carried[one.carried >= LEAST_TOLD_GAP_DAYS]
    if len(carried):
        tanks = "1 tank was" if len(carried) == 1 else f"{len(carried)} tanks were"
        yield (
            f"{one.name}: {tanks} not read for long, over holidays say, or the readings are in doubt; these days "
            f"are modelled, and their error, up to {carried.max():.1f} d, is carried in every fit, score and "
            "interval."
        )
    if len(one.gaps):
        alone = int((one.gaps["readings_wanted"] == 1).sum())
        stages = "1 stage" if len(one.gaps) == 1 else f"{len(one.gaps)} stages"
        yield (
            f"{one.name}: of {stages} left out for days without readings, one reading in the longest gap would "
            f"have kept {alone}; tables/long_gaps.csv says which days, tank by tank."
        )


def _band(one: StageFindings) -> Iterator[str]:
    curved = one.comparisons[
        (one.comparisons["model"] == "own_log_inverse") & (one.comparisons["against"] == BASE)
    ]
    for _, row in curved.iterrows():
        low, high = row["band_low_c"], row["band_high_c"]
        where = f"{one.name}: four tanks in five lie in {low:.1f} to {high:.1f} °C"
        if high - low < NARROW_BAND_C and not row["is_told_apart"]:
            yield (
                f"{where} and cannot tell a curved model from constant units; that says nothing about colder or "
                "warmer water."
            )
        else:
            yield f"{where}."


def _suspects(one: StageFindings) -> Iterator[str]:
    for model in one.models[:1]:
        cell = _cell(one, model)
        if cell is None or not cell["suspects"] > 0 or np.isnan(cell["mae_without_suspects"]):
            continue
        error, bias = cell["mae_without_suspects"], cell["bias_without_suspects"]
        yield (
            f"{one.name}: {cell['suspects']:.0f} dates are probably wrong ones, day and month swapped or another "
            f"week; they are scored and named. Without them the mean error is {error:.1f} d instead of "
            f"{cell['mae_days']:.1f}, the bias {bias:+.1f} d instead of {cell['bias_days']:+.1f}."
        )


def _intervals(one: StageFindings) -> Iterator[str]:
    for model in one.models[:1]:
        cell = _cell(one, model)
        if cell is None:
            continue
        if np.isnan(cell["coverage_95"]):
            yield (
                f"{one.name}: whether intervals of {readable_name(model)} hold what they state cannot be told "
                "from these tanks."
            )
            continue
        covered = ", ".join(f"{level} %: {cell[f'coverage_{level}']:.0f} %" for level in LEVELS)
        counts = f"{_plural(cell['tanks'], 'tank')} of {_plural(cell['batches'], 'batch')}"
        verdict = "shown to differ" if _covers_otherwise(cell) else "not shown to differ"
        yield (
            f"{one.name}: intervals of {readable_name(model)} covered {covered} of {counts} that were left out; "
            f"{verdict} from what they state."
        )


def _covers_otherwise(cell: pd.Series) -> bool:
    """Whether a level covers further off than chance has it; tanks of a batch share a fate, so batches count."""
    off = {level: abs(cell[f"coverage_{level}"] - level) for level in LEVELS}
    return any(far > _FAR * np.sqrt(level * (100.0 - level) / cell["batches"]) for level, far in off.items())


def _plural(count: float, noun: str) -> str:
    return f"{count:.0f} {noun if count == 1 else {'batch': 'batches'}.get(noun, f'{noun}s')}"


def _first_seen(one: StageFindings) -> Iterator[str]:
    for _, row in one.first_seen.head(1).iterrows():
        naive, bias, shift = row["bias_first_seen_days"], row["bias_days"], row["shift_days"]
        yield (
            f"{one.name}: scored against first-seen dates {readable_name(str(row['model']))} would look "
            f"{naive:+.1f} d off; between the looks it is {bias:+.1f} d. The difference of {shift:+.1f} d is the "
            "waiting between looks, not the model."
        )


def _copied(sheet: pd.Series) -> str:
    return (
        f"{_named(str(sheet['species']), str(sheet['stage']))}: {sheet['agreeing']} of {sheet['tanks']} dates "
        f"without an earlier look agree exactly with {sheet['units_c_days']:g} units at the set point, where "
        f"about {sheet['expected_by_chance']:.0f} would by chance; they are taken for copies of a forecast and "
        "left out."
    )
