"""A model of one's own: checked on the way in, with its uncertainty, from Python or from a TOML file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtri

from broodyear.development.arrays import Floats
from broodyear.development.models.forms import COEFFICIENTS, FORMS, NOMINAL, Curve, plotted
from broodyear.errors import UsageError
from broodyear.settings import Settings, toml_values

STAGES = ("eyed", "hatch_first", "hatch_half", "hatch_all", "button_up", "first_feeding")
# Where models come from that no work holds.
SETTINGS_SOURCE = "the settings"
COUNTED_FROM = ("fertilisation", "hatch")
# Temperatures at which a curve must give a finite number of days above 0, at least at one of them.
_TRIED_C = np.arange(1.0, 26.0)
# Where days must fall, when it is not known for which temperatures an equation was made.
_USUAL_C = (4.0, 12.0)
# A covariance may miss symmetry and positive definiteness by rounding to six digits.
_ROUNDED = 1e-6
_STEP = 1e-6  # of a coefficient, for the derivative of ln D


@dataclass(frozen=True, eq=False)
class DevelopmentModel:
    """Days to one stage of one species at constant temperature, by an equation of one's own.

    name: unlike any published one; form and coefficients: constant_units K; power a, alpha, b; log_inverse ln_a,
    b, c; exponential a, b; linear_units intercept, slope (days are (intercept + slope T) / T); covariance: of the
    coefficients in that order, (p, p), None when not known; spread_log_sd: SD of log days of single tanks about
    the curve, None: taken from the records when scored; valid_low_c, valid_high_c: temperatures (°C) it was made
    for, None: not known; counted_from: "fertilisation" or "hatch"; source: where it comes from.

    Raises UsageError that names every problem at once.

    >>> mine = DevelopmentModel("mine", "chinook", "hatch_half", "constant_units", {"K": 540.0})
    >>> float(mine.days(9.0))
    60.0
    """

    name: str
    species: str
    stage: str
    form: str
    coefficients: Mapping[str, float]
    covariance: Any = None
    spread_log_sd: float | None = None
    valid_low_c: float | None = None
    valid_high_c: float | None = None
    counted_from: str = "fertilisation"
    source: str = ""
    curve: Curve = field(init=False, repr=False)

    def __post_init__(self) -> None:
        problems = _problems(self)
        if problems:
            raise UsageError("; ".join(problems))
        names = COEFFICIENTS[self.form]
        values = {name: float(self.coefficients[name]) for name in names}
        object.__setattr__(self, "coefficients", values)
        if self.covariance is not None:
            object.__setattr__(self, "covariance", np.array(self.covariance, dtype=float))
        limits = [np.nan if edge is None else float(edge) for edge in (self.valid_low_c, self.valid_high_c)]
        object.__setattr__(self, "curve", Curve(self.name, self.form, values, *limits))

    def days(self, temp_c: ArrayLike) -> Floats:
        """Days to the stage at each constant temperature (°C), of the shape given."""
        return self.curve.days(temp_c)

    def log_days_se(self, temp_c: ArrayLike) -> Floats:
        """Standard error of ln D at each temperature (°C) from the covariance; 0 where none was given."""
        temps = np.atleast_1d(np.asarray(temp_c, dtype=float))
        if self.covariance is None:
            return np.zeros(len(temps))
        names = COEFFICIENTS[self.form]
        gradient = np.column_stack([self._slope(name, temps) for name in names])
        variance = np.einsum("ij,jk,ik->i", gradient, self.covariance, gradient)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)), dtype=float)

    def _slope(self, name: str, temps: Floats) -> Floats:
        """Derivative of ln D by one coefficient; 0 where development stands still."""
        value = self.coefficients[name]
        step = _STEP * max(abs(value), 1e-3)
        ends = [FORMS[self.form](temps, **{**self.coefficients, name: value + sign * step}) for sign in (1, -1)]
        is_live = np.isfinite(ends[0]) & np.isfinite(ends[1])
        up, down = (np.log(np.where(is_live, end, 1.0)) for end in ends)
        return np.asarray((up - down) / (2.0 * step), dtype=float)

    def interval(self, temp_c: ArrayLike, level: float = 0.95) -> pd.DataFrame:
        """Days with limits from the covariance: temp_c, days, low, high (NaN without one), is_in_range."""
        temps = np.atleast_1d(np.asarray(temp_c, dtype=float))
        days = self.days(temps)
        half = float(ndtri(0.5 + level / 2.0)) * self.log_days_se(temps)
        half = half if self.covariance is not None else np.full(len(temps), np.nan)
        columns = {"temp_c": temps, "days": days, "low": days * np.exp(-half), "high": days * np.exp(half)}
        return pd.DataFrame({**columns, "is_in_range": self.curve.is_tested_at(temps)})

    def summary(self) -> str:
        """What the model says, in lines of text."""
        constants = ", ".join(f"{name} = {value:.10g}" for name, value in self.coefficients.items())
        tested = "not known" if self.valid_low_c is None else f"{self.valid_low_c:g} to {self.valid_high_c:g} °C"
        lines = [
            f"{self.name}: {self.species}, {self.stage}, days from {self.counted_from}",
            f"form {self.form}: {constants}",
            f"made for: {tested}; covariance {'given' if self.covariance is not None else 'not given'}",
        ]
        return "\n".join([*lines, f"source: {self.source}"] if self.source else lines)

    def _repr_html_(self) -> str:
        return f"<pre>{escape(self.summary())}</pre>"

    def plot(self, ax: Any = None) -> Any:
        """Days to the stage by temperature with limits from the covariance, on matplotlib axes."""
        tested = self.curve.is_tested_at(_TRIED_C)
        return plotted(self.interval(_TRIED_C[tested] if tested.any() else _TRIED_C), self.name, ax)


def _problems(model: DevelopmentModel) -> list[str]:
    """Everything that keeps a model from being used, each with what was expected."""
    name = model.name if isinstance(model.name, str) and model.name.strip() else ""
    found = [] if name else [f"the name is {model.name!r}; expected a text"]
    problems = [*_field_problems(model), *(_coefficient_problems(model) if model.form in FORMS else ())]
    return found + [f"{name}: {problem}" for problem in problems]


def _field_problems(model: DevelopmentModel) -> Iterator[str]:
    """What is wrong with the fields that are not coefficients."""
    if str(model.name).startswith("own_"):
        yield "names that begin with own_ are those of fits made here; choose another"
    if not isinstance(model.species, str) or not model.species.strip():
        yield f"the species is {model.species!r}; expected its code in the batches table"
    for what, allowed in (("stage", STAGES), ("form", tuple(FORMS)), ("counted_from", COUNTED_FROM)):
        if getattr(model, what) not in allowed:
            yield f"{what} is {getattr(model, what)!r}; expected one of {', '.join(allowed)}"
    low, high, spread = model.valid_low_c, model.valid_high_c, model.spread_log_sd
    wrong = {"valid_low_c": low, "valid_high_c": high}
    wrong = {key: edge for key, edge in wrong.items() if edge is not None and not _is_number(edge)}
    yield from (f"{key} is {edge!r}; expected °C" for key, edge in wrong.items())
    if (low is None) != (high is None):
        yield "give both valid_low_c and valid_high_c, or neither"
    elif not wrong and low is not None and high is not None and not low < high:
        yield f"valid_low_c {low} is not below valid_high_c {high}"
    if spread is not None and not (_is_number(spread) and 0.0 < spread < 1.0):
        yield f"spread_log_sd is {spread!r}; expected the SD of log days, above 0 and below 1"


def _is_number(value: Any) -> bool:
    is_number = isinstance(value, int | float | np.integer | np.floating) and not isinstance(value, bool)
    return is_number and bool(np.isfinite(value))


def _coefficient_problems(model: DevelopmentModel) -> list[str]:
    expected = COEFFICIENTS[model.form]
    given = model.coefficients
    if not isinstance(given, Mapping) or set(given) != set(expected):
        shown = ", ".join(map(str, given)) if isinstance(given, Mapping) else repr(given)
        return [
            f"the form {model.form} takes the coefficients {', '.join(expected)}, but {shown or 'none'} were given"
        ]
    wrong = [f"{key} is {value!r}; expected a number" for key, value in given.items() if not _is_number(value)]
    if wrong:
        return wrong
    with np.errstate(all="ignore"):
        days = FORMS[model.form](_TRIED_C, **{key: float(value) for key, value in given.items()})
    if not (np.isfinite(days) & (days > 0)).any():
        wrong.append("the coefficients give no days above 0 at any temperature from 1 to 25 °C")
    wrong += _slower_in_warmth(model, days)
    return wrong + _covariance_problems(model, len(expected))


def _slower_in_warmth(model: DevelopmentModel, days: Floats) -> list[str]:
    """Eggs develop faster in warmer water: what says otherwise has a sign, or two constants, the wrong way."""
    edges = zip((model.valid_low_c, model.valid_high_c), _USUAL_C, strict=True)
    low, high = (float(edge) if edge is not None and _is_number(edge) else usual for edge, usual in edges)
    temps = _TRIED_C[np.isfinite(days) & (days > 0.0) & np.greater_equal(_TRIED_C, low) & (high >= _TRIED_C)]
    found = days[np.isin(_TRIED_C, temps)]
    if not len(found) or found[-1] <= found[0]:
        return []
    return [
        f"the days rise with temperature, from {found[0]:.4g} at {temps[0]:g} °C to {found[-1]:.4g} at "
        f"{temps[-1]:g} °C; expected fewer in warmer water: is a sign the wrong way round?"
    ]


def _covariance_problems(model: DevelopmentModel, size: int) -> list[str]:
    if model.covariance is None:
        return []
    shape = f"expected {size} by {size} numbers, in the order {', '.join(COEFFICIENTS[model.form])}"
    try:
        matrix = np.array(model.covariance, dtype=float)
    except (TypeError, ValueError):
        return [f"covariance is not a table of numbers; {shape}"]
    if matrix.shape != (size, size) or not np.isfinite(matrix).all():
        return [f"covariance has the shape {matrix.shape}; {shape}"]
    scale = np.sqrt(np.maximum(np.outer(np.diag(matrix), np.diag(matrix)), 1e-300))
    if (np.abs(matrix - matrix.T) > _ROUNDED * scale).any() or (np.diag(matrix) < 0).any():
        return ["covariance is not symmetric with variances of 0 and above on its diagonal"]
    if np.linalg.eigvalsh(matrix / scale).min() < -_ROUNDED * size:
        return ["covariance is not that of any coefficients: a combination of them has a negative variance"]
    return []


def nominal_models(settings: Settings) -> tuple[DevelopmentModel, ...]:
    """The constant units to half hatched and to button-up of every species that the settings declare."""
    return tuple(
        DevelopmentModel(
            f"{NOMINAL}{one.code}_{stage}", one.code, stage, "constant_units", {"K": units}, source=SETTINGS_SOURCE
        )
        for one in settings.species
        for stage, units in (("hatch_half", one.hatch_c_days), ("button_up", one.button_up_c_days))
    )


def read_models(path: str | Path) -> tuple[DevelopmentModel, ...]:
    """Models from a TOML file of ``[[model]]`` entries with the fields of ``DevelopmentModel``.

    Raises UsageError that names every problem of the file at once.

    >>> from tempfile import TemporaryDirectory
    >>> entry = [
    ...     "[[model]]", 'name = "our units"', 'species = "coho"', 'stage = "hatch_half"',
    ...     'form = "constant_units"', "coefficients = {K = 450}",
    ... ]
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder) / "models.toml"
    ...     written = file.write_text(chr(10).join(entry))
    ...     read_models(file)[0].name
    'our units'
    """
    if not isinstance(path, str | Path):
        raise UsageError(f"a models file is named by its path, but this is of type {type(path).__name__}")
    path = Path(path)
    content = toml_values(path, "models", "a model begins with the line [[model]]")
    problems = [f"unknown entry {key!r}; expected [[model]]" for key in content if key != "model"]
    entries = content.get("model", [])
    if not isinstance(entries, list) or not entries:
        problems.append("no [[model]] entry was found; each model begins with that line")
        entries = []
    models = [_from_entry(entry, number, problems) for number, entry in enumerate(entries, start=1)]
    kept = [model for model in models if model is not None]
    problems += name_problems(kept)
    if problems:
        raise UsageError(f"{path.name}: " + "; ".join(problems))
    return tuple(kept)


def _from_entry(entry: Any, number: int, problems: list[str]) -> DevelopmentModel | None:
    if not isinstance(entry, dict):
        problems.append(f"model {number} is {entry!r}; expected a [[model]] entry")
        return None
    keys = {one.name: one.default is MISSING for one in fields(DevelopmentModel) if one.init}
    unknown = [key for key in entry if key not in keys]
    problems += [f"model {number}: unknown key {key!r}; expected one of {', '.join(keys)}" for key in unknown]
    missing = [key for key, is_required in keys.items() if is_required and key not in entry]
    if missing:
        problems.append(f"model {number}: {', '.join(missing)} not given")
        return None
    try:
        return DevelopmentModel(**{key: value for key, value in entry.items() if key not in unknown})
    except UsageError as error:
        problems.append(f"model {number}: {error}")
        return None


def name_problems(models: Sequence[DevelopmentModel]) -> list[str]:
    """Names given twice, or those of published models."""
    from broodyear.development.models.published import known_models

    names = [model.name for model in models]
    taken = set(known_models()["model"])
    twice = sorted({name for name in names if names.count(name) > 1})
    return [f"the name {name!r} is given to more than one model" for name in twice] + [
        f"the name {name!r} is that of a published model; choose another" for name in names if name in taken
    ]
