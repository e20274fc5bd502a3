"""The pages on which a person says what the columns of a sheet mean."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from flask import Blueprint, abort, redirect, render_template, request, url_for
from werkzeug.datastructures import MultiDict
from werkzeug.wrappers import Response

from broodyear.desk.mapping import choices, problems
from broodyear.desk.mapping.drafts import LEAVE, OPTIONS, WORDS, Draft, Sheet, is_date, is_known
from broodyear.desk.state import the_desk
from broodyear.layouts import Value

pages = Blueprint("mapping", __name__)


@pages.post("/columns/begin")
def begin() -> Response:
    """Look at the columns of one waiting file, to say what they mean."""
    desk = the_desk()
    name = request.form.get("file", "")
    found = next((file for file in desk.waiting() if file.shown == name), None)
    if found is None:
        abort(404)
    desk.submit("sample", f"looking at the columns of {found.shown}", files=[(found.shown, str(found.path))])
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
        "sheet.html", number=number, sheet=sheet, draft=draft, steps=steps, options=OPTIONS, leave=LEAVE,
        words=WORDS, problems=problems.problems(sheet, draft), missing=problems.missing_columns(sheet, draft),
        offered=problems.fixed_sources(sheet, draft), unknown=problems.unknown_words(sheet, draft),
        orders=_orders(sheet, draft), previews=problems.previews(sheet, draft), reads_as=partial(_reads_as, draft),
        unknown_years=problems.has_unknown_years(sheet, draft), file=the_desk().layouts_file,
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
        if "keep" in request.form and not problems.problems(sheet, chosen):
            the_desk().keep_layout(choices.layout_of(sheet, chosen))
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
    given = {heading: form.get(f"meaning.{position}", "?") for position, heading in enumerate(sheet.headings)}
    meanings = {name: key if is_known(key) else draft.meaning(name) for name, key in given.items()}
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
    fitting = problems.date_orders(sheet, draft) or []
    if len(fitting) == 1:
        return fitting[0].replace("year_first", "")
    return draft.date_order if draft.date_order in fitting else ""


def _chosen_sources(sheet: Sheet, draft: Draft, form: MultiDict[str, str]) -> dict[str, Value]:
    offered = problems.fixed_sources(sheet, draft)
    found = {}
    for key in {name.removeprefix("fixed.") for name in form if name.startswith("fixed.")}:
        choice, text = form[f"fixed.{key}"], form.get(f"text.{key}", "").strip()[:200]
        if choice == "constant" or (not choice and text):
            found[key] = Value("constant", text)
        elif choice.isdigit() and int(choice) < len(offered):
            found[key] = offered[int(choice)][0]
    return found


def _chosen_words(sheet: Sheet, draft: Draft, form: MultiDict[str, str]) -> dict[str, dict[str, str]]:
    found = {heading: dict(meanings) for heading, meanings in draft.words.items()}
    for heading, (_, values) in problems.unknown_words(sheet, draft).items():
        position = sheet.headings.index(heading)
        for number, value in enumerate(values):
            meant = form.get(f"word.{position}.{number}")
            if meant is not None:
                found.setdefault(heading, {})[value] = meant.strip()[:200]
    return found


def _orders(sheet: Sheet, draft: Draft) -> list[tuple[str, str, list[tuple[str, str]]]]:
    """The orders that fit the dates, in words, each with the first dates as they would read."""
    texts = problems.date_texts(sheet, draft)[:4]
    return [
        (
            order,
            problems.ORDERS[order],
            [(text, read) for text in texts if (read := problems.as_read(text, order))],
        )
        for order in problems.date_orders(sheet, draft) or []
    ]


def _reads_as(draft: Draft, heading: str, text: str) -> str:
    """What a cell will read as, where that is something else."""
    meant = draft.words.get(heading, {}).get(text, "")
    if is_date(draft.meaning(heading)) and draft.date_order not in {"", "year_first"}:
        return problems.as_read(text, draft.date_order) or ""
    return meant
