"""What a fit of development gives back: constants, days with intervals, spreads, and what was left out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from html import escape
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from broodyear.development.arrays import Floats
from broodyear.development.likelihood.crossed import CrossedMean
from broodyear.development.models.forms import COEFFICIENTS, Curve, Shape, plotted
from broodyear.development.models.own_models import DevelopmentModel
from broodyear.development.models.summing import days_to_stage
from broodyear.errors import Refused, UsageError

# Above this correlation two constants are separated by hardly anything but rounding.
NEARLY_COLLINEAR = 0.95
_PLOTTED = 101
# As many levels of a group are listed one by one.
_FEW_LEVELS = 6


@dataclass(frozen=True, repr=False)
class DevelopmentFit:
    """A curve fitted to records, as ``fit_development`` returns it.

    form; curve: the fitted curve with the temperatures (°C) it was fitted to; coefficients: frame indexed by
    constant with estimate and std_error; log_likelihood: of log days for constant-temperature data, of the
    intervals for tank records; spread_log_sd: SD of log development between tanks of a batch (constant-temperature
    data: residual SD); batch_log_sd: between batches (NaN where there are none); batch_effects: frame batch_id,
    log_effect (positive: slower), std_error, tanks; wrong_share: share of wrong dates; groups: spreads and
    effects of batches, sites and stocks beside each other (None for constant-temperature data); tanks, batches
    used; error_df: degrees of freedom of the intervals, of groups the fewest of any
    quantity; group_levels: names of the groups' levels in the order of
    their effects; rows_given, rows_used, left_out (reason → count); collinearity and notes: sentences to print;
    data: frame temp_c, days of what was fitted, of a tank by its mean temperature and the middle of its looks.
    covariance: of the coefficients, in their order; group_effects: frame group, level, log_effect (positive:
    slower), drawn towards none as far as a level's rows tell little;
    shape, free, free_covariance: what was fitted, with its covariance; is_curvature_at_limit: there it ended.
    """

    curve: Curve
    log_likelihood: float
    spread_log_sd: float
    batch_log_sd: float
    batch_effects: pd.DataFrame
    wrong_share: float
    groups: CrossedMean | None
    group_levels: Mapping[str, tuple[str, ...]]
    tanks: int
    batches: int
    error_df: float
    rows_given: int
    left_out: Mapping[str, int]
    notes: tuple[str, ...]
    data: pd.DataFrame = field(repr=False)
    shape: Shape
    free: Floats
    free_covariance: Floats
    is_curvature_at_limit: bool
    # The best log-likelihood with ln D held at a value at one temperature: what profile intervals are made of.
    profile: Callable[[float, float], float] = field(repr=False)

    @property
    def form(self) -> str:
        return self.shape.form

    @property
    def rows_used(self) -> int:
        return self.tanks

    @property
    def coefficients(self) -> pd.DataFrame:
        variances = np.where(self.is_curvature_at_limit, np.nan, np.diag(self.covariance))
        return pd.DataFrame(
            {"estimate": self.shape.published_values(self.free), "std_error": np.sqrt(np.maximum(variances, 0.0))},
            index=pd.Index(COEFFICIENTS[self.form], name="constant"),
        )

    @property
    def covariance(self) -> Floats:
        """Covariance of the published constants, in the order of ``coefficients``, by the delta method."""
        jacobian = self.shape.published_jacobian(self.free)
        return np.asarray(jacobian @ self.free_covariance @ jacobian.T, dtype=float)

    @property
    def group_effects(self) -> pd.DataFrame:
        effects = {} if self.groups is None else self.groups.effects
        rows = [
            (group, level, float(effect))
            for group, found in effects.items()
            for level, effect in zip(self.group_levels.get(group, ()), found, strict=False)
        ]
        return pd.DataFrame(rows, columns=["group", "level", "log_effect"])

    @property
    def collinearity(self) -> str:
        """Says which constants can hardly be separated."""
        names, sd = COEFFICIENTS[self.form], np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        if len(names) < 2:
            return "one constant is fitted; there is nothing to be collinear with"
        if self.is_curvature_at_limit or not np.all(sd > 0):
            return (
                "the zero of the curve ran to its limit, so the constants are not determined; compare predictions"
            )
        correlation = self.covariance / np.outer(sd, sd)
        pairs = [
            f"{names[i]} and {names[j]} ({correlation[i, j]:+.3f})"
            for i, j in zip(*np.tril_indices(len(names), -1), strict=True)
            if abs(correlation[i, j]) > NEARLY_COLLINEAR
        ]
        if not pairs:
            return f"no two constants are correlated beyond {NEARLY_COLLINEAR}"
        return f"nearly collinear: {'; '.join(pairs)}; compare predictions, not constants"

    def days(self, temp_c: ArrayLike) -> Any:
        """Days to the stage at constant temperature (°C); outside those fitted, with a BroodyearWarning."""
        return days_to_stage(self.curve, temp_c)

    def as_model(self, name: str, species: str, stage: str, source: str = "") -> DevelopmentModel:
        """The fit as a model of one's own, to be scored or forecast with: its constants with their covariance, the
        spread of single values of any group about it, and the temperatures it was fitted to."""
        constants = self.coefficients
        spread = self.spread_log_sd if self.groups is None else self.groups.total_sd
        return DevelopmentModel(
            name, species, stage, self.form,
            dict(zip(COEFFICIENTS[self.form], self.shape.published_values(self.free).tolist(), strict=True)),
            covariance=self.covariance if constants["std_error"].notna().all() else None,
            spread_log_sd=spread if 0.0 < spread < 1.0 else None,
            valid_low_c=self.curve.valid_low_c, valid_high_c=self.curve.valid_high_c, source=source,
        )  # fmt: skip

    def summary(self) -> str:
        """The fit in lines of text: constants with errors, spreads, rows used and left out, notes."""
        left = "; ".join(f"{reason}: {count}" for reason, count in self.left_out.items()) or "none"
        lines = [
            f"{self.form}, fitted to {self.rows_used} of {self.rows_given} rows; left out: {left}",
            self.coefficients.to_string(float_format=lambda value: f"{value:.6g}"),
            f"SD of log days {self.spread_log_sd:.4f}{self._spreads()}; log-likelihood {self.log_likelihood:.3f}",
            *self._levels(),
            f"fitted at {self.curve.valid_low_c:g} to {self.curve.valid_high_c:g} °C; {self.collinearity}",
        ]
        return "\n".join([*lines, *self.notes])

    def _spreads(self) -> str:
        """SDs between groups: of batches as fitted, and of those separated where there are others."""
        batch = "" if np.isnan(self.batch_log_sd) else f", between batches {self.batch_log_sd:.4f}"
        apart = {} if self.groups is None else self.groups.group_sd
        if batch and len(apart) < 2:
            return batch
        each = "".join(f", between {name} {sd:.4f}" for name, sd in apart.items())
        return f"{batch}; told apart{each.removeprefix(',')}" if batch else each

    def _levels(self) -> list[str]:
        """Of each group of few levels, how much slower or faster than the mean each is."""
        lines = []
        for name, rows in self.group_effects.groupby("group", sort=False):
            if name != "batch" and len(rows) <= _FEW_LEVELS:
                effects = 100.0 * np.expm1(rows["log_effect"].to_numpy(dtype=float))
                each = (f"{level} {far:+.1f} %" for level, far in zip(rows["level"], effects, strict=True))
                lines.append(f"days of each {name} against the mean, drawn towards it: {', '.join(each)}")
        return lines

    def __repr__(self) -> str:
        return self.summary()

    def _repr_html_(self) -> str:
        return f"<pre>{escape(self.summary())}</pre>"

    def plot(self, ax: Any = None) -> Any:
        """Days to the stage by temperature with the curve's 95 % limits and the data, on matplotlib axes."""
        frame = self.interval(np.linspace(self.curve.valid_low_c, self.curve.valid_high_c, _PLOTTED))
        axes = plotted(frame, self.curve.name, ax)
        axes.plot(self.data["temp_c"], self.data["days"], "o", fillstyle="none", color="0.3", label="fitted to")
        axes.legend()
        return axes

    def log_days_se(self, temp_c: ArrayLike) -> Floats:
        """Standard error of ln D at each temperature (°C), by the delta method."""
        gradient = self.shape.gradient(self.free, np.atleast_1d(np.asarray(temp_c, dtype=float)))
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", gradient, self.free_covariance, gradient)), dtype=float)

    def interval(self, temp_c: ArrayLike, level: float = 0.95, method: str = "delta") -> pd.DataFrame:
        """Days with a confidence interval of the curve: frame temp_c, days, low, high, is_in_range.

        method: "delta" (normal in log days) or "profile" (likelihood ratio, each temperature by itself); both use
        Student's t with error_df. Where a temperature lies outside those fitted there is no interval (NaN).
        Raises UsageError for another method.
        """
        if method not in ("delta", "profile"):
            raise UsageError(f"unknown method {method!r}; expected delta or profile")
        temps = np.atleast_1d(np.asarray(temp_c, dtype=float))
        quantile = float(stdtrit(self.error_df, 0.5 + level / 2.0))
        log_days = self.shape.log_days(self.free, temps)
        half = quantile * self.log_days_se(temps)
        low, high = log_days - half, log_days + half
        is_in_range = self.curve.is_tested_at(temps)
        if method == "profile":
            for i in np.flatnonzero(is_in_range):
                low[i], high[i] = self._profile_edges(temps[i], log_days[i], half[i], quantile)
        hidden = np.where(is_in_range, 0.0, np.nan)
        return pd.DataFrame(
            {
                "temp_c": temps,
                "days": np.exp(log_days),
                "low": np.exp(low) + hidden,
                "high": np.exp(high) + hidden,
                "is_in_range": is_in_range,
            }
        )

    def _profile_edges(self, temp_c: float, log_days: float, half: float, quantile: float) -> tuple[float, float]:
        """Where the profile deviance at one temperature passes quantile²."""
        best = self.profile(temp_c, log_days)

        def excess(value: float) -> float:
            return 2.0 * (best - self.profile(temp_c, value)) - quantile**2

        return _crossing(excess, log_days, -half), _crossing(excess, log_days, half)


