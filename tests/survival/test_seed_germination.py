"""Every method against the seed germination data (Crowder 1978; Breslow & Clayton 1993)."""

from __future__ import annotations

import pandas as pd
import pytest

from broodyear.survival import SurvivalFit, fit_survival

ESTIMATE = 1e-4  # absolute; the references were made to 1e-6 or better
SD = 1e-4
RELATIVE_ERROR = 1e-3  # of standard errors: they come from second derivatives by differences
LIKELIHOOD = 1e-4
NAMES = {
    "intercept": "Intercept",
    "seed75": "seed75",
    "cucumber": "cucumber",
    "seed75:cucumber": "seed75:cucumber",
}


def fit(seeds: pd.DataFrame, method: str, groups: str | tuple[str, ...] = (), **more: int) -> SurvivalFit:
    return fit_survival(seeds, "seed75*cucumber", survived="r", trials="n", groups=groups, method=method, **more)


def check(found: SurvivalFit, estimates: dict[str, float], errors: dict[str, float]) -> None:
    for name, term in NAMES.items():
        assert found.effects.loc[term, "estimate"] == pytest.approx(estimates[name], abs=ESTIMATE)
        assert found.effects.loc[term, "std_error"] == pytest.approx(errors[name], rel=RELATIVE_ERROR)


def test_quasi_binomial(seeds, golden):
    found = fit(seeds, "quasi_binomial")
    check(found, golden.value("seed_germination", "glm.coef"), golden.value("seed_germination", "quasi.se"))
    assert found.dispersion == pytest.approx(1.86183, abs=1e-5)
    assert found.log_likelihood == pytest.approx(golden.value("seed_germination", "glm.loglik"), abs=LIKELIHOOD)
    for name, p_value in golden.value("seed_germination", "quasi.p").items():
        assert found.effects.loc[NAMES[name], "p_value"] == pytest.approx(p_value, abs=1e-6)


def test_beta_binomial(seeds, golden):
    found = fit(seeds, "beta_binomial")
    check(
        found,
        golden.value("seed_germination", "betabinom.coef"),
        golden.value("seed_germination", "betabinom.se"),
    )
    assert found.dispersion == pytest.approx(0.01236, abs=1e-5)
    assert found.log_likelihood == pytest.approx(-53.7668, abs=LIKELIHOOD)


def test_laplace(seeds, golden):
    found = fit(seeds, "mixed", "plate")
    check(
        found,
        golden.value("seed_germination", "glmm.nAGQ1.coef"),
        golden.value("seed_germination", "glmm.nAGQ1.se"),
    )
    assert found.group_sd["plate"] == pytest.approx(0.23458, abs=1e-5)
    assert -2.0 * found.log_likelihood == pytest.approx(
        golden.value("seed_germination", "glmm.nAGQ1.deviance_fun"), abs=LIKELIHOOD
    )
    modes = found.group_effects("plate").set_index("level")["effect"]
    for plate, mode in golden.value("seed_germination", "glmm.nAGQ1.blup").items():
        assert modes[int(plate)] == pytest.approx(mode, abs=ESTIMATE)


@pytest.mark.parametrize("points", [9, 25])
def test_quadrature(seeds, golden, points):
    found = fit(seeds, "mixed", "plate", quadrature_points=points)
    check(
        found,
        golden.value("seed_germination", "glmm.nAGQ25.coef"),
        golden.value("seed_germination", "glmm.nAGQ25.se"),
    )
    assert found.group_sd["plate"] == pytest.approx(0.23624, abs=SD)
    assert found.log_likelihood == pytest.approx(
        golden.value("seed_germination", "glmm.exactML.loglik"), abs=LIKELIHOOD
    )


def test_population_averaged_survival_of_each_cell(seeds, golden):
    found = fit(seeds, "mixed", "plate", quadrature_points=25)
    cells = {"O73/bean": (0, 0), "O75/bean": (1, 0), "O73/cucumber": (0, 1), "O75/cucumber": (1, 1)}
    averaged = golden.value("seed_germination", "glmm.exactML.population_averaged_p")
    for name, (seed75, cucumber) in cells.items():
        share = found.predict(pd.DataFrame({"seed75": [seed75], "cucumber": [cucumber]}))
        assert share[0] == pytest.approx(averaged[name], abs=1e-5)
