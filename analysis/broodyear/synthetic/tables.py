"""The tables of an invented programme, and the working copy in which mistakes are made."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from broodyear.schemas import table

from .season import SeasonTruth


@dataclass(frozen=True)
class Tables:
    """The tables of an invented programme, one frame each, columns as declared; it made no trial.

    A moment column `c` has a companion `c_has_hour` (bool). Hidden columns that begin with an underscore
    (`_season`, `_region`, `_at`) say which season, region and row of the season's setups a row came from;
    they are never written.
    """

    sites: pd.DataFrame
    tanks: pd.DataFrame
    setups: pd.DataFrame
    batches: pd.DataFrame
    deliveries: pd.DataFrame
    temperatures: pd.DataFrame
    losses: pd.DataFrame
    stages: pd.DataFrame
    exits: pd.DataFrame
    incidents: pd.DataFrame
    water_tests: pd.DataFrame

    def frame(self, name: str) -> pd.DataFrame:
        """The frame of a table by its name."""
        found: pd.DataFrame = getattr(self, name)
        return found

    def declared(self, name: str) -> pd.DataFrame:
        """The declared columns of a table only."""
        frame = self.frame(name)
        return frame[[column for column in table(name).column_names if column in frame]]


@dataclass
class WorkingCopy:
    """The working copy of the tables while mistakes are made, and the log of them."""

    frames: dict[str, pd.DataFrame]
    lived: tuple[SeasonTruth, ...]
    log: list[dict[str, object]] = field(default_factory=list)

    def note(self, rule: str, name: str, season: int, at: int, rows: int, detail: str, **cell: object) -> None:
        """Log one mistake of one tank in one season; `at` is the tank's row among the season's setups."""
        truth = next(t for t in self.lived if t.calendar.season == season)
        tank = str(truth.setups["tank_id"].to_numpy()[at])
        entry = {
            "rule": rule,
            "table": name,
            "season": season,
            "tank_id": tank,
            "rows": rows,
            "detail": detail,
        }
        self.log.append({**entry, "row": -1, "column": "", "text": "", **cell})
