"""The tables while mistakes are planted in them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from .records import rows_by
from .scenario import Ints, Scenario
from .season import SeasonTruth

Tank = tuple[int, int]
"""A tank in one season: the season, and the tank's row among its set-ups."""


class WorkingCopy:
    """A copy of the tables to be sent, the truth of each season, and the log of the mistakes made so far."""

    LOG_COLUMNS = ("rule", "table", "season", "tank_id", "rows", "detail", "row", "column", "text")

    def __init__(
        self, scenario: Scenario, seasons: tuple[SeasonTruth, ...], clean: dict[str, pd.DataFrame]
    ) -> None:
        self.scenario, self.shares = scenario, scenario.plan.mistakes
        self.seasons = {truth.calendar.season: truth for truth in seasons}
        self.frames = {name: frame.copy() for name, frame in clean.items()}
        self.log: list[dict[str, Any]] = []

    def stream(self, name: str) -> np.random.Generator:
        """The generator of one kind of mistakes."""
        return self.scenario.stream("mistakes", name)

    def by_tank(self, name: str, where: Any = None) -> dict[Tank, Ints]:
        """Tank -> positions of its rows in a table, of those that `where` says, in order of the tanks."""
        return dict(rows_by(self.frames[name], ["_season", "_at"], where))

    def tank_of(self, name: str, row: int) -> Tank:
        """The tank of one row of a table."""
        frame = self.frames[name]
        return int(frame["_season"].iloc[row]), int(frame["_at"].iloc[row])

    def note(self, rule: str, name: str, tank: Tank, rows: int, detail: str, **cell: Any) -> None:
        """Log one mistake of one tank in one season."""
        season, at = tank
        whole = {"row": -1, "column": "", "text": ""}
        tank_id = self.seasons[season].tank("tank_id")[at]
        entry = {"rule": rule, "table": name, "season": season, "tank_id": tank_id, "rows": rows, "detail": detail}
        self.log.append(entry | whole | cell)

    def note_rows(self, rule: str, name: str, chosen: Any, detail: str) -> None:
        """Log a mistake in each of the chosen rows of a table."""
        for row in np.flatnonzero(chosen).tolist():
            self.note(rule, name, self.tank_of(name, row), 1, detail, row=row)
