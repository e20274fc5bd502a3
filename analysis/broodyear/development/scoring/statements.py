"""What these records can and cannot tell, in sentences made from the numbers of the validation."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.development.scoring.comparisons import NARROW_BAND_C
from broodyear.development.scoring.cross_validation import MAIN_SCHEME
from broodyear.development.scoring.held_out_scores import DevelopmentScores
from broodyear.development.scoring.score_cells import LOOKED_TOO_SELDOM

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
# Coverage of a 95 % interval estimated from a few dozen tanks moves by this many points by chance.
COVERAGE_SLACK_POINTS = 7.0


@dataclass(frozen=True)
class StageFindings:
    """The numbers of one species and stage that sentences are made of; models: own first, then published."""

    species: str
    stage: str
    models: tuple[str, ...]
    scores: pd.DataFrame
    comparisons: pd.DataFrame
    thermometers: pd.DataFrame
    first_seen: pd.DataFrame
    left_out: pd.DataFrame

    @property
    def name(self) -> str:
        """The species and stage in words."""
        return f"{self.species.replace('_', ' ')}, {STAGE_WORDS.get(self.stage, self.stage)}"


def all_statements(scores: DevelopmentScores, findings: list[StageFindings]) -> pd.DataFrame:
    """One row per sentence: topic, species, stage, sentence.

    Topics in order: data, band, bias, where, thermometer, intervals, first_seen, then copied and survivors.
    """
    makers = {
        "data": _data, "band": _band, "bias": _bias, "where": _where, "thermometer": _thermometer,
        "intervals": _intervals, "first_seen": _first_seen,
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
    yield f"{one.name}: {tanks} tanks of {batches} batches are used, {out} are left out" + (
        f" ({reasons})." if reasons else "."
    )
    for _, row in own[own["note"].str.startswith("refused")].iterrows():
        yield f"{one.name}: {row['model']} is {row['note']}."


def _band(one: StageFindings) -> Iterator[str]:
    for _, row in one.comparisons[one.comparisons["model"] == "own_log_inverse"].iterrows():
        low, high = row["band_low_c"], row["band_high_c"]
        where = f"{one.name}: four tanks in five lie in {low:.1f} to {high:.1f} °C"
        gain = f"{row['log_score_gain']:+.2f} per tank (95 % {row['gain_low']:+.2f} to {row['gain_high']:+.2f})"
        if row["is_told_apart"]:
            better = "predicts better" if row["log_score_gain"] > 0 else "predicts worse"
            yield f"{where}; there the curved model {better} than constant units, log score {gain}."
        elif high - low < NARROW_BAND_C:
            yield (
                f"{where} and cannot tell the curved model from constant units (log score {gain}); "
                "that says nothing about colder or warmer water."
            )
        else:
            yield f"{where}; the curved model and constant units are not told apart, log score {gain}."


def _bias(one: StageFindings) -> Iterator[str]:
    for model in one.models:
        cell = _cell(one, model)
        if cell is not None:
            yield f"{one.name}: {model} is {_late(cell)} over {cell['batches']} batches left out in turn."


def _late(cell: pd.Series) -> str:
    """The bias in words, with its interval."""
    low, high = cell["bias_low"], cell["bias_high"]
    limits = f"(95 % {low:+.1f} to {high:+.1f} d)"
    if low <= 0 <= high:
        return f"not shown to be biased, {cell['bias_days']:+.1f} d {limits},"
    return f"{abs(cell['bias_days']):.1f} d {'late' if cell['bias_days'] > 0 else 'early'} {limits}"


def _where(one: StageFindings) -> Iterator[str]:
    for model in one.models:
        cells = [(band, _cell(one, model, band)) for band in ("<5", "5-7", "7-9", "9-11", ">11")]
        known = [(band, cell) for band, cell in cells if cell is not None]
        biased = [(band, cell) for band, cell in known if not cell["bias_low"] <= 0 <= cell["bias_high"]]
        if not known:
            continue
        found = "; ".join(f"{band} °C {_late(cell)}" for band, cell in biased)
        tail = _not_judged(one, model, [band for band, cell in cells if cell is None])
        if found:
            yield f"{one.name}: {model} by water temperature: {found}.{tail}"
        else:
            yield f"{one.name}: {model} shows no bias in any temperature band with enough batches.{tail}"


def _not_judged(one: StageFindings, model: str, bands: list[str]) -> str:
    """Why some bands are not judged, in sentences; empty when all are."""
    rows = one.scores[(one.scores["model"] == model) & (one.scores["scheme"] == MAIN_SCHEME)]
    seldom = set(rows.loc[rows["note"].str.startswith(LOOKED_TOO_SELDOM), "band"])
    few, wide = [band for band in bands if band not in seldom], [band for band in bands if band in seldom]
    said = f" Too few batches to judge {', '.join(few)} °C." if few else ""
    return said + (f" Too few tanks, or looked at too seldom, to judge {', '.join(wide)} °C." if wide else "")


def _thermometer(one: StageFindings) -> Iterator[str]:
    for model in one.models:
        rows = one.thermometers[one.thermometers["model"] == model]
        logger, hand = rows[rows["read_by"] == "logger"], rows[rows["read_by"] == "hand"]
        if len(logger) and len(hand):
            yield f"{one.name}: {model}: {model_or_thermometer(logger.iloc[0], hand.iloc[0])}"


def model_or_thermometer(logger: pd.Series, hand: pd.Series) -> str:
    """Says whether a bias belongs to the model or to the thermometers, from the two subsets' rows."""
    for row, read in ((logger, "by a logger"), (hand, "by hand")):
        if str(row["note"]).startswith(LOOKED_TOO_SELDOM):
            return (
                f"the {row['tanks']} tanks read {read} are too few, or were looked at too seldom, so the model "
                "and the thermometers cannot be told apart."
            )
    if np.isnan(logger["bias_days"]):
        return (
            f"only {logger['tanks']} tanks of {logger['batches']} batches were read by a logger, "
            "so the model and the thermometers cannot be told apart."
        )
    if np.isnan(hand["bias_days"]):
        return "too few tanks were read by hand to compare them with the loggers."
    is_logger_biased = not logger["bias_low"] <= 0 <= logger["bias_high"]
    is_hand_biased = not hand["bias_low"] <= 0 <= hand["bias_high"]
    numbers = f"{_in_tanks(logger, 'logger-read tanks')}, {_in_tanks(hand, 'hand-read ones')}"
    if is_logger_biased and is_hand_biased and logger["bias_days"] * hand["bias_days"] > 0:
        return f"{numbers}: it is the model, since loggers show the bias too."
    if is_hand_biased and not is_logger_biased:
        return (
            f"{numbers}: consistent with the thermometers; a reading {_off(hand['implied_offset_c'])} "
            "would do it alone."
        )
    if is_logger_biased:
        return f"{numbers}: loggers show a bias that hand readings hide or lack; look at the loggers' sites."
    return f"{numbers}: neither is biased beyond its error; one °C of reading error moves a date by " + (
        f"{abs(logger['days_per_c']):.1f} d."
    )


