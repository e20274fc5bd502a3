"""The clean tables: they keep to the record set, and to each other."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from broodyear.errors import UsageError
from broodyear.schemas import pandera_schema, table
from broodyear.settings import Settings, season_of
from broodyear.synthetic import Programme, Tables, simulate

WRITTEN = tuple(Tables.__dataclass_fields__)
"""Tables of the invented programme: all but trials, of which it made none."""
DEFAULT_READINGS = (100_000, 600_000)
"""Least and most temperature rows wanted at the default size."""


def season(day: dt.date) -> int:
    return season_of(day, Settings())


def kept(programme: Programme, name: str) -> pd.DataFrame:
    """The declared columns of a clean table."""
    return programme.clean.frame(name)[list(table(name).column_names)]


def with_defaults(programme: Programme, name: str) -> pd.DataFrame:
    """A clean table as loading leaves it: the instrument, told by the hour when blank, is part of the key."""
    frame = kept(programme, name)
    if name == "temperatures":
        by_hour = np.where(programme.clean.temperatures["read_at_has_hour"], "logger", "thermometer")
        frame = frame.assign(instrument=frame["instrument"].astype(object).fillna(pd.Series(by_hour)))
    return frame


@pytest.mark.parametrize("name", WRITTEN)
def test_clean_tables_keep_to_their_declaration(programme: Programme, name: str) -> None:
    frame = with_defaults(programme, name)
    checked = pandera_schema(table(name), season_of=season).validate(frame, lazy=True)
    assert len(checked) == len(frame) > 0


@pytest.mark.parametrize("name", WRITTEN)
def test_tables_have_every_declared_column(programme: Programme, name: str) -> None:
    shown = [c for c in programme.clean.frame(name) if not c.startswith("_") and not c.endswith("_has_hour")]
    assert shown == list(table(name).column_names)


@pytest.mark.parametrize("name", WRITTEN)
def test_references_resolve(programme: Programme, name: str) -> None:
    for reference in table(name).references:
        known = set(kept(programme, reference.target_table)[reference.target_column])
        assert set(kept(programme, name)[reference.column].dropna().unique()) <= known


def test_default_size(programme: Programme) -> None:
    setups = kept(programme, "setups")
    assert setups.groupby("season").size().tolist() == [90] * 5
    assert kept(programme, "sites")["region"].nunique() == 4
    assert kept(programme, "batches").groupby("brood_year").size().between(3, 6).all()
    assert DEFAULT_READINGS[0] <= len(kept(programme, "temperatures")) <= DEFAULT_READINGS[1]


def test_two_species_have_many_tanks(programme: Programme) -> None:
    tanks = pd.DataFrame(programme.truth["tank_seasons"])
    assert (tanks.groupby("species").size() >= 30).sum() >= 2


def test_about_seven_sites_in_ten_return(programme: Programme) -> None:
    hosted = kept(programme, "setups").groupby("season")["site_id"].agg(set)
    shares = [len(hosted[y] & hosted[y + 1]) / len(hosted[y]) for y in list(hosted.index)[:-1]]
    assert np.mean(shares) == pytest.approx(0.70, abs=0.06)


def test_loggers_in_about_three_tanks_in_ten(programme: Programme) -> None:
    share = np.mean([truth.setups["has_logger"].mean() for truth in programme.seasons])
    assert share == pytest.approx(0.30, abs=0.05)


def test_some_batches_are_shared_and_the_last_region_shares_none(programme: Programme) -> None:
    shared = programme.truth["regions_truth"]["batches_shared"]
    assert shared["dune"] == 0
    assert all(shared[region] >= 5 for region in ("amber", "basalt", "cobalt"))


def test_set_points_span_cold_to_warm(programme: Programme) -> None:
    set_point = kept(programme, "setups")["set_point_c"]
    assert (set_point <= 5).mean() > 0.03
    assert (set_point >= 11).mean() > 0.05
    assert set_point.between(7, 10).mean() > 0.6


def test_every_dated_row_lies_between_delivery_and_closing(programme: Programme) -> None:
    for truth in programme.seasons:
        start = dict(enumerate(truth.calendar.dates[truth.first_day]))
        end = dict(enumerate(truth.calendar.dates[truth.close_day]))
        for name, column in {"losses": "checked_on", "stages": "first_seen_on", "exits": "exited_on"}.items():
            frame = programme.clean.frame(name)
            frame = frame[frame["_season"] == truth.calendar.season]
            assert (frame[column] >= frame["_at"].map(start)).all()
            assert (frame[column] <= frame["_at"].map(end)).all()


def test_silent_tanks_write_nothing_more(programme: Programme) -> None:
    for truth in programme.seasons:
        silent = np.flatnonzero(truth.silent_day <= truth.close_day)
        exits = programme.clean.exits
        exits = exits[(exits["_season"] == truth.calendar.season) & (exits["fate"] == "released")]
        closed = programme.clean.setups
        closed = closed[closed["_season"] == truth.calendar.season].set_index("_at")
        assert closed.loc[silent, "closed_on"].isna().all()
        final = exits[
            exits["exited_on"] == exits["_at"].map(dict(enumerate(truth.calendar.dates[truth.close_day])))
        ]
        assert not set(final["_at"]) & set(silent)


@pytest.mark.parametrize(
    ("sizes", "words"),
    [
        ({"seasons": 0}, "seasons is 0; the smallest programme that can be simulated has 1 season and 4 tanks"),
        ({"seasons": 0, "tanks": 0}, "seasons is 0, tanks is 0; the smallest"),
        ({"seasons": 101}, "seasons is 101; the smallest .*, the largest 100 seasons and 10000 tanks"),
        ({"tanks": 1}, "1 tank cannot serve 4 regions; the smallest .* has 1 season and 4 tanks"),
        ({"tanks": 6, "regions": 7}, "6 tanks cannot serve 7 regions; the smallest .* has 1 season and 7 tanks"),
    ],
)
def test_odd_sizes_are_refused(sizes: dict[str, int], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        simulate(1, **sizes)


@pytest.mark.parametrize("sizes", [{"tanks": 12, "regions": 1}, {"tanks": 14, "regions": 7, "seasons": 1}])
def test_other_sizes_work(sizes: dict[str, int]) -> None:
    small = simulate(3, **{"seasons": 2, "logger_interval_minutes": 720, **sizes})
    assert len(kept(small, "setups")) == sizes["tanks"] * small.shape.seasons
    assert len(kept(small, "temperatures")) > 0


def test_without_readings_all_else_is_the_same() -> None:
    with_them = simulate(5, seasons=1, tanks=12, regions=2)
    without = simulate(5, seasons=1, tanks=12, regions=2, with_readings=False)
    assert len(kept(without, "temperatures")) == 0
    pd.testing.assert_frame_equal(kept(with_them, "exits"), kept(without, "exits"))
    pd.testing.assert_frame_equal(kept(with_them, "losses"), kept(without, "losses"))
