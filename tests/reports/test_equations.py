"""Constants in equations: digits, signs and powers of ten, in every form."""

from __future__ import annotations

import re
from html import unescape

import pytest

from broodyear.development.models.forms import COEFFICIENTS
from broodyear.reports.development.evidence import equation, number


@pytest.mark.parametrize(
    ("value", "text", "power"),
    [
        (540.0, "540", ""), (-0.152, "0.152", ""), (155167.2274, "155167", ""), (0.0, "0", ""),
        (6.905577442e28, "6.90558", "28"), (1.23456e-7, "1.23456", "\u22127"),
    ],
)  # fmt: skip
def test_six_digits_and_powers_of_ten(value: float, text: str, power: str) -> None:
    shown = number(value)
    assert (shown.text, shown.power, shown.is_negative) == (text, power, value < 0)


def words_of(markup: str) -> str:
    return unescape(re.sub(r"<[^>]+>", "", markup)).replace("\u2061", "")


@pytest.mark.parametrize(
    ("form", "constants", "said"),
    [
        ("constant_units", {"K": 540.0}, "D=540T"),
        ("power", {"a": 2.0, "alpha": -6.0, "b": -2.0961}, "D=2·(T+6)\u22122.0961"),
        ("log_inverse", {"ln_a": 7.0, "b": -1.5, "c": 2.5}, "lnD=7\u22121.5·ln(T\u22122.5)"),
        ("exponential", {"a": 5.88, "b": 0.152}, "lnD=5.88\u22120.152·T"),
        ("linear_units", {"intercept": 1201.1, "slope": -20.3}, "D=1201.1\u221220.3·TT"),
    ],
)
def test_every_form_is_an_equation(form: str, constants: dict[str, float], said: str) -> None:
    assert tuple(constants) == COEFFICIENTS[form]
    assert words_of(equation(form, constants)) == said
