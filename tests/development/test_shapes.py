"""The parametrisation that fits use, against the published equations."""

from __future__ import annotations

import numpy as np
import pytest

from broodyear.development.likelihood.curve_likelihood import rates_on
from broodyear.development.models.forms import COEFFICIENTS, FITTED_FORMS, Curve, Shape
from broodyear.errors import UsageError

TEMPS = np.array([3.0, 5.5, 8.0, 11.0])
VALUES = {
    "constant_units": np.array([4.2]),
    "exponential": np.array([4.2, -0.12]),
    "power": np.array([4.2, -0.12, 0.07]),
    "log_inverse": np.array([4.2, -0.12, 0.07]),
}


@pytest.mark.parametrize("form", FITTED_FORMS)
def test_published_constants_draw_the_same_curve(form: str) -> None:
    shape = Shape(form, 8.0)
    drawn = shape.curve("c", VALUES[form], 3.0, 11.0)
    np.testing.assert_allclose(np.log(drawn.days(TEMPS)), shape.log_days(VALUES[form], TEMPS), rtol=1e-12)
    assert tuple(drawn.coefficients) == COEFFICIENTS[form]


@pytest.mark.parametrize("form", FITTED_FORMS)
def test_derivatives_agree_with_differences(form: str) -> None:
    shape, free, step = Shape(form, 8.0), VALUES[form], 1e-6
    for j in range(shape.free):
        nudge = np.zeros(shape.free)
        nudge[j] = step
        by_days = (shape.log_days(free + nudge, TEMPS) - shape.log_days(free - nudge, TEMPS)) / (2 * step)
        np.testing.assert_allclose(shape.gradient(free, TEMPS)[:, j], by_days, atol=1e-6)
        by_constant = (shape.published_values(free + nudge) - shape.published_values(free - nudge)) / (2 * step)
        np.testing.assert_allclose(shape.published_jacobian(free)[:, j], by_constant, rtol=1e-5, atol=1e-6)


def test_forms_are_nested() -> None:
    curved = Shape("log_inverse", 8.0)
    straight = Shape("exponential", 8.0).log_days(np.array([4.2, -0.12]), TEMPS)
    np.testing.assert_allclose(curved.log_days(np.array([4.2, -0.12, 1e-12]), TEMPS), straight, rtol=1e-9)
    constant = Shape("constant_units", 8.0).log_days(np.array([4.2]), TEMPS)
    np.testing.assert_allclose(curved.log_days(np.array([4.2, -1 / 8, 1 / 8]), TEMPS), constant, rtol=1e-12)


def test_development_stands_still_at_the_zero_of_the_curve() -> None:
    shape = Shape("log_inverse", 8.0)
    free = np.array([4.2, -0.12, 0.25])  # zero at 8 − 1/0.25 = 4 °C
    assert np.isinf(shape.log_days(free, np.array([3.0, 4.0]))).all()
    assert shape.curve("c", free, 5.0, 9.0).rate(np.array([3.0, 4.0])).tolist() == [0.0, 0.0]


def test_wrong_forms_and_constants_are_named() -> None:
    with pytest.raises(UsageError, match="unknown form 'cubic'; expected one of constant_units"):
        Shape("cubic", 8.0)
    with pytest.raises(UsageError, match="takes the coefficients ln_a, b, c"):
        Curve("c", "log_inverse", {"a": 1.0}, 1.0, 2.0)
    with pytest.raises(UsageError, match="unknown form"):
        Curve("c", "cubic", {}, 1.0, 2.0)


def test_a_search_that_passes_absurd_constants_overflows_nowhere() -> None:
    temps = np.array([2.0, 8.0, 20.0])
    rate, by_free = rates_on(Shape("exponential", 8.0), np.array([4.0, -300.0]), temps)
    assert np.isfinite(rate).all() and np.isfinite(by_free).all()
    ordinary, _ = rates_on(Shape("exponential", 8.0), np.array([4.0, -0.1]), temps)
    assert ordinary == pytest.approx(np.exp([-4.6, -4.0, -2.8]), rel=1e-12)
