"""Each trap alone shows its naive signature: what an analysis that falls into it would see."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pandas as pd
import pytest
from tests.simulated.outcomes import outcome_rows
from tests.simulated.traps import TRAPS, simulate_trap, trap_plan

from broodyear.synthetic import Programme

Trap = Callable[[str], Programme]
SEED = 7


@pytest.fixture(scope="session")
def trap() -> Trap:
    """A trap's programme by its name, simulated once."""

    @cache
    def of(name: str) -> Programme:
        return simulate_trap(name, SEED)

    return of


def release(programme: Programme) -> pd.DataFrame:
    rows = outcome_rows(programme)
    rows = rows[(rows["outcome"] == "delivered_to_release") & rows["usable"]].copy()
    rows["pct"] = 100 * rows["survivors"].astype(float) / rows["eggs"]
    return rows


def truth(programme: Programme) -> pd.DataFrame:
    return pd.DataFrame(programme.truth["tank_seasons"])


def test_unknown_traps_are_refused_with_the_list() -> None:
    with pytest.raises(ValueError, match="'typo' is no trap; choose one of null, "):
        trap_plan("typo")


@pytest.mark.parametrize("name", sorted(TRAPS))
def test_traps_have_no_mistakes_but_their_own(trap: Trap, name: str) -> None:
    rules = set(trap(name).mistakes["rule"])
    assert rules == ({"copied_forecast"} if name == "copied_forecasts" else set())


def test_nothing_differs_under_the_null(trap: Trap) -> None:
    rows = release(trap("null"))
    within = rows["pct"] - rows.groupby("batch_id")["pct"].transform("mean")
    for column in ("region", "room_type", "gravel_practice", "has_logger", "light_cover"):
        groups = within.groupby(rows[column]).agg(["mean", "std", "size"])
        groups = groups[groups["size"] >= 20]
        assert (groups["mean"].abs() < 4 * groups["std"] / np.sqrt(groups["size"])).all()


def test_small_ordinary_variation(trap: Trap) -> None:
    logit = truth(trap("null")).assign(p=lambda f: f["expected_release_pct"] / 100)
    logit["logit"] = np.log(logit["p"] / (1 - logit["p"]))
    within = logit["logit"] - logit.groupby("batch_id")["logit"].transform("mean")
    assert within.std() == pytest.approx(np.hypot(0.15, 0.06), rel=0.25)


def test_the_worst_region_has_the_worst_batch(trap: Trap) -> None:
    rows = release(trap("worst_region_worst_batch"))
    raw = rows.groupby("region")["pct"].mean()
    assert raw.idxmin() == "amber"
    assert raw.drop("amber").min() - raw["amber"] > 5
    within = rows["pct"] - rows.groupby("batch_id")["pct"].transform("mean")
    assert abs(within.groupby(rows["region"]).mean()["amber"]) < 1.5


def test_unshared_batches_cannot_be_separated(trap: Trap) -> None:
    shared = trap("worst_region_unshared_batch").truth["regions_truth"]["batches_shared"]
    assert set(shared.values()) == {0}


def test_small_deliveries_are_four_in_ten(trap: Trap) -> None:
    eggs = truth(trap("small_deliveries"))["true_eggs"]
    assert (eggs <= 60).mean() == pytest.approx(0.4, abs=0.08)


def test_gravel_looks_good_because_of_the_room(trap: Trap) -> None:
    rows = release(trap("gravel_is_room_type"))
    rows["gravel"] = rows["gravel_practice"].str.startswith("gravel")
    raw = rows.groupby("gravel")["pct"].mean()
    assert raw[True] - raw[False] > 4
    quiet = rows["room_type"] != "hallway"
    means = rows.groupby([quiet, "gravel"])["pct"].mean().unstack()
    assert (means[True] - means[False]).abs().max() < 3


def test_silent_failures_flatter_the_reported_mean(trap: Trap) -> None:
    programme = trap("silent_failures")
    true_pct = (100 * truth(programme)["true_left_alive"] / truth(programme)["true_eggs"]).mean()
    reported = release(programme)
    assert 3 < reported["pct"].mean() - true_pct < 9
    unreported = 1 - len(reported) / len(truth(programme))
    low, high = (
        reported["pct"].mean() * (1 - unreported),
        reported["pct"].mean() * (1 - unreported) + 100 * unreported,
    )
    assert low < true_pct < high


def test_experience_looks_harmful_where_new_sites_get_new_chillers(trap: Trap) -> None:
    rows = release(trap("new_sites_new_chillers"))
    age = rows.groupby(rows["site_seasons"].clip(upper=6))["chiller_age_years"].mean()
    assert age.iloc[-1] > age.iloc[0] + 2
    new = rows["site_seasons"] <= 2
    assert rows.loc[new, "pct"].mean() > rows.loc[~new, "pct"].mean()


def test_loggers_stand_where_fish_do_better(trap: Trap) -> None:
    means = release(trap("loggers_at_keen_sites")).groupby("has_logger")["pct"].mean()
    assert means[True] - means[False] > 1.5


def test_late_deliveries_look_good(trap: Trap) -> None:
    rows = outcome_rows(trap("late_deliveries"))
    rows = rows[rows["outcome"] == "hatch"].copy()
    rows["pct"] = 100 * rows["survivors"].astype(float) / rows["eggs"]
    centred = rows[["pct", "units_at_delivery_c_days"]] - rows.groupby("batch_id")[
        ["pct", "units_at_delivery_c_days"]
    ].transform("mean")
    assert centred.corr().iloc[0, 1] > 0.25


def test_hidden_deaths_open_a_gap_between_the_two_estimates(trap: Trap) -> None:
    programme = trap("hidden_deaths")
    rows = release(programme)
    losses = programme.clean.losses.groupby(["_season", "tank_id"])["dead"].sum()
    dead = losses.reindex(pd.MultiIndex.from_frame(rows[["season", "tank_id"]]), fill_value=0).to_numpy()
    gap = (100 - 100 * dead / rows["eggs"]) - rows["pct"]
    gaps = gap.groupby(rows["gravel_practice"] == "layered_stones").mean()
    assert gaps[True] > gaps[False] + 5


def test_copied_forecasts_are_a_third(trap: Trap) -> None:
    programme = trap("copied_forecasts")
    half = int((programme.clean.stages["stage"] == "hatch_half").sum())
    assert len(programme.mistakes) / half == pytest.approx(0.33, abs=0.1)
    assert set(programme.sent.stages["dating"].dropna()) <= {"seen", "inferred"}


def test_the_narrow_band_is_narrow(trap: Trap) -> None:
    mean = truth(trap("narrow_band"))["true_mean_water_temp_c"]
    assert mean.quantile(0.02) > 6.5
    assert mean.quantile(0.98) < 9.0


def test_poor_setups_lack_twelve_points_on_150_eggs(trap: Trap) -> None:
    programme = trap("poor_setups")
    poor = programme.truth["poor_tanks"]
    assert len(poor) == 8
    assert [p for tank in poor for p in tank["shortfall_points"]] == pytest.approx([12.0] * 40, abs=0.02)
    tanks = truth(programme)
    assert (tanks[tanks["tank_id"].isin([t["tank_id"] for t in poor])]["true_eggs"] == 150).all()


def test_the_poor_practice_costs_about_eight_points_in_enough_tanks(trap: Trap) -> None:
    row = next(e for e in trap("poor_practice").truth["effects"] if e["level"] == "layered_stones")
    assert row["outcomes"]["delivered_to_release"]["difference_points"] == pytest.approx(-8, abs=1.5)
    assert row["tanks"] >= 50
