"""The working copy of the tables in which mistakes are made, and the mistakes of reading temperature: Fahrenheit,
copies, the set point, loggers in the air, clocks that are off."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from .records import read_by_logger, rows_by
from .scenario import Dates, Floats, Ints, Scenario
from .season import SeasonTruth

RUN_LENGTHS = {0.1: (20, 31), 0.5: (30, 46), 1.0: (50, 71)}
"""Resolution (°C or °F): how many readings in a row are copied, beyond what an honest thermometer would
repeat."""
CLOCK_OFFSETS_HOURS = (-8, -7, -1, 1, 7, 8)
FEWEST_READINGS = 40

Tank = tuple[int, int]
"""A tank in one season: the season, and the tank's row among its set-ups."""
Groups = dict[Tank, Ints]
"""Tank -> positions of its readings."""


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


def spoil_readings(sent: WorkingCopy) -> None:
    """Plant every mistake of reading temperature in `temperatures`."""
    frame = sent.frames["temperatures"]
    by_logger = read_by_logger(frame)
    hand, loggers = sent.by_tank("temperatures", ~by_logger), sent.by_tank("temperatures", by_logger)
    values, moments = frame["water_temp"].to_numpy(copy=True), frame["read_at"].to_numpy(copy=True)
    says_celsius = (frame["unit"] != "F").to_numpy()
    rng = sent.stream("hand readings")
    _whole_seasons(sent, {tank: rows for tank, rows in hand.items() if says_celsius[rows].all()}, values, rng)
    for tank, rows in hand.items():
        chosen = rng.random(len(rows)) < sent.shares.f_readings_row_share
        mine = rows[chosen & (values[rows] < 25) & says_celsius[rows]]
        if mine.size:
            values[mine] = _fahrenheit(values[mine])
            _note(sent, "f_reading_row", tank, len(mine), "single readings in °F with the unit blank")
    _loggers_in_air(sent, loggers, moments, values)
    _clock_offsets(sent, loggers, moments)
    sent.frames["temperatures"] = frame.assign(water_temp=values, read_at=moments)


def _note(sent: WorkingCopy, rule: str, tank: Tank, rows: int, detail: str) -> None:
    sent.note(rule, "temperatures", tank, rows, detail)


def _fahrenheit(celsius: Floats) -> Floats:
    return np.round(celsius * 1.8 + 32)


def _whole_seasons(sent: WorkingCopy, hand: Groups, values: Floats, rng: np.random.Generator) -> None:
    """Mistakes made all season, dealt to shuffled tanks so that none makes two of them."""
    shares, tanks = sent.shares, [tank for tank, rows in hand.items() if len(rows) >= FEWEST_READINGS]
    shuffled = [tanks[i] for i in rng.permutation(len(tanks))]
    dealt = []
    for share in (shares.f_readings_tank_share, shares.copied_run_share, shares.set_point_typed_share):
        count = rng.binomial(len(tanks), share)
        dealt.append(sorted(shuffled[:count]))
        shuffled = shuffled[count:]
    fahrenheit, copied, typed = dealt
    for tank in fahrenheit:
        rows = hand[tank]
        values[rows] = _fahrenheit(values[rows])
        _note(sent, "f_readings", tank, len(rows), "°F with the unit blank, the whole season")
    for tank in copied:
        run = _copy_run(sent, tank, hand[tank], values, rng)
        _note(sent, "copied_run", tank, run, f"the same reading {run} times in a row")
    for season, at in typed:
        rows, set_point = hand[season, at], sent.seasons[season].tank("set_point_c")[at]
        values[rows] = set_point
        _note(sent, "set_point_typed", (season, at), len(rows), f"the set point {set_point} every time")


def _copy_run(sent: WorkingCopy, tank: Tank, rows: Ints, values: Floats, rng: np.random.Generator) -> int:
    """Copy one reading over the following ones; returns how many are the same."""
    step = sent.seasons[tank[0]].tank("thermometer_step")[tank[1]]
    length = min(int(rng.integers(*RUN_LENGTHS[step])), len(rows) - 5)
    start = int(rng.integers(0, len(rows) - length))
    values[rows[start : start + length]] = values[rows[start]]
    return length


def _loggers_in_air(sent: WorkingCopy, loggers: Groups, moments: Dates, values: Floats) -> None:
    """A logger lifted out of the water for one to four days reads the room."""
    rng = sent.stream("air")
    for (season, at), rows in loggers.items():
        if rng.random() >= sent.shares.logger_in_air_share:
            continue
        truth = sent.seasons[season]
        start = moments[rows[0]] + np.timedelta64(int(rng.uniform(0.05, 0.7) * len(rows)), "h")
        end = start + np.timedelta64(int(rng.integers(24, 97)), "h")
        mine = rows[(moments[rows] >= start) & (moments[rows] < end)]
        hour = ((moments[mine] - truth.calendar.first) / np.timedelta64(1, "h")).astype(int)
        values[mine] = np.round(truth.water.room_c[at, hour] + rng.normal(0, 0.15, len(mine)), 1)
        detail = f"out of the water from {start.astype('datetime64[m]')}"
        _note(sent, "logger_in_air", (season, at), len(mine), detail)


def _clock_offsets(sent: WorkingCopy, loggers: Groups, moments: Dates) -> None:
    rng = sent.stream("clocks")
    for tank, rows in loggers.items():
        if rng.random() < sent.shares.clock_offset_share:
            hours = int(rng.choice(CLOCK_OFFSETS_HOURS))
            moments[rows] += np.timedelta64(hours, "h")
            _note(sent, "clock_offset", tank, len(rows), f"the clock is {hours:+d} h off")
