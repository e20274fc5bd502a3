"""Which rows go into which upload, and in which shape people send it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .programme import Programme
from .records import read_by_logger, rows_by
from .scenario import REGION_CODES, Ints

MASTER = ("sites", "tanks")
BY_REGION = ("setups", "losses", "stages", "incidents", "water_tests")
BY_SEASON = ("batches", "deliveries", "exits")

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
PREAMBLE_SHARE = 0.6
"""Share of single loggers' files with lines above the header."""
GROUPED_LOGGER_REGIONS = 2


@dataclass(frozen=True)
class PlannedFile:
    """One upload: its path below the uploads folder, its table, the rows of the sent frame it holds, its
    shape.

    `cells`: texts written in place of the true ones, as (row, column, text). `copy_of`: the path it repeats,
    or "".
    """

    path: str
    table: str
    rows: Ints
    quirk: str = "plain"
    cells: tuple[tuple[int, str, str], ...] = ()
    copy_of: str = ""


def plan_files(programme: Programme) -> tuple[PlannedFile, ...]:
    """Every upload of a programme, in order of path; a pure function of the programme."""
    files = [*_plain_tables(programme), *_readings(programme)]
    files = _with_correction(_with_broken_cells(files, programme), programme)
    if programme.plan.mistakes.file_quirks:
        files = _with_quirks(files, programme)
    return tuple(sorted(_with_duplicates(files, programme), key=lambda file: file.path))


def _plain_tables(programme: Programme) -> list[PlannedFile]:
    """Tables by season and region, or by season; sites and tanks in one list, then what is new in each season."""
    files = []
    for name in (*MASTER, *BY_REGION, *BY_SEASON):
        frame = programme.sent.frame(name)
        frame = frame if name in BY_REGION else frame.assign(_region="")
        for (season, region), rows in rows_by(frame, ["_season", "_region"]):
            path = f"{season}/{name}_{region}.csv" if region else f"{season}/{name}-{season}.csv"
            if name in MASTER and season == programme.shape.years[0]:
                path = f"programme/{name}.csv"
            files.append(PlannedFile(path, name, rows))
    return files


def _readings(programme: Programme) -> list[PlannedFile]:
    """Hand readings of a region in one file; loggers together in some regions, one file each in the others."""
    frame, files = programme.sent.temperatures, []
    by_logger, together = read_by_logger(frame), frame["_region"].isin(REGION_CODES[:GROUPED_LOGGER_REGIONS])
    kind = np.select([by_logger & together, by_logger], [0, 2], 1)  # loggers together, by hand, one logger
    groups = frame.assign(kind=kind, logger=frame["tank_id"].where(by_logger & ~together, ""))
    for (season, region, kind, logger), rows in rows_by(groups, ["_season", "_region", "kind", "logger"]):
        name = f"temperatures_{region}" + ("_loggers" if kind == 0 else "")
        if logger:
            name = f"logger_{logger.replace(' ', '_')}_{season}"
        files.append(PlannedFile(f"{season}/{name}.csv", "temperatures", rows))
    return files


def _with_broken_cells(files: list[PlannedFile], programme: Programme) -> list[PlannedFile]:
    """Put each unreadable cell into the file that holds its row."""
    changed = list(files)
    broken = programme.mistakes[programme.mistakes["column"] != ""]
    for name, *cell in broken[["table", "row", "column", "text"]].to_numpy():
        number = next(n for n, file in enumerate(changed) if file.table == name and cell[0] in file.rows)
        changed[number] = replace(changed[number], cells=(*changed[number].cells, tuple(cell)))
    return changed


def _with_correction(files: list[PlannedFile], programme: Programme) -> list[PlannedFile]:
    """One list of setups is sent with two slips and again, mended, under a later name."""
    if programme.plan.mistakes.rejected_rows == 0:
        return files
    number, file = next((number, file) for number, file in enumerate(files) if file.table == "setups")
    slips = zip(file.rows, ("set_point_c", "room_type"), ("85", "other"), strict=False)
    mended = replace(file, path=file.path.replace(".csv", "_v2.csv"))
    return [*files[:number], replace(file, cells=tuple(slips)), mended, *files[number + 1 :]]


def _with_quirks(files: list[PlannedFile], programme: Programme) -> list[PlannedFile]:
    """Give every shape to at least one file where there are enough, then to a share of the rest."""
    rng, shaped = programme.stream("file shapes"), list(files)
    order, draws = rng.permutation(len(files)), rng.random(len(files))
    for turn, number in enumerate(order):
        file, quirk = files[number], "plain"
        if turn < len(QUIRKS):
            quirk = QUIRKS[turn]
        elif draws[number] < QUIRK_SHARE:
            quirk = str(rng.choice(QUIRKS))
        if "/logger_" in file.path and draws[number] < PREAMBLE_SHARE:
            quirk = "preamble"
        if file.table == "batches" and number % 2:
            quirk = "windows_1252"
        stem = file.path.removesuffix(".csv")
        path = {"compressed": f"{stem}.csv.gz", "tabs": f"{stem}.tsv"}.get(quirk, file.path)
        shaped[number] = replace(file, quirk=quirk, path=path)
    return shaped


def _with_duplicates(files: list[PlannedFile], programme: Programme) -> list[PlannedFile]:
    """A few files are sent twice, under a name a mail program would give the copy."""
    share, rng = programme.plan.mistakes.duplicate_upload_share, programme.stream("duplicates")
    count = max(1, round(share * len(files))) if share > 0 else 0
    twice = [files[i] for i in sorted(rng.choice(len(files), size=min(count, len(files)), replace=False))]
    # only the ending has a dot
    return [*files, *(replace(file, path=file.path.replace(".", " (1).", 1), copy_of=file.path) for file in twice)]
