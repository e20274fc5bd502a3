"""Workbooks and layouts made up at random, and the account that every one of them must give, to the cell."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path

import openpyxl
from hypothesis import strategies as st

from broodyear.findings import FileReport
from broodyear.intake import load_paths
from broodyear.layouts import HeadingNames, Layout, Layouts, Rows, Value, header_position, heading_names
from broodyear.layouts.model import column_letters
from broodyear.store import open_store

HEADINGS = ("Date", "Time", "Water", "Dead", "Stage", "T-1", "T-2", "Note", "")
cells = st.one_of(
    st.none(),
    st.sampled_from(
        ["", " ", ".", "egg", "Sac fry", "none", "#REF!", "=1+1", "'=1", "T-1", "3/4/2026", "13/4/2026"]
    ),
    st.sampled_from(["6-Nov-26", "2026-11-06", "7:15 PM", "8,5", "1.250", "x\ny", "−1", "\u3000"]),
    st.integers(-3, 60),
    st.floats(-5, 60, allow_nan=False).map(lambda number: round(number, 3)),
    st.booleans(),
    st.dates(dt.date(2026, 10, 1), dt.date(2027, 3, 1)),
    st.datetimes(dt.datetime(2026, 10, 1), dt.datetime(2027, 3, 1)).map(lambda t: t.replace(microsecond=0)),
    st.times().map(lambda time: time.replace(microsecond=0)),
    st.text(st.characters(min_codepoint=32, max_codepoint=0x2FFF, exclude_categories=["Cs", "Cc"]), max_size=6),
)
sources = st.one_of(
    st.sampled_from(HEADINGS[:-1]).map(lambda heading: Value("column", heading)),
    st.sampled_from(HEADINGS[:-1]).map(lambda heading: Value("column", heading, "Time")),
    st.sampled_from(HEADINGS[:-1]).map(
        lambda heading: Value("column", heading, behind=Value("constant", "2026/27"))
    ),
    st.sampled_from(HEADINGS[:-1]).map(
        lambda heading: Value("column", heading, words=(("none", "0"), ("sac fry", "alevin")))
    ),
    st.sampled_from(["T-1", "egg", "2026-11-06", "8.5"]).map(lambda text: Value("constant", text)),
    st.sampled_from(["A1", "B1", "Z9"]).map(lambda address: Value("cell", address)),
    st.just(Value("sheet_name", "(?P<value>.+)")),
    st.just(Value("file_name", "(?P<value>[a-z]+)")),
)


NEEDED = {
    "temperatures": ("tank_id", "read_at", "water_temp"),
    "losses": ("tank_id", "checked_on", "stage", "dead"),
}


@st.composite
def rows_of_layout(draw: st.DrawFn) -> Rows:
    """One [[layout.rows]] of temperatures or losses, perhaps unpivoted."""
    table = draw(st.sampled_from(["temperatures", "losses"]))
    columns = {name: draw(sources) for name in NEEDED[table]}
    unpivot = draw(st.sampled_from([None, "T-*", "T-1"]))
    if unpivot is not None:
        columns["tank_id"] = Value("heading")
        columns["water_temp" if table == "temperatures" else "dead"] = Value("cell_value")
    only_when = tuple(draw(st.lists(st.sampled_from(["Date", "Dead", "Note"]), max_size=2, unique=True)))
    return Rows(table, tuple(columns.items()), only_when, unpivot)


@st.composite
def cases(draw: st.DrawFn) -> tuple[list[list[object]], Layout]:
    """The rows of a sheet, header included, and a layout that fits it."""
    header = draw(st.permutations(HEADINGS))[: draw(st.integers(3, len(HEADINGS)))]
    above = draw(st.lists(st.lists(cells, max_size=3), max_size=2))
    below = draw(st.lists(st.lists(cells, min_size=0, max_size=len(header) + 1), max_size=12))
    known = [heading for heading in header if heading]
    order = draw(st.sampled_from([None, "day_first", "month_first"]))
    layout = Layout(
        "made up", (known[0],), date_order=order, decimal=draw(st.sampled_from([None, ","])),
        ignore=tuple(draw(st.lists(st.sampled_from(HEADINGS[:-1]), max_size=2, unique=True))),
        rows=tuple(draw(st.lists(rows_of_layout(), min_size=1, max_size=3))),
    )  # fmt: skip
    return [*above, list(header), *below], layout


def account_for(rows: list[list[object]], layout: Layout) -> None:
    """Load a sheet by a layout, and hold the account to the sheet and to the store."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "tanks.csv").write_text("tank_id\nT-1\nT-2\n", encoding="utf-8")
        book = openpyxl.Workbook()
        sheet = book.worksheets[0]
        for line, row in enumerate(rows, 1):
            for column, value in enumerate(row, 1):
                sheet.cell(line, column, value)
        book.save(folder / "book.xlsx")
        with open_store(folder / "s.duckdb", for_loading=True) as store:
            result = load_paths(store, [folder], layouts=Layouts((layout,)))
            counted = {
                table: store.connection.execute(f"SELECT count(*), count(DISTINCT line) FROM {table}").fetchall()[
                    0
                ]
                for table in ("temperatures", "losses")
            }
            again = load_paths(store, [folder], layouts=Layouts((layout,)))
    reports = [report for report in result.files if "book.xlsx" in report.path]
    for report in reports:
        _hold(report, counted)
        if report.table is not None:
            stopped = {finding.line for finding in result.findings if finding.path == report.path}
            _hold_cells(rows, layout, report, stopped)
    if not reports:
        assert all("book.xlsx" in skipped.path for skipped in result.skipped)
    unchanged = [report for report in again.files if "nothing was changed" in " ".join(report.notes)]
    assert all(report.rows_read == 0 for report in unchanged)