def _in_tanks(row: pd.Series, tanks: str) -> str:
    low, high = row["bias_low"], row["bias_high"]
    return f"{row['bias_days']:+.1f} d ({low:+.1f} to {high:+.1f}) in {row['tanks']} {tanks}"


def _off(offset_c: float) -> str:
    return f"{abs(offset_c):.1f} °C too {'warm' if offset_c > 0 else 'cold'}"


def _intervals(one: StageFindings) -> Iterator[str]:
    for model in one.models[:1]:
        cell = _cell(one, model)
        if cell is None:
            continue
        if np.isnan(cell["coverage_95"]):
            yield f"{one.name}: whether intervals of {model} hold what they state cannot be told from these tanks."
            continue
        covered = ", ".join(f"{level} %: {cell[f'coverage_{level}']:.0f} %" for level in (50, 80, 95))
        verdict = "as stated" if abs(cell["coverage_95"] - 95) <= COVERAGE_SLACK_POINTS else "not as stated"
        yield f"{one.name}: intervals of {model} covered {covered} of held-out tanks, {verdict}."


def _first_seen(one: StageFindings) -> Iterator[str]:
    for _, row in one.first_seen.head(1).iterrows():
        naive, bias, shift = row["bias_first_seen_days"], row["bias_days"], row["shift_days"]
        yield (
            f"{one.name}: scored against first-seen dates {row['model']} would look {naive:+.1f} d off; between "
            f"the looks it is {bias:+.1f} d. The difference of {shift:+.1f} d is the waiting between looks, "
            "not the model."
        )


def _copied(sheet: pd.Series) -> str:
    stage = STAGE_WORDS.get(str(sheet["stage"]), sheet["stage"])
    name = f"{str(sheet['species']).replace('_', ' ')}, {stage}"
    return (
        f"{name}: {sheet['agreeing']} of {sheet['tanks']} dates without an earlier look agree exactly with "
        f"{sheet['units_c_days']:g} units at the set point, where about {sheet['expected_by_chance']:.0f} would "
        "by chance; they are taken for copies of a forecast and left out."
    )
