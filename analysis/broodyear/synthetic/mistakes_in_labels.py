"""Tank labels typed another way: one physical tank under two labels for a season."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .frames import coded
from .plan import MistakesPlan
from .tables import WorkingCopy


def retyped(tank_id: str) -> str:
    """The variant under which a tank's label comes back: another way to type the same number."""
    number = int(tank_id.split("-")[1])
    variants = (f"TK{number:04d}", f"tk-{number:04d}", f"TK-{number}", f"Tank {number}", f"TK_{number:04d}")
    return variants[number % len(variants)]


def retype_labels(desk: WorkingCopy, shares: MistakesPlan, rng: np.random.Generator) -> None:
    """Returning tanks written under a variant of their label for a whole season, in every table."""
    renamed: dict[tuple[int, int], str] = {}
    for truth in desk.lived:
        returning = truth.setups["tank_returns"].to_numpy(dtype=bool) & (truth.setups["poor"] == "").to_numpy()
        for at in np.flatnonzero(returning & (rng.random(len(returning)) < shares.id_retyped_share)):
            label = str(truth.setups["tank_id"].iloc[at])
            renamed[truth.calendar.season, int(at)] = retyped(label)
            desk.note("id_retyped", "setups", truth.calendar.season, int(at), 1, f"written as {retyped(label)}")
    for name, frame in desk.frames.items():
        if name not in ("sites", "tanks", "batches") and renamed:
            desk.frames[name] = _relabel(frame, renamed)
    desk.frames["tanks"] = _second_labels(desk.frames["tanks"], desk, renamed)


def _relabel(frame: pd.DataFrame, renamed: dict[tuple[int, int], str]) -> pd.DataFrame:
    if frame.empty:
        return frame
    key = frame["_season"].to_numpy(dtype=np.int64) * 1_000_000 + frame["_at"].to_numpy(dtype=np.int64)
    wanted = {season * 1_000_000 + at: label for (season, at), label in renamed.items()}
    rows = np.flatnonzero(np.isin(key, list(wanted)))
    labels = [wanted[int(k)] for k in key[rows]]
    if isinstance(frame["tank_id"].dtype, pd.CategoricalDtype):
        known = frame["tank_id"].cat.categories
        more = frame["tank_id"].cat.add_categories(
            [label for label in sorted(set(labels)) if label not in set(known)]
        )
        codes = more.cat.codes.to_numpy(copy=True)
        codes[rows] = more.cat.categories.get_indexer(pd.Index(labels))
        return frame.assign(tank_id=coded(codes, more.cat.categories))
    values = frame["tank_id"].to_numpy(dtype=object, copy=True)
    values[rows] = labels
    return frame.assign(tank_id=values)


def _second_labels(tanks: pd.DataFrame, desk: WorkingCopy, renamed: dict[tuple[int, int], str]) -> pd.DataFrame:
    """The list of tanks, with a row for each variant in the first season it is used."""
    seasons = {truth.calendar.season: truth for truth in desk.lived}
    rows: dict[str, pd.Series] = {}
    for (season, at), variant in sorted(renamed.items()):
        if variant not in rows:
            own = tanks[tanks["tank_id"] == seasons[season].setups["tank_id"].iloc[at]].iloc[0].copy()
            own["tank_id"], own["_season"] = variant, season
            rows[variant] = own
    if not rows:
        return tanks
    return pd.concat([tanks, pd.DataFrame(list(rows.values())).astype(tanks.dtypes.to_dict())], ignore_index=True)
