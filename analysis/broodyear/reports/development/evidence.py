"""What stands behind the answers: pictures, equations, calibration, pitfalls, a forecast, sources, and method."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from markupsafe import Markup

from broodyear.development.scoring.held_out_studies import held_out_studies
from broodyear.figures.development import fan_figure
from broodyear.figures.development_stage import calibration_figure, errors_figure, stage_figure
from broodyear.reports.development.results import (
    MAIN_SCHEME,
    WORDS,
    DevelopmentResults,
    named,
    rows_of,
    statements_on,
    titled,
)
from broodyear.reports.numbers import known, model_words
from broodyear.reports.parts import Block, Bullets, Drawing, Equations, Folded, Heading, Notice, Section, say
from broodyear.reports.rendering import drawing, glossary, listed, phrase, prose
from broodyear.reports.tables import ReportTable, shown

if TYPE_CHECKING:
    import pandas as pd


def evidence_sections(results: DevelopmentResults) -> tuple[Section, ...]:
    """The sections behind the answers, in the order of the page."""
    sections = (
        _stages, _equations, _calibration, _pitfalls, _forecasts, _published, _sources, _method,
    )  # fmt: skip
    return tuple(section(results) for section in sections)


def _stages(results: DevelopmentResults) -> Section:
    """Curves, predictions and errors for every species and stage that was scored."""
    blocks: list[Block] = []
    for species, stage in results.shown:
        blocks += [Heading(say("{name}", name=titled(species, stage))), *_stage(results, species, stage)]
    if not blocks:
        blocks = [Notice("Nothing to draw.", phrase(WORDS, "no_stage"))]
    return Section("stages", "Species by species: curves, predictions and errors", tuple(blocks))


def _stage(results: DevelopmentResults, species: str, stage: str) -> tuple[Drawing, Drawing]:
    curves = _named(rows_of(results.curves.frame, species, stage), None)
    predictions = _named(rows_of(results.predictions.frame, species, stage), results.drawn(species, stage))
    pairs = rows_of(results.pairs.frame, species, stage)
    about: dict[str, Any] = {"table": results.predictions, "words": {"words": named(species, stage)}}
    return (
        drawing(stage_figure, curves, predictions, pairs, **about, file=f"stage_{species}_{stage}"),
        drawing(errors_figure, curves, predictions, **about, file=f"errors_{species}_{stage}"),
    )


def _named(rows: pd.DataFrame, models: tuple[str, ...] | None) -> pd.DataFrame:
    """Rows of some models in their order (None: all), each by its readable name."""
    if "model" not in rows.columns:
        return rows
    chosen = rows if models is None else rows[rows["model"].isin(models)]
    return chosen.assign(model=[model_words(model) for model in chosen["model"]])


def _calibration(results: DevelopmentResults) -> Section:
    """Where events lay in their predictions, what intervals held, and the scores behind both."""
    blocks: list[Block] = [_calibrated(results, *key) for key in results.shown]
    blocks += [prose(WORDS, "calibration"), statements_on(results, "intervals")]
    for table, rows in (
        (results.calibration, range(len(results.calibration))),
        (results.scores, results.scores.rows(scheme=MAIN_SCHEME)),
    ):
        blocks.append(shown(table, _shown_rows(results, table, rows)))
    return Section("calibration", "Do intervals hold what they state?", tuple(blocks))


def _calibrated(results: DevelopmentResults, species: str, stage: str) -> Drawing:
    drawn = results.drawn(species, stage)
    bars, held = (
        _named(rows_of(table.frame, species, stage), drawn) for table in (results.pit, results.calibration)
    )
    return drawing(
        calibration_figure, bars, held, table=results.pit, words={"words": named(species, stage)},
        file=f"calibration_{species}_{stage}",
    )  # fmt: skip


def _shown_rows(results: DevelopmentResults, table: ReportTable, rows: Iterable[int]) -> list[int]:
    """The rows of the models that are shown, and of constant units."""
    shown = {(*key, model) for key in results.shown for model in results.with_constant_units(*key)}
    return [
        row for row in rows if tuple(table.value(row, name) for name in ("species", "stage", "model")) in shown
    ]


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


def _equations(results: DevelopmentResults) -> Section:
    """Every model as an equation, those that the page shows first; its constants and their covariances in full."""
    title = "The models as equations"
    if not len(results.coefficients):
        return Section("equations", title, (Notice("No equation.", phrase(WORDS, "no_equation"), "note"),))
    summing = Markup('<math display="block"><mrow>{}</mrow></math>').format(phrase(_MATHS, "summing"))
    general = Equations(((Markup("The day n of the stage"), summing, Markup("")),))
    blocks: list[Block] = [prose(WORDS, "equations"), general]
    for species, stage in results.shown:
        blocks += _of_stage(results, species, stage)
    blocks.append(prose(WORDS, "equations_note"))
    blocks += [shown(results.coefficients), shown(results.covariance)]
    return Section("equations", title, tuple(blocks))


def _of_stage(results: DevelopmentResults, species: str, stage: str) -> list[Block]:
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


#: Published pairs shown on the page, the largest disagreements first; the table has all.
MOST_PAIRS = 25


def _pitfalls(results: DevelopmentResults) -> Section:
    """Scoring against first-seen dates, and dates copied from a forecast."""
    blocks: list[Block] = [
        prose(WORDS, "first_seen"),
        statements_on(results, "first_seen"),
        shown(results.first_seen),
    ]
    blocks += [Heading(Markup("Dates copied from a forecast")), prose(WORDS, "copied")]
    blocks += [statements_on(results, "copied"), shown(results.copied)]
    further = {
        "Dates that are probably wrong": ("suspects", results.suspects),
        "Stages that a few more readings would have kept": ("gaps", results.gaps),
    }
    for title, (about, table) in further.items():
        if len(table):
            blocks += [Heading(Markup(title)), prose(WORDS, about), shown(table)]
    return Section("pitfalls", "Ways to be fooled", tuple(blocks))


def _forecasts(results: DevelopmentResults) -> Section:
    """One tank's forecast as an example of how sure one can be, and when."""
    title, table = "What a forecast looks like", results.fan
    caution = Notice("A forecast never replaces looking.", phrase(WORDS, "caution"), "caution")
    if not len(table):
        return Section("forecast", title, (Notice("No example.", phrase(WORDS, "no_fan"), "note"), caution))
    words = {"row": table.row(0)}
    return Section(
        "forecast", title, (drawing(fan_figure, table.frame, table=table, words=words, file=table.name), caution)
    )