def _hold(report: FileReport, counted: dict[str, tuple[int, int]]) -> None:
    assert report.rows_read == report.rows_accepted + report.rows_rejected
    for table in report.tables:
        assert table.rows_made == table.rows_accepted + table.rows_rejected
        assert counted[table.table][0] == table.rows_accepted
        assert counted[table.table][1] <= report.rows_read


def _hold_cells(rows: list[list[object]], layout: Layout, report: FileReport, told: set[int | None]) -> None:
    """Every cell that holds something is used, ignored by name, or named in a note. told: lines with findings."""
    texts = [["" if value is None else str(value) for value in row] for row in rows]
    header = header_position(layout, texts)
    assert header is not None
    names = heading_names(_without_empty_end(texts[header]))
    used, addresses = _used(layout, names)
    above = " ".join(note for note in report.notes if note.startswith("cells above the header left over"))
    left_over = " ".join(note for note in report.notes if note.startswith("columns left over"))
    for line, row in enumerate(texts, 1):
        for place in (place for place, text in enumerate(row) if text.strip()):
            if line < header + 1:
                address = f"{column_letters(place)}{line}"
                assert address in addresses or f'{address} "' in above or " more" in above, (address, report)
            elif line > header + 1 and place < len(names.shown):
                assert place in used or names.shown[place] in left_over, (names.shown[place], report)
            elif line > header + 1:
                assert line in told or f"column {column_letters(place)}" in left_over, (line, place, report)


def _without_empty_end(cells: list[str]) -> list[str]:
    while cells and not cells[-1].strip():
        cells = cells[:-1]
    return cells


def _used(layout: Layout, names: HeadingNames) -> tuple[set[int | None], set[str]]:
    """Places of the columns that a layout uses or ignores, and the addresses of single cells that it takes."""
    values = [value for rows in layout.rows for _, value in rows.columns]
    headings = {value.text for value in values if value.source == "column"}
    headings |= {value.joined for value in values if value.joined} | set(layout.ignore)
    headings |= {heading for rows in layout.rows for heading in rows.only_when}
    unpivoted = {place for rows in layout.rows if rows.unpivot for place in names.matching(rows.unpivot)}
    return {*map(names.position, headings), *unpivoted}, {value.text for value in values if value.source == "cell"}
