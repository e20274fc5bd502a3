"""Funnel limits, dispersion and tail probabilities against Spiegelhalter's method worked in R."""

from __future__ import annotations

import numpy as np
import pytest
from tests.setups.golden import assert_matches, check, counts

from broodyear.errors import Refused
from broodyear.setups import funnel

GOLDEN = "funnel_multiplicity.json"
PROBABILITIES = {"lo998": 0.001, "lo95": 0.025, "hi95": 0.975, "hi998": 0.999}
SURGICAL_TARGET = 208 / 2814


@pytest.mark.parametrize(
    ("name", "target"), [("exact_limits.theta0.8", 0.8), ("exact_limits.theta_surgical", SURGICAL_TARGET)]
)
def test_interpolated_limits(name: str, target: float) -> None:
    golden = check(GOLDEN, name)
    for size, limits in golden["value"].items():
        for label, want in limits.items():
            got = funnel.exact_limits(target, int(size[1:]), PROBABILITIES[label])[0]
            assert_matches(got, want, golden["tolerance"])


@pytest.mark.parametrize("data", ["surgical", "sim_sites"])
@pytest.mark.parametrize("how", ["quantile", "rank"])
def test_dispersion_and_between_unit_variance(data: str, how: funnel.Winsorising) -> None:
    _, count, number = counts(f"data_{data}.csv")
    golden = check(GOLDEN, f"od.{data}.none")
    suffix = {"quantile": "winsor_quantile7", "rank": "winsor_rank"}[how]
    got, plain = funnel.overdispersion(count, number, how), funnel.overdispersion(count, number, "none")
    assert_matches(got.target, golden["value"]["theta0"], golden["tolerance"])
    assert_matches(got.phi, golden["value"][f"phi_{suffix}"], golden["tolerance"])
    assert_matches(got.tau2, golden["value"][f"tau2_{suffix}"], golden["tolerance"])
    assert_matches(plain.phi, golden["value"]["phi_unwinsorised"], golden["tolerance"])
    assert_matches(plain.tau2, golden["value"]["tau2_unwinsorised"], golden["tolerance"])


def test_winsorising_limits_are_type_7_quantiles() -> None:
    _, count, number = counts("data_surgical.csv")
    golden = check(GOLDEN, "od.surgical.none")
    moved = funnel.winsorise(funnel.overdispersion(count, number).z)
    assert_matches([moved.min(), moved.max()], golden["value"]["winsor_limits_type7"], golden["tolerance"])


@pytest.mark.parametrize("data", ["surgical", "sim_sites"])
def test_exact_mid_p_and_z(data: str) -> None:
    units, count, number = counts(f"data_{data}.csv")
    golden = check(GOLDEN, f"flags.{data}")
    value, tolerance, target = golden["value"], golden["tolerance"], count.sum() / number.sum()
    got = {
        "exact_two_sided_p": funnel.exact_p_values(count, number, target, mid=False),
        "midp_two_sided": funnel.exact_p_values(count, number, target, mid=True),
        "z_additive": funnel.additive_z(count, number),
        "z_multiplicative": funnel.multiplicative_z(count, number),
    }
    for name, numbers in got.items():
        assert_matches(numbers, [value[name][unit] for unit in units], tolerance)


def test_only_hospital_h_lies_outside_the_overdispersed_95_limits() -> None:
    units, count, number = counts("data_surgical.csv")
    outside = [unit for unit, z in zip(units, funnel.additive_z(count, number), strict=True) if abs(z) > 1.959964]
    assert outside == check(GOLDEN, "flags.surgical")["value"]["outside_95_additive"]


def test_limits_refuse_a_target_without_room() -> None:
    with pytest.raises(Refused, match="between 0 and 1, not 0 or 1 itself"):
        funnel.exact_limits(1.0, [50], 0.025)


def test_dispersion_refuses_units_that_all_agree() -> None:
    with pytest.raises(Refused, match="all alive or all dead"):
        funnel.overdispersion([50, 60], [50, 60])


def test_between_unit_variance_of_one_unit_is_zero() -> None:
    assert funnel.between_unit_variance(5.0, np.array([100.0])) == 0.0
