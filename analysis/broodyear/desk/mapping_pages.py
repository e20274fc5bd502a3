"""The pages on which a person says what the columns of a sheet mean."""

from __future__ import annotations

from dataclasses import replace

from flask import Blueprint, abort, redirect, render_template, request, url_for
from werkzeug.datastructures import MultiDict
from werkzeug.wrappers import Response

from broodyear.desk import mapping
from broodyear.desk.mapping import Draft, Fixed, Sheet
from broodyear.desk.state import the_desk

pages = Blueprint("mapping", __name__)


@pages.post("/columns/begin")
def begin() -> Response:
    """Look at the columns of one waiting file, to say what they mean."""
    desk = the_desk()
    name = request.form.get("file", "")
    found = next((file for file in desk.waiting() if file.shown == name), None)
    if found is None:
        abort(404)
    desk.submit("sample", f"looking at the columns of {found.shown}", files=[(found.shown, str(found.place))])
    return redirect(url_for("mapping.show"), 303)


@pages.get("/columns")
def show() -> str:
    """The sheets whose columns wait for an explanation."""
    return render_template(
        "columns.html", sheets=the_desk().drafts.listed(), last=the_desk().runner.latest("sample")
    )


@pages.get("/columns/<int:number>")
def one(number: int) -> str:
    """One sheet: above each column what it means."""
    sheet, draft, steps = _found(number)
    return render_template(
        "sheet.html", number=number, sheet=sheet, draft=draft, steps=steps, options=mapping.options(),
        problems=mapping.problems(sheet, draft), missing=_sources(sheet, draft),
        words=mapping.unknown_words(sheet, draft),
        orders=_orders(sheet, draft), previews=mapping.previews(sheet, draft), cells=_cells(sheet, draft),
        leave=mapping.LEAVE, unknown_years=mapping.has_unknown_years(sheet, draft), file=the_desk().layouts_file,
    )  # fmt: skip


@pages.post("/columns/<int:number>")
def change(number: int) -> Response:
    """Take the choices of the page; keep the layout, or go a step back, when that was asked."""
    drafts = the_desk().drafts
    sheet, draft, _ = _found(number)
    if "undo" in request.form:
        drafts.undo(number)
    elif "away" in request.form:
        drafts.forget(number)
        return redirect(url_for("files.show"), 303)
    else:
        chosen = _chosen(sheet, draft, request.form)
        drafts.change(number, chosen)
        if "keep" in request.form and not mapping.problems(sheet, chosen):
            the_desk().keep_layout(mapping.layout_of(sheet, chosen))
            drafts.forget(number)
            return redirect(url_for("mapping.show" if drafts.listed() else "files.show"), 303)
    return redirect(url_for("mapping.one", number=number), 303)


def _found(number: int) -> tuple[Sheet, Draft, int]:
    found = the_desk().drafts.read(number)
    if found is None:
        abort(404)
    return found


def _chosen(sheet: Sheet, draft: Draft, form: MultiDict[str, str]) -> Draft:
    """The draft as the form says it; what the form does not name stays as it was."""
    given = {heading: form.get(f"meaning.{place}", "?") for place, heading in enumerate(sheet.headings)}
    meanings = {name: key if mapping.is_known(key) else draft.meaning(name) for name, key in given.items()}
    changed = {heading for heading in sheet.headings if meanings.get(heading) != draft.meaning(heading)}
    chosen = replace(
        draft,
        name="".join(filter(str.isprintable, form.get("name", ""))).strip()[:80] or draft.name,
        meanings=meanings,
        guesses=draft.guesses - changed,
        date_order=form.get("date_order", draft.date_order),
        fixed={**draft.fixed, **_chosen_sources(sheet, draft, form)},
        words=_chosen_words(sheet, draft, form),
    )
    return replace(chosen, date_order=_proved_order(sheet, chosen))


def _proved_order(sheet: Sheet, draft: Draft) -> str:
    """The order that the dates themselves prove, where they do; else the one chosen, while it fits."""
    fitting = mapping.date_orders(sheet, draft) or []
    if len(fitting) == 1:
        return fitting[0].replace("year_first", "")
    return draft.date_order if draft.date_order in fitting else ""


def _chosen_sources(sheet: Sheet, draft: Draft, form: MultiDict[str, str]) -> dict[str, Fixed]:
    offered = mapping.fixed_sources(sheet, draft)
    found = {}
    for key in {name.removeprefix("fixed.") for name in form if name.startswith("fixed.")}:
        choice, text = form[f"fixed.{key}"], form.get(f"text.{key}", "").strip()[:200]
        if choice == "constant" or (not choice and text):
            found[key] = Fixed("constant", text)
        elif choice.isdigit() and int(choice) < len(offered):
            found[key] = offered[int(choice)][0]
    return found


def _chosen_words(sheet: Sheet, draft: Draft, form: MultiDict[str, str]) -> dict[str, dict[str, str]]:
    found = {heading: dict(said) for heading, said in draft.words.items()}
    for heading, (_, values) in mapping.unknown_words(sheet, draft).items():
        place = sheet.headings.index(heading)
        for number, value in enumerate(values):
            meant = form.get(f"word.{place}.{number}")
            if meant is not None:
                found.setdefault(heading, {})[value] = meant.strip()[:200]
    return found


def _sources(sheet: Sheet, draft: Draft) -> list[dict[str, object]]:
    """For each needed column that no heading gives: where it can come from, and what was chosen."""
    offered = mapping.fixed_sources(sheet, draft)
    return [
        {
            "key": key,
            "column": column,
            "words": mapping.words_of(key),
            "offered": offered,
            "chosen": draft.fixed.get(key),
        }
        for key, column in mapping.missing_columns(draft)
    ]


def _orders(sheet: Sheet, draft: Draft) -> list[tuple[str, str, list[tuple[str, str]]]]:
    """The orders that fit the dates, in words, each with the first dates as they would read."""
    fitting = mapping.date_orders(sheet, draft) or []
    places = [place for place, heading in enumerate(sheet.headings) if mapping.is_date(draft.meaning(heading))]
    texts = [value for place in places for value in sheet.values[place]][:4]
    return [
        (order, mapping.ORDERS[order], [(text, read) for text in texts if (read := mapping.as_read(text, order))])
        for order in fitting
    ]


def _cells(sheet: Sheet, draft: Draft) -> list[list[tuple[str, str]]]:
    """The first rows, each cell with what it will read as where that is something else."""
    return [
        [(text, _reads_as(draft, heading, text)) for text, heading in _cells_of(sheet, row)] for row in sheet.rows
    ]


def _cells_of(sheet: Sheet, row: tuple[str, ...]) -> list[tuple[str, str]]:
    return [(row[place] if place < len(row) else "", heading) for place, heading in enumerate(sheet.headings)]


def _reads_as(draft: Draft, heading: str, text: str) -> str:
    meant = draft.words.get(heading, {}).get(text, "")
    if mapping.is_date(draft.meaning(heading)) and draft.date_order not in {"", "year_first"}:
        return mapping.as_read(text, draft.date_order) or ""
    return meant
