"""Which rows go into which upload, and in which shape people send it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from .frames import rows_by
from .people_and_places import REGION_CODES
from .programme import Programme
from .streams import stream

BY_REGION = ("setups", "losses", "stages", "incidents", "water_tests")
BY_SEASON = ("batches", "deliveries", "exits")
MASTER = ("sites", "tanks")

QUIRKS = (
    "semicolons",
    "tabs",
    "byte_order_mark",
    "crlf",
    "capital_headers",
    "spaced_headers",
    "empty_ends",
    "compressed",
    "quoted",
    "yes_no",
    "dots_for_blanks",
    "slashes_in_dates",
)
"""Shapes a file may come in besides the plain one; windows_1252 and preamble are for the tables where they
occur."""
QUIRK_SHARE = 0.35
GROUPED_LOGGER_REGIONS = 2


@dataclass(frozen=True)
class PlannedFile:
    """One upload: its path below the uploads folder, its table, the rows of the sent frame it holds, its
    shape.

    `cells`: texts written in place of the true ones, keyed by (row, column). `copy_of`: the path it repeats,
    or "".
    """

    path: str
    table: str
    rows: np.ndarray
    quirk: str = "plain"
    cells: tuple[tuple[int, str, str], ...] = ()
    copy_of: str = ""


def plan_files(programme: Programme) -> tuple[PlannedFile, ...]:
    """Every upload of a programme, in order of path; a pure function of the programme."""
    files = [*_masters(programme), *_plain_tables(programme), *_readings(programme)]
    files = _with_broken_cells(files, programme)
    files = _with_correction(files, programme)
    if programme.plan.mistakes.file_quirks:
        files = _with_quirks(files, programme)
    return tuple(sorted(_with_duplicates(files, programme), key=lambda file: file.path))


def _masters(programme: Programme) -> list[PlannedFile]:
    """Sites and tanks: one list, then one of what is new in each later season."""
    files = []
    for name in MASTER:
        seasons = programme.sent.frame(name)["_season"].to_numpy(dtype=int)
        for season in sorted(set(seasons)):
            first = season == programme.shape.years[0]
            path = f"programme/{name}.csv" if first else f"{season}/{name}-{season}.csv"
            files.append(PlannedFile(path, name, np.flatnonzero(seasons == season)))
    return files


def _plain_tables(programme: Programme) -> list[PlannedFile]:
    files = []
    for name in (*BY_REGION, *BY_SEASON):
        frame = programme.sent.frame(name)
        keys = ["_season", "_region"] if name in BY_REGION else ["_season"]
        for key, rows in rows_by(frame, keys):
            ending = f"_{key[1]}" if name in BY_REGION else f"-{key[0]}"
            files.append(PlannedFile(f"{key[0]}/{name}{ending}.csv", name, rows))
    return files


def _readings(programme: Programme) -> list[PlannedFile]:
    """Hand readings of a region in one file; loggers together in some regions, one file each in the
    others."""
    frame = programme.sent.temperatures
    if frame.empty:
        return []
    blank = frame["instrument"].isna().to_numpy()
    by_logger = (blank & frame["read_at_has_hour"].to_numpy(dtype=bool)) | (
        frame["instrument"] == "logger"
    ).to_numpy()
    region = frame["_region"].astype(object).to_numpy()
    together = np.isin(region, REGION_CODES[:GROUPED_LOGGER_REGIONS])
    label = frame["tank_id"].cat.codes.to_numpy()
    group = np.where(by_logger, np.where(together, -2, label), -1)
    groups = pd.DataFrame({"season": frame["_season"], "region": region, "group": group})
    files = []
    for (season, place, number), rows in rows_by(groups, ["season", "region", "group"]):
        name = f"temperatures_{place}" if number == -1 else f"temperatures_{place}_loggers"
        if number >= 0:
            name = "logger_" + str(frame["tank_id"].cat.categories[number]).replace(" ", "_") + f"_{season}"
        files.append(PlannedFile(f"{season}/{name}.csv", "temperatures", rows))
    return files


def _with_broken_cells(files: list[PlannedFile], programme: Programme) -> list[PlannedFile]:
    """Put each unreadable cell into the file that holds its row."""
    broken = programme.mistakes[programme.mistakes["column"] != ""]
    changed = list(files)
    for name, row, column, text in zip(
        broken["table"], broken["row"], broken["column"], broken["text"], strict=True
    ):
        for place, file in enumerate(changed):
            if file.table == name and row in file.rows:
                changed[place] = replace(file, cells=(*file.cells, (int(row), str(column), str(text))))
                break
    return changed


def _with_correction(files: list[PlannedFile], programme: Programme) -> list[PlannedFile]:
    """One list of setups is sent with two slips and again, mended, under a later name."""
    if programme.plan.mistakes.rejected_rows == 0:
        return files
    place = next(i for i, file in enumerate(files) if file.table == "setups")
    file = files[place]
    slips = [(int(file.rows[0]), "set_point_c", "85")]
    if len(file.rows) > 1:
        slips.append((int(file.rows[1]), "room_type", "other"))
    mended = replace(file, path=file.path.replace(".csv", "_v2.csv"))
    return [*files[:place], replace(file, cells=tuple(slips)), mended, *files[place + 1 :]]


def _with_quirks(files: list[PlannedFile], programme: Programme) -> list[PlannedFile]:
    """Give every shape to at least one file where there are enough, then to a share of the rest."""
    rng = stream(programme.seed, "file shapes")
    shaped = list(files)
    order = rng.permutation(len(files))
    draws = rng.random(len(files))
    for turn, place in enumerate(order):
        file = files[place]
        quirk = (
            QUIRKS[turn]
            if turn < len(QUIRKS)
            else str(rng.choice(QUIRKS))
            if draws[place] < QUIRK_SHARE
            else "plain"
        )
        if file.path.split("/")[-1].startswith("logger_") and draws[place] < 0.6:
            quirk = "preamble"
        if file.table == "batches" and place % 2:
            quirk = "windows_1252"
        shaped[place] = replace(file, quirk=quirk, path=_path(file.path, quirk))
    return shaped


def _path(path: str, quirk: str) -> str:
    if quirk == "compressed":
        return f"{path}.gz"
    return path.removesuffix(".csv") + ".tsv" if quirk == "tabs" else path


def _with_duplicates(files: list[PlannedFile], programme: Programme) -> list[PlannedFile]:
    """A few files are sent twice, under a name a mail program would give the copy."""
    share = programme.plan.mistakes.duplicate_upload_share
    rng = stream(programme.seed, "duplicates")
    count = max(1, round(share * len(files))) if share > 0 else 0
    twice = [files[i] for i in sorted(rng.choice(len(files), size=min(count, len(files)), replace=False))]
    return [*files, *(replace(file, path=_copy_name(file.path), copy_of=file.path) for file in twice)]


def _copy_name(path: str) -> str:
    folder, name = path.rsplit("/", 1)
    stem, ending = name.split(".", 1)
    return f"{folder}/{stem} (1).{ending}"
