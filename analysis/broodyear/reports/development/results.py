"""Tables of the development report, and small readings of them that several sections share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from broodyear.reports.numbers import STAGES, called, words
from broodyear.reports.parts import Bullets
from broodyear.reports.rendering import bullets
from broodyear.reports.sentences import Statements
from broodyear.reports.tables import ReportTable, report_table, tables_of

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.development import DevelopmentModel
    from broodyear.settings import Settings

WORDS = "development/words.txt"

#: Leaving one batch out is the scheme the page speaks of; the others are in the table.
MAIN_SCHEME = "batch_out"
CONSTANT_UNITS = "own_constant_units"
#: Models that one drawing holds beside constant units.
MOST_DRAWN = 3


@dataclass(frozen=True)
class DevelopmentResults:
    """Tables of the development report, in the order in which the page uses them.

    curves and pairs: days to a stage by temperature, of models and of published measurements; fan: one tank's
    forecast, empty where none could be made; works: references; shown: models shown by (species, stage), own
    first; seed: of the calibration; models: of one's own that were given.
    """

    settings: Settings
    seed: int
    scores: ReportTable
    claims: Statements
    statements: ReportTable
    thermometers: ReportTable
    site_offsets: ReportTable
    stocks: ReportTable
    comparisons: ReportTable
    first_seen: ReportTable
    copied: ReportTable
    suspects: ReportTable
    left_out: ReportTable
    gaps: ReportTable
    disagreements: ReportTable
    coefficients: ReportTable
    covariance: ReportTable
    predictions: ReportTable
    pit: ReportTable
    calibration: ReportTable
    curves: ReportTable
    pairs: ReportTable
    fan: ReportTable
    works: ReportTable
    shown: Mapping[tuple[str, str], tuple[str, ...]]
    models: Sequence[DevelopmentModel] = ()

    @property
    def tables(self) -> tuple[ReportTable, ...]:
        """Every table, in that order."""
        scores, *others = tables_of(self)
        return scores, self.claims.table, *others

    def drawn(self, species: str, stage: str) -> tuple[str, ...]:
        """Models of a species and stage that figures show: the best own fit, those given, the default."""
        shown = self.shown[(species, stage)]
        return shown if len(shown) <= MOST_DRAWN else (*shown[: MOST_DRAWN - 1], shown[-1])

    def with_constant_units(self, species: str, stage: str) -> tuple[str, ...]:
        """The models shown, and constant units as fitted here."""
        shown = self.shown[(species, stage)]
        rows = self.scores.rows(species=species, stage=stage, model=CONSTANT_UNITS, scheme=MAIN_SCHEME)
        return (*shown, CONSTANT_UNITS) if CONSTANT_UNITS not in shown and rows else shown


#: What tables are called in the folder where that is not their name here, and those that others compute with.
_CALLED = {
    "copied": "copied_dates", "suspects": "suspected_dates", "gaps": "long_gaps", "pit": "pit_histogram",
    "pairs": "published_pairs", "fan": "forecast_example", "works": "references",
}  # fmt: skip
_EXACT = ("coefficients", "covariance")


def results_of(frames: Mapping[str, pd.DataFrame], **others: Any) -> DevelopmentResults:
    """The results of frames by name; others: what is no table."""
    for name, frame in frames.items():
        others[name] = report_table(_CALLED.get(name, name), frame, exact=name in _EXACT)
    return DevelopmentResults(**others)


def named(species: object, stage: object) -> str:
    """A species and stage in words."""
    return f"{words(species)}, {called(STAGES, stage)}"


def titled(species: object, stage: object) -> str:
    """The same as a heading."""
    text = named(species, stage)
    return f"{text[:1].upper()}{text[1:]}"


def statements_on(results: DevelopmentResults, topic: str) -> Bullets:
    """What the records tell of one topic, sentence by sentence."""
    return bullets(WORDS, "statement", results.statements, results.statements.rows(topic=topic))


def rows_of(frame: pd.DataFrame, species: str, stage: str) -> pd.DataFrame:
    """The rows of one species and stage; all rows of a table that has no such columns."""
    if not {"species", "stage"} <= set(frame.columns):
        return frame
    return frame[(frame["species"] == species) & (frame["stage"] == stage)].reset_index(drop=True)