def _crossing(excess: Callable[[float], float], centre: float, step: float) -> float:
    """First point beyond the centre, in the direction of step, where ``excess`` turns positive."""
    from scipy.optimize import brentq  # loads for long, and reports need none of it

    outer = centre + step
    for _ in range(12):
        if excess(outer) > 0:
            return float(brentq(excess, centre, outer, xtol=1e-7))
        outer += 0.5 * step
    return float("nan")


#: Fits by (species, stage) and form.
Fits = Mapping[tuple[str, str], Mapping[str, DevelopmentFit]]


def best_fit(fits: Mapping[str, DevelopmentFit]) -> DevelopmentFit | None:
    """The likeliest form (the lowest Akaike criterion), or None without a fit."""
    weights = form_weights(fits)
    return fits[max(weights, key=weights.__getitem__)] if fits else None


def form_weights(fits: Mapping[str, DevelopmentFit]) -> dict[str, float]:
    """How likely each form is among those fitted to the same records, by Akaike's criterion; together 1."""
    criterion = np.array([fit.log_likelihood - fit.shape.free for fit in fits.values()])
    weights = np.exp(criterion - criterion.max(initial=-np.inf))
    return dict(zip(fits, map(float, weights / weights.sum()), strict=True))


# Widths of temperature (°C) below which a form's constants follow noise: a straight line in ln D needs a degree,
# a curvature in it two and a half (in 7–9 °C all forms agree within the error of one thermometer).
NARROWEST_BAND_C = {"constant_units": 0.0, "exponential": 1.0, "power": 2.5, "log_inverse": 2.5}
BEND_AT_LIMIT = "the zero of the curve ran to its limit: a form with fewer constants says the same"


def refuse_narrow(form: str, low_c: float, high_c: float, what: str) -> None:
    if high_c - low_c < NARROWEST_BAND_C[form]:
        raise Refused(
            f"{what} lie in {low_c:.1f} to {high_c:.1f} °C and cannot tell the constants of the form {form} "
            f"apart; it needs {NARROWEST_BAND_C[form]:g} °C or more between the colder and the warmer ones"
        )