def _published(results: DevelopmentResults) -> Section:
    """Published values that contradict each other, by size, and whether intervals of published models hold."""
    table = results.disagreements
    rows = range(min(len(table), MOST_PAIRS))
    pairs = shown(table, rows) if rows else prose(WORDS, "no_disagreement", compared=len(results.pairs) > 0)
    title = "What others published, and where it disagrees"
    studies = held_out_studies().to_dict("records")
    on_page = [one for one in studies if (one["species"], one["stage"]) in results.shown]
    held = [prose(WORDS, "held_out", studies=on_page)] if on_page else []
    return Section("published", title, (prose(WORDS, "published"), pairs, *held))


def _sources(results: DevelopmentResults) -> Section:
    """The works behind models and values, and how to make the tables again."""
    works, blocks = results.works, list[Block]()
    if len(works):
        items = tuple(_work(results, row) for row in range(len(works)))
        blocks += [prose(WORDS, "sources"), Bullets(items, (works,), numbered=True), prose(WORDS, "bib")]
    blocks += [Heading(Markup("To make these tables again")), prose(WORDS, "reproduce")]
    return Section("sources", "Sources, and how to make this again", tuple(blocks))


def _work(results: DevelopmentResults, row: int) -> Markup:
    """One work: authors, year, title, where it stands, DOI."""
    names = ("author", "year", "title", "journal", "volume", "issue", "pages", "publisher", "doi")
    parts = {name: str(results.works.value(row, name) or "") for name in names}
    return phrase(WORDS, "work", **parts, address=quote(parts["doi"]))


def _method(results: DevelopmentResults) -> Section:
    """How it was done, rows left out, and what these records can and cannot tell."""
    blocks: list[Block] = [Bullets(listed(WORDS, "method_points")), shown(results.left_out)]
    found = [statements_on(results, topic) for topic in ("data", "band", "suspects", "survivors")]
    if any(one.items for one in found):
        blocks += [Heading(Markup("What these records can and cannot tell")), *found]
    return Section("method", "Method and limits", (*blocks, *glossary("development")))
