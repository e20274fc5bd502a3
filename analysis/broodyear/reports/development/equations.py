"""Models as equations: MathML from the constants of each, the tables of constants and covariances."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from broodyear.reports.development.results import WORDS, DevelopmentResults, shown_if_any, titled
from broodyear.reports.numbers import known
from broodyear.reports.parts import Block, Equations, Folded, Heading, Notice, Section, say
from broodyear.reports.rendering import phrase, prose
from broodyear.reports.vocabulary import model_words

_MATHS = "development/equations.html"
#: Digits of a constant in an equation; the tables hold it in full.
_DIGITS = 6
#: From this power of ten on a constant is written as a product with one.
_MOST_PLACES = 6


@dataclass(frozen=True)
class Number:
    """A constant as an equation shows it: the size of its leading part, its power of ten, its sign."""

    text: str
    power: str
    is_negative: bool


def equation(form: str, constants: dict[str, float]) -> Markup:
    """A form with its constants as MathML, on a line of its own."""
    shown = {name: number(value) for name, value in constants.items()}
    return Markup('<math display="block"><mrow>{}</mrow></math>').format(phrase(_MATHS, form, **shown))


def number(value: float) -> Number:
    """A constant to _DIGITS significant digits."""
    mantissa, power = f"{abs(value):.{_DIGITS - 1}e}".split("e")
    if -4 <= int(power) < _MOST_PLACES:
        return Number(f"{abs(value):.{_DIGITS}g}", "", value < 0)
    return Number(f"{float(mantissa):g}", str(int(power)).replace("-", "\u2212"), value < 0)


def equations_section(results: DevelopmentResults) -> Section:
    """Every model as an equation, those that the page shows first; its constants and their covariances in full."""
    title = "The models as equations"
    if not len(results.coefficients):
        return Section("equations", title, (Notice("No equation.", phrase(WORDS, "no_equation"), "note"),))
    summing = Markup('<math display="block"><mrow>{}</mrow></math>').format(phrase(_MATHS, "summing"))
    general = Equations(((Markup("The day n of the stage"), summing, Markup("")),))
    blocks: list[Block] = [prose(WORDS, "equations"), general]
    for species, stage in results.shown:
        blocks += _of_place(results, species, stage)
    blocks.append(prose(WORDS, "equations_note"))
    blocks += [*shown_if_any(results.coefficients), *shown_if_any(results.covariance)]
    return Section("equations", title, tuple(blocks))


def _of_place(results: DevelopmentResults, species: str, stage: str) -> list[Block]:
    table = results.coefficients
    rows = table.rows(species=species, stage=stage)
    models = list(dict.fromkeys(str(table.value(row, "model")) for row in rows))
    shown = [model for model in results.shown[(species, stage)] if model in models]
    rest = [model for model in models if model not in shown]
    written = {
        model: _written(results, [row for row in rows if table.value(row, "model") == model]) for model in models
    }
    blocks: list[Block] = [Heading(say("{name}", name=titled(species, stage)))]
    if shown:
        blocks.append(Equations(tuple(written[model] for model in shown), (table,)))
    if rest:
        others = Equations(tuple(written[model] for model in rest), (table,))
        blocks.append(Folded(f"All other models of this stage ({len(rest)})", (others,)))
    return blocks


def _written(results: DevelopmentResults, rows: list[int]) -> tuple[Markup, Markup, Markup]:
    """Name, equation, and where it holds and comes from."""
    table = results.coefficients
    constants = {str(table.value(row, "constant")): float(table.value(row, "estimate")) for row in rows}
    first = rows[0]
    name = model_words(table.value(first, "model"))
    label = say("{name}", name=f"{name[:1].upper()}{name[1:]}")
    return label, equation(str(table.value(first, "form")), constants), _holds(results, first)


def _holds(results: DevelopmentResults, row: int) -> Markup:
    table = results.coefficients
    low, high = table.value(row, "tested_low_c"), table.value(row, "tested_high_c")
    source = str(table.value(row, "source") or "")
    works = [results.works.row(one) for one in range(len(results.works))]
    numbers = [str(one.value("number")) for one in works if str(one.value("cited_as")) in source]
    return phrase(WORDS, "holds", row=table.row(row), tested=known(low) and known(high), numbers=numbers)
