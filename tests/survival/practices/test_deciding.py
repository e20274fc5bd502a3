"""What decides a claim: the family, the batches, the silent tanks, the whole stay before its stages."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import norm
from tests.setups.programmes import programme, thinned

from broodyear.claims import Claim, ClaimKind, Decision, Reason
from broodyear.statistics.multiplicity import holm, shrunken, single_step
from broodyear.survival import effects_report
from broodyear.survival.practices.findings import (
    METHOD_COLUMNS,
    TEMPERATURE,
    Finding,
    Within,
    as_family,
    beside_silent,
    effect_claims,
    effect_rows,
    gated,
)
from broodyear.survival.result import Average

#: Error of a p of 0.05 from fifty thousand draws, four times over.
DRAWN = 0.004


def within(log_odds: float, shift: float, error: float, p_between: float) -> Within:
    return Within(shift, p_between, log_odds=log_odds, error=error, degrees=40.0)


def equal_correlation(size: int, rho: float) -> np.ndarray:
    return np.full((size, size), rho) + (1.0 - rho) * np.eye(size)


@pytest.mark.parametrize(("size", "rho"), [(1, 0.0), (2, 0.5), (5, 0.5), (10, 0.0), (20, 0.3)])
def test_single_step_is_the_chance_of_the_largest_statistic(size: int, rho: float) -> None:
    def inside_given(shared: float) -> float:
        ends = (np.array([-2.6, 2.6]) - np.sqrt(rho) * shared) / np.sqrt(1.0 - rho)
        return float(norm.pdf(shared) * (norm.cdf(ends[1]) - norm.cdf(ends[0])) ** size)

    inside = quad(inside_given, -9.0, 9.0)[0]
    found = single_step(np.full(size, 2.0 * norm.sf(2.6)), equal_correlation(size, rho))
    assert found == pytest.approx(np.full(size, 1.0 - inside), abs=DRAWN)


def test_single_step_lies_between_one_test_and_all_of_them() -> None:
    p = np.array([1e-9, 0.004, 0.03, 0.5, np.nan])
    found = single_step(p, equal_correlation(5, 0.4))
    assert (found[:4] >= p[:4]).all() and (found[:4] <= np.minimum(4 * p[:4], 1.0) + 1e-12).all()
    assert np.isnan(found[4])
    assert found[0] == pytest.approx(4e-9)
    np.testing.assert_array_equal(found, single_step(p, equal_correlation(5, 0.4)))


def test_estimates_that_move_together_cost_nothing() -> None:
    assert single_step([0.03, 0.03], np.ones((2, 2))) == pytest.approx([0.03, 0.03], abs=DRAWN)


def test_where_there_is_no_joint_correlation_holm_answers() -> None:
    broken = np.array([[1.0, 2.0], [2.0, 1.0]])
    np.testing.assert_array_equal(single_step([0.01, 0.04], broken), holm([0.01, 0.04]))
    np.testing.assert_array_equal(single_step([0.01, 0.04], np.full((2, 2), np.nan)), holm([0.01, 0.04]))


def test_shrinkage_draws_in_the_idle_and_spares_the_one_that_stands_out() -> None:
    estimates, errors = np.array([-8.0, 0.5, -1.0, 1.5, 0.2, -0.4, np.nan]), np.full(7, 1.2)
    found = shrunken(estimates, errors)
    assert np.isnan(found[6])
    assert (np.abs(found[:6]) <= np.abs(estimates[:6])).all() and (
        np.sign(found[:6]) == np.sign(estimates[:6])
    ).all()
    assert -8.0 < found[0] <= -8.0 + 0.786 * 1.2 + 1e-9
    assert np.abs(found[1:6]).sum() < np.abs(estimates[1:6]).sum()


def a_finding(**changes: object) -> Finding:
    silence = {"tanks_silent": 3, "points_if_silent_lost": 6.5}
    decided_by = {"within": within(0.48, -0.02, 0.11, 0.7), "p_family": 1e-4, **silence}
    contrast = Finding(
        "light_cover", "yes", "no", 60, 8, "delivered_to_release",
        log_odds=0.5, error=0.1, p_value=1e-6, points=7.0, points_error=1.2, comparisons=20,
    )  # fmt: skip
    return replace(contrast, **{**decided_by, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({}, Reason.CLEAR),
        ({"p_family": 0.05}, Reason.CLEAR),
        ({"p_family": 0.0501}, Reason.NOT_CLEAR),
        ({"p_family": np.nan}, Reason.NO_INTERVAL),
        ({"p_without_one_tank": 0.10}, Reason.CLEAR),
        ({"p_without_one_tank": 0.1001}, Reason.HANGS_ON_ONE_TANK),
        ({"p_without_one_tank": 0.1001, "p_family": 0.06}, Reason.NOT_CLEAR),
        ({"within": None, "tanks_silent": 0, "points_if_silent_lost": np.nan}, Reason.CLEAR),
        ({"within": within(-0.1, -0.6, 0.2, 0.3)}, Reason.BATCHES_DISAGREE),
        ({"within": within(0.1, -0.4, 0.1, 0.005)}, Reason.BATCHES_DISAGREE),
        ({"within": within(0.1, -0.4, 0.1, 0.2)}, Reason.CLEAR),
        ({"within": within(0.45, -0.05, 0.1, 0.001)}, Reason.CLEAR),
        ({"tanks_silent": 30, "points_if_silent_lost": -1.0}, Reason.DEPENDS_ON_SILENT),
        ({"tanks_silent": 30, "points_if_silent_lost": 0.0}, Reason.DEPENDS_ON_SILENT),
        ({"tanks_silent": 30, "points_if_silent_lost": 0.1}, Reason.CLEAR),
    ],
)
def test_the_reason_of_a_decision(changes: dict[str, object], reason: Reason) -> None:
    assert a_finding(**changes).reason is reason


@pytest.mark.parametrize(("lost", "is_said"), [(2.0, True), (2.6, False)])
def test_a_claim_that_silent_tanks_would_blur_says_so(lost: float, is_said: bool) -> None:
    found = a_finding(tanks_silent=30, points_if_silent_lost=lost)
    assert found.reason is Reason.CLEAR
    assert ("if every silent tank lost all its fish" in found.note) is is_said


def test_a_difference_to_the_worse_is_decided_alike() -> None:
    turned = replace(a_finding(within=within(-0.48, 0.02, 0.11, 0.7)), points=-7.0, log_odds=-0.5)
    assert replace(turned, tanks_silent=3, points_if_silent_lost=-6.5).reason is Reason.CLEAR
    assert replace(turned, tanks_silent=3, points_if_silent_lost=1.0).reason is Reason.DEPENDS_ON_SILENT


def test_a_stage_is_no_surer_than_the_whole_stay() -> None:
    main, stage = a_finding(p_family=0.2), replace(a_finding(p_family=0.001), outcome="hatch")
    found = {one.outcome: one for one in gated([stage, main], "delivered_to_release")}
    assert found["hatch"].p_family == 0.2 and found["hatch"].reason is Reason.NOT_CLEAR
    both = gated([stage, replace(main, p_family=0.01)], "delivered_to_release")
    assert [one.reason for one in both] == [Reason.CLEAR, Reason.CLEAR]
    alone = gated([stage, replace(stage, outcome="hatch_to_release")], "delivered_to_release")
    assert [one.p_family for one in alone] == [0.002, 0.002]


def test_a_stage_hangs_on_one_tank_where_the_whole_stay_does() -> None:
    main, stage = a_finding(p_without_one_tank=0.3), replace(a_finding(p_without_one_tank=0.01), outcome="hatch")
    found = {one.outcome: one for one in gated([stage, main], "delivered_to_release")}
    assert (found["hatch"].p_without_one_tank, found["hatch"].reason) == (0.3, Reason.HANGS_ON_ONE_TANK)
    assert (
        gated([stage, replace(main, p_without_one_tank=np.nan)], "delivered_to_release")[0].reason is Reason.CLEAR
    )


def test_the_p_value_without_a_tank_is_adjusted_as_the_others_are() -> None:
    idle = [a_finding(p_value=0.4, level=str(index)) for index in range(4)]
    first, second, *rest = as_family(
        [
            a_finding(p_value=1e-4, p_without_one_tank=0.02),
            a_finding(p_value=0.03, p_without_one_tank=0.01),
            *idle,
        ],
        np.eye(6),
    )
    assert first.p_without_one_tank == pytest.approx(1.0 - 0.98**6, abs=DRAWN)
    assert second.p_without_one_tank == second.p_family  # it is never surer than with all tanks
    assert np.isnan([one.p_without_one_tank for one in rest]).all()


def test_a_difference_that_one_lost_tank_makes_is_not_claimed_and_names_it() -> None:
    frame = practised(3)
    frame["light_cover"] = np.arange(len(frame)) % 40 == 0
    covered = frame.index[frame["light_cover"]]
    frame.loc[covered, "survivors"] = (0.8 * frame.loc[covered, "eggs"]).astype(int)
    frame.loc[covered[0], "survivors"] = 0
    row = effects_report(frame).effects.set_index(["factor", "level"]).loc[("light_cover", "yes")]
    assert row["p_family"] <= 0.05 < row["p_without_one_tank"]
    assert row["reason"] == "hangs_on_one_tank"
    tank = "{tank_id} in {season}".format(**frame.loc[covered[0]])
    assert row["most_telling_tank"] == tank
    assert f"without tank {tank} it would not be clear (p = " in row["note"]


def test_where_the_whole_stay_was_not_fitted_what_has_no_p_value_stays_without() -> None:
    stages = [replace(a_finding(p_family=np.nan), outcome=outcome) for outcome in ("hatch", "hatch_to_release")]
    assert {one.reason for one in gated(stages, "delivered_to_release")} == {Reason.NO_INTERVAL}


def test_a_stage_whose_whole_stay_cannot_be_told_is_not_claimed() -> None:
    main = replace(a_finding(), p_family=np.nan)
    found = gated([replace(a_finding(), outcome="hatch"), main], "delivered_to_release")
    assert found[0].reason is not Reason.CLEAR


def test_what_the_whole_stay_never_asked_is_not_claimed_of_a_stage() -> None:
    of_other = replace(a_finding(p_family=0.001), factor="insulated")
    stage = replace(a_finding(p_family=0.001), outcome="hatch")
    found = gated([stage, of_other], "delivered_to_release")
    assert (found[0].p_family, found[0].reason) == (1.0, Reason.NOT_CLEAR)


def claims_of(*findings: Finding) -> list[Claim]:
    return effect_claims(effect_rows(findings, pd.DataFrame(columns=METHOD_COLUMNS), 60, 60))


def test_a_claim_says_what_was_found() -> None:
    claim, step = claims_of(a_finding(), replace(a_finding(), factor=TEMPERATURE))
    assert (claim.kind, claim.subject, claim.level, claim.reference) == (
        ClaimKind.PRACTICE_DIFFERS, "light_cover", "yes", "no",
    )  # fmt: skip
    assert (claim.estimate, claim.unit, claim.comparisons, claim.decision) == (7.0, "points", 20, Decision.CLAIMED)
    assert claim.low < claim.estimate < claim.high
    assert step.kind is ClaimKind.TEMPERATURE_DIFFERS


@pytest.mark.parametrize(
    ("changes", "said"),
    [({}, "beta binomial (p = 0.051) and clustered (p = 0.130)"), ({"p_family": 0.2}, ""), ({"level": "no"}, "")],
)
def test_methods_by_which_a_claim_is_not_clear_are_named(changes: dict[str, object], said: str) -> None:
    p_values = {"beta_binomial": 0.0511, "quasi_binomial": 0.05, "clustered": 0.13, "exchangeable": np.nan}
    same = {"factor": "light_cover", "level": "yes", "reference": "no", "difference_points": 7.5}
    methods = pd.DataFrame([{**same, "method": method, "p_value": p} for method, p in p_values.items()])
    found = effect_rows([a_finding(**changes)], methods.reindex(columns=METHOD_COLUMNS), 60, 60)
    assert found["methods_not_clear"].tolist() == [said]


def test_silent_tanks_that_lost_all_lower_their_level() -> None:
    silent = {("light_cover", "no"): (0, 0.0), ("light_cover", "yes"): (12, 0.5)}
    shares = {"no": Average(0.8, np.empty(0)), "yes": Average(0.9, np.empty(0))}
    found = beside_silent(a_finding(), silent, shares)
    assert (found.tanks_silent, found.points_if_silent_lost) == (12, pytest.approx(100 * (0.9 * 0.5 - 0.8)))


def practised(seed: int, effect_points: float = 0.0) -> pd.DataFrame:
    """A programme of 4 seasons of 60 tanks in which covered tanks lose `effect_points` more."""
    frame = programme(seed, seasons=4, batches_per_season=6)
    rng = np.random.default_rng(seed + 500)
    frame["light_cover"] = rng.random(len(frame)) < 0.35
    frame["insulated"] = rng.random(len(frame)) < 0.5
    return thinned(frame, seed, frame["light_cover"], effect_points) if effect_points else frame


def test_a_planted_practice_is_claimed_with_its_size_and_the_idle_ones_are_not() -> None:
    report = effects_report(practised(1, 10.0))
    claimed = [claim for claim in report.claims if claim.is_claimed]
    assert [(claim.subject, claim.level) for claim in claimed] == [("light_cover", "yes")]
    assert claimed[0].low < -10.0 < claimed[0].high
    row = report.effects.set_index(["factor", "level"]).loc[("light_cover", "yes")]
    assert row["difference_points"] < row["shrunken_points"] < 0.0
    assert row["methods_agree"]


def test_every_contrast_of_an_outcome_is_counted_once() -> None:
    report = effects_report(practised(2))
    told = [claim for claim in report.claims if np.isfinite(claim.p_value)]
    assert {claim.comparisons for claim in told} == {len(told)}


def test_a_practice_of_tanks_that_fell_silent_depends_on_them() -> None:
    frame = practised(1)
    better = frame["light_cover"].astype(bool)
    frame.loc[better, "survivors"] = np.minimum(frame["eggs"], (frame["survivors"] * 1.1 + 1).astype(int))[better]
    frame["survivors"] = frame["survivors"].astype(float)
    silent = better & (np.arange(len(frame)) % 3 == 0)
    frame.loc[silent, "survivors"] = np.nan
    row = effects_report(frame).effects.set_index(["factor", "level"]).loc[("light_cover", "yes")]
    assert row["tanks_silent"] == silent.sum()
    assert row["points_if_silent_lost"] < 0.0 < row["points_if_silent_alike"] and row["silence_blurs"]
    assert row["reason"] == "depends_on_silent"
    assert "points if every silent tank lost all its fish" in row["note"]
    waited = effects_report(frame.assign(is_waiting=silent)).effects.set_index(["factor", "level"])
    assert waited.loc[("light_cover", "yes"), ["tanks_silent", "reason"]].tolist() == [0, "clear"]


@pytest.mark.parametrize(("outcome", "is_said"), [("hatch", True), ("hatch_to_release", False)])
def test_a_degree_at_hatch_is_told_with_what_the_counts_miss(outcome: str, is_said: bool) -> None:
    degree = replace(a_finding(), outcome=outcome, factor=TEMPERATURE)
    assert ("dead eggs that nobody counted pass for hatched" in degree.note) is is_said
