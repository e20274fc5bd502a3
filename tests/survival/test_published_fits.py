"""Trout egg boxes (Manly 1978) and cattle herds (Lesnoff et al. 2004) against printed and published fits."""

from __future__ import annotations

import numpy as np
import pytest

from broodyear.survival import fit_survival

PRINTED = 6e-5  # half a unit in the fourth decimal, and a little
REFERENCE = 2e-5  # the references' own optimisers stop at about 1e-6 to 1e-5


def test_trout_egg_boxes_quasi_binomial(golden):
    boxes = golden.frame("trout_egg_boxes")
    fit = fit_survival(
        boxes, "C(location) + C(period)", survived="survive", trials="total", method="quasi_binomial"
    )
    printed = golden.value("trout_egg_boxes", "printed")
    assert fit.dispersion == pytest.approx(printed["dispersion"], abs=5e-4)
    for term, estimate in printed["coef"].items():
        assert fit.effects.loc[term, "estimate"] == pytest.approx(estimate, abs=PRINTED)
        assert fit.effects.loc[term, "std_error"] == pytest.approx(printed["quasi_se"][term], abs=PRINTED)
    assert fit.degrees_of_freedom == 12


def test_cattle_herds_laplace(golden):
    herds = golden.frame("cattle_herds")
    fit = fit_survival(herds, "C(period)", survived="incidence", trials="size", groups="herd")
    reference = golden.value("cattle_herds", "laplace.drmTMB")
    assert fit.coefficients == pytest.approx(np.array(reference["coef"]), abs=REFERENCE)
    assert fit.group_sd["herd"] == pytest.approx(reference["sd"], abs=REFERENCE)
    assert fit.log_likelihood == pytest.approx(reference["loglik"], abs=1e-7)


def test_cattle_herds_quadrature(golden):
    herds = golden.frame("cattle_herds")
    fit = fit_survival(
        herds, "C(period)", survived="incidence", trials="size", groups="herd", quadrature_points=25
    )
    reference = golden.value("cattle_herds", "agq25.lme4")
    assert fit.coefficients == pytest.approx(np.array(reference["coef"]), abs=REFERENCE)
    assert fit.group_sd["herd"] == pytest.approx(reference["sd"], abs=REFERENCE)
    assert fit.log_likelihood == pytest.approx(reference["loglik"], abs=1e-7)
