"""Mistakes: at their planned shares, logged one by one, and nothing else is changed."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pandas as pd
import pytest

from broodyear.schemas import table
from broodyear.synthetic import Programme
from broodyear.synthetic.mistakes import BROKEN_CELLS, FOUND_BY, HANDOUT_UNITS_C_DAYS, retyped

STANDARD_ERRORS = 4
"""Planned shares are chances: counts may differ by four standard errors."""


def logged(programme: Programme, rule: str) -> pd.DataFrame:
    return programme.mistakes[programme.mistakes["rule"] == rule]


def hand_tanks(programme: Programme) -> int:
    """Tank-seasons with a hand thermometer: every one without a logger, and some of the others."""
    return sum(
        int((~truth.setups["has_logger"]).sum() + 0.6 * truth.setups["has_logger"].sum())
        for truth in programme.seasons
    )


def logger_tanks(programme: Programme) -> int:
    return sum(int(truth.setups["has_logger"].sum()) for truth in programme.seasons)


def returning_tanks(programme: Programme) -> int:
    return sum(
        int((truth.setups["tank_returns"] & (truth.setups["poor"] == "")).sum()) for truth in programme.seasons
    )


def daily_tanks(programme: Programme) -> int:
    return round(0.35 * len(programme.clean.setups))


def dates_at_risk(programme: Programme) -> int:
    return sum(len(programme.clean.frame(name)) for name in ("losses", "stages", "exits", "water_tests"))


def half_hatches(programme: Programme) -> int:
    return int((programme.clean.stages["stage"] == "hatch_half").sum())


SHARES = [
    ("f_readings", 0.04, hand_tanks),
    ("copied_run", 0.06, hand_tanks),
    ("set_point_typed", 0.02, hand_tanks),
    ("f_thermal_units", 0.03, lambda p: len(p.clean.deliveries)),
    ("thermal_units_restarted", 0.03, lambda p: len(p.clean.deliveries)),
    ("day_month_swapped", 0.01, dates_at_risk),
    ("zero_filled_weekends", 0.10, daily_tanks),
    ("cumulative_dead", 0.03, lambda p: len(p.clean.setups)),
    ("copied_forecast", 0.15, half_hatches),
    ("id_retyped", 0.18, returning_tanks),
    ("logger_in_air", 0.06, logger_tanks),
    ("clock_offset", 0.15, logger_tanks),
]


@pytest.mark.parametrize(("rule", "share", "of"), SHARES, ids=[rule for rule, _, _ in SHARES])
def test_shares_are_as_planned(programme: Programme, rule: str, share: float, of) -> None:  # type: ignore[no-untyped-def]
    trials = of(programme)
    margin = STANDARD_ERRORS * np.sqrt(share * (1 - share) / trials) + 1 / trials
    assert len(logged(programme, rule)) / trials == pytest.approx(share, abs=margin)


def test_single_readings_in_fahrenheit_are_one_in_two_hundred(programme: Programme) -> None:
    frame = programme.clean.temperatures
    hand = int((~frame["read_at_has_hour"].astype(bool) | (frame["instrument"] == "thermometer")).sum())
    assert logged(programme, "f_reading_row")["rows"].sum() / hand == pytest.approx(0.005, rel=0.4)


def test_rows_that_differ_are_the_logged_ones(programme: Programme) -> None:
    """No table is changed where no mistake is logged (labels apart, which are changed everywhere)."""
    touched = {
        (name, season, tank)
        for name, season, tank in zip(
            programme.mistakes["table"],
            programme.mistakes["season"],
            programme.mistakes["tank_id"],
            strict=True,
        )
    }
    for part in fields(programme.clean):
        name = part.name
        clean, sent = programme.clean.frame(name), programme.sent.frame(name)
        if name == "tanks":
            sent = sent.iloc[: len(clean)]
        columns = [c for c in table(name).column_names if c != "tank_id"]
        differs = pd.DataFrame({c: _differs(clean[c], sent[c]) for c in columns}).any(axis=1).to_numpy()
        seen = clean[differs]
        found = set(zip([name] * len(seen), seen["_season"], seen.get("tank_id", []), strict=False))
        assert found <= touched


def _differs(one: pd.Series, other: pd.Series) -> np.ndarray:
    if one.equals(other):
        return np.zeros(len(one), dtype=bool)
    one, other = one.astype(object), other.astype(object)
    same = (one == other) | (one.isna() & other.isna())
    return ~same.to_numpy(dtype=bool)


def test_labels_differ_only_where_retyped(programme: Programme) -> None:
    wanted = {
        (season, tank)
        for season, tank in logged(programme, "id_retyped")[["season", "tank_id"]].itertuples(index=False)
    }
    for name in ("setups", "losses", "temperatures", "exits"):
        clean, sent = programme.clean.frame(name), programme.sent.frame(name)
        differs = (clean["tank_id"].astype(object) != sent["tank_id"].astype(object)).to_numpy()
        changed = clean[differs][["_season", "tank_id"]].astype({"tank_id": object}).drop_duplicates()
        assert set(changed.itertuples(index=False, name=None)) <= wanted
        assert len(changed) > 0
        assert (
            sent["tank_id"][differs].astype(object) == clean["tank_id"][differs].astype(object).map(retyped)
        ).all()
    assert set(programme.sent.setups["tank_id"]) <= set(programme.sent.tanks["tank_id"])


def test_fahrenheit_tanks_read_like_fahrenheit(programme: Programme) -> None:
    row = logged(programme, "f_readings").iloc[0]
    sent = programme.sent.temperatures
    mine = sent[(sent["_season"] == row["season"]) & (sent["water_temp"] > 30) & (sent["unit"].isna())]
    assert len(mine) >= row["rows"]


def test_swapped_dates_swap_back(programme: Programme) -> None:
    rows = logged(programme, "day_month_swapped")
    for name, column in {"losses": "checked_on", "exits": "exited_on"}.items():
        at = rows.loc[rows["table"] == name, "row"].to_numpy(dtype=int)
        clean, sent = (
            programme.clean.frame(name)[column].iloc[at],
            programme.sent.frame(name)[column].iloc[at],
        )
        assert (clean.dt.day.to_numpy() == sent.dt.month.to_numpy()).all()
        assert (clean.dt.month.to_numpy() == sent.dt.day.to_numpy()).all()
        assert (clean.dt.year.to_numpy() == sent.dt.year.to_numpy()).all()


def test_running_totals_never_fall(programme: Programme) -> None:
    row = logged(programme, "cumulative_dead").iloc[0]
    losses = programme.clean.losses
    mine = (losses["_season"] == row["season"]) & (losses["tank_id"] == row["tank_id"])
    sent = programme.sent.losses[mine]["dead"].dropna()
    assert (sent.diff().dropna() >= 0).all()
    assert sent.iloc[-1] == losses[mine]["dead"].sum()


def test_copied_dates_are_those_of_the_sheet(programme: Programme) -> None:
    row = logged(programme, "copied_forecast").iloc[0]
    truth = next(t for t in programme.seasons if t.calendar.season == row["season"])
    at = int(np.flatnonzero(truth.setups["tank_id"] == row["tank_id"])[0])
    cohort = truth.cohorts.iloc[truth.main[at]]
    units = HANDOUT_UNITS_C_DAYS[truth.batches["species"].iloc[cohort["batch"]]]
    days = np.ceil((units - cohort["thermal_units_at_delivery"]) / truth.setups["set_point_c"].iloc[at])
    sent = programme.sent.stages.iloc[row["row"]]
    assert sent["first_seen_on"] == pd.Timestamp(truth.calendar.dates[cohort["day"]]) + pd.Timedelta(
        days=int(days)
    )
    assert pd.isna(sent["last_absent_on"])


def test_a_logger_in_the_air_reads_the_room(programme: Programme) -> None:
    rows = logged(programme, "logger_in_air")
    clean, sent = programme.clean.temperatures["water_temp"], programme.sent.temperatures["water_temp"]
    lifted = (programme.sent.temperatures["read_at_has_hour"].astype(bool)) & ((sent - clean) > 4) & (sent < 30)
    assert lifted.sum() == pytest.approx(rows["rows"].sum(), rel=0.25)


def test_unreadable_cells_are_of_every_kind(programme: Programme) -> None:
    refused = programme.mistakes[programme.mistakes["column"] != ""]
    assert sorted(refused["rule"]) == sorted(f"refused_{rule}" for rule, *_ in BROKEN_CELLS)


def test_planted_poor_tanks_keep_their_label(programme: Programme) -> None:
    poor = {tank["tank_id"] for tank in programme.truth["poor_tanks"]}
    assert not poor & set(logged(programme, "id_retyped")["tank_id"])


def test_the_rule_that_should_find_a_mistake_is_named(programme: Programme) -> None:
    without_trace = {"clock_offset", "zero_filled_weekends"}
    assert set(programme.mistakes["rule"]) <= set(FOUND_BY) | without_trace
    errors = programme.truth["record_errors"]
    assert len(errors) == len(programme.mistakes)
    assert all(bool(error["found_by"]) == (error["rule"] not in without_trace) for error in errors)
