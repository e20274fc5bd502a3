"""No row is lost: in generated files, rows read = accepted + rejected, and every accepted row is in the store."""

from __future__ import annotations

import csv
import io
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from broodyear.findings import CheckResult
from broodyear.intake import check_paths, load_paths
from broodyear.intake.shapes import BLANKS
from broodyear.store import Store, open_store

TANKS = "tank_id\nT-1\nT-2\n"
HEADER = ["tank_id", "read_at", "water_temp", "unit", "instrument"]
# Each example loads a file; shrinking a failure would take minutes and is left out.
GENERATED = settings(
    derandomize=True, max_examples=12, deadline=None, phases=(Phase.explicit, Phase.generate), database=None
)

cells = st.one_of(
    st.sampled_from(
        ["", ".", " ", "T-1", "T-2", "T-9", "2024-11-08", "2024-11-08T10:00", "8.5", "C", "F", "logger"]
    ),
    st.sampled_from(
        ["03/04/2024", "abc", "9,5", '"', 'a"b', "x\ny", "x\r\ny", "'=1", "NaN", "1e400", "−1", "\x07", "é"]
    ),
    st.text(st.characters(exclude_characters="\r\0", exclude_categories=["Cs"]), max_size=8),
)
good_rows = st.tuples(
    st.sampled_from(["T-1", "T-2"]),
    st.integers(0, 40).map(lambda hour: f"2024-11-{8 + hour // 24:02d}T{hour % 24:02d}:00"),
    st.sampled_from(["8.5", "9", "-2", "100"]),
    st.sampled_from(["C", ""]),
    st.sampled_from(["logger", ""]),
).map(list)
any_rows = st.lists(cells, min_size=0, max_size=7)
tables = st.lists(st.one_of(good_rows, good_rows, any_rows), max_size=25)


def as_csv(rows: list[list[str]], separator: str = ",", line_end: str = "\n") -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, delimiter=separator, lineterminator=line_end)
    writer.writerows([HEADER, *rows])
    return text.getvalue().encode()


def has_content(row: list[str]) -> bool:
    return any(cell.strip(BLANKS) for cell in row)


def assert_nothing_lost(folder: Path, result: CheckResult) -> None:
    """rows_read = accepted + rejected; the accepted rows are in the store, each with its upload and own line."""
    with open_store(folder / "s.duckdb") as store:
        for report in result.files:
            assert report.rows_read == report.rows_accepted + report.rows_rejected
        held = store.connection.execute(
            "SELECT u.path, u.rows_accepted, count(r.line), count(DISTINCT r.line) FROM uploads AS u "
            "LEFT JOIN received_temperatures AS r USING (upload) WHERE table_name = 'temperatures' GROUP BY ALL"
        ).fetchall()
        for _, accepted, rows, lines in held:
            assert accepted == rows == lines
        kept_out = store.connection.execute(
            "SELECT count(*) FROM rejected_rows JOIN received_temperatures USING (upload, line)"
        ).fetchone()
        assert kept_out == (0,)


@pytest.fixture(scope="module")
def two_tanks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with two tanks, which each example copies: hypothesis has no fixtures of its own for each."""
    folder = tmp_path_factory.mktemp("two_tanks")
    (folder / "tanks.csv").write_text(TANKS, encoding="utf-8")
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        assert load_paths(store, [folder / "tanks.csv"]).exit_code == 0
    return folder / "s.duckdb"


@pytest.fixture(scope="module")
def beside(two_tanks: Path) -> Iterator[Store]:
    """The store with two tanks, open: checks file beside it, and change nothing."""
    with open_store(two_tanks) as store:
        yield store


def load(two_tanks: Path, folder: Path, content: bytes, name: str = "temperatures.csv") -> CheckResult:
    (folder / name).write_bytes(content)
    with open_store(shutil.copy(two_tanks, folder), for_loading=True) as store:
        return load_paths(store, [folder / name])


@pytest.mark.usefixtures("with_suspicions")
@GENERATED
@given(rows=tables, separator=st.sampled_from([",", ";", "\t"]), line_end=st.sampled_from(["\n", "\r\n"]))
def test_rows_read_are_accepted_or_rejected(
    two_tanks: Path, rows: list[list[str]], separator: str, line_end: str
) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        result = load(two_tanks, folder, as_csv(rows, separator, line_end))
        if not result.refused:
            assert result.files[0].rows_read == sum(map(has_content, rows))
            assert_nothing_lost(folder, result)


@GENERATED
@given(rows=tables, separator=st.sampled_from([",", ";"]))
def test_both_readers_find_the_same(beside: Store, rows: list[list[str]], separator: str) -> None:
    """A file is read the quick way or row by row; a quoted line break below makes the difference."""
    rows = [[cell.replace("\r", " ").replace("\n", " ") for cell in row] for row in rows]
    rows = [row for row in rows if has_content(row)]
    quick = as_csv(rows, separator)
    slow = quick + separator.join([*[""] * len(HEADER), '"\n"\n']).encode()
    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "temperatures.csv"
        found = []
        for content in (quick, slow):
            place.write_bytes(content)
            result = check_paths([place], store=beside)
            listed = [(f.line, f.column, f.rule, f.value) for f in result.findings if f.level == "error"]
            found.append((result.files[0].rows_accepted, listed))
        assert found[0] == found[1]


@GENERATED
@given(content=st.binary(max_size=300))
def test_any_bytes_end_in_a_result(two_tanks: Path, content: bytes) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        result = load(two_tanks, folder, content, "anything.csv")
        assert result.exit_code in {0, 10, 11}
        assert_nothing_lost(folder, result)


@pytest.mark.parametrize("bad_every", [0, 7, 5000])
def test_lines_of_a_large_file(bad_every: int, tmp_path: Path) -> None:
    """Lines come from the position in the file on the quick way: the cell itself says which line it should be."""
    count = 250_000
    rows = [f"L-{line},{'x' if bad_every and line % bad_every == 0 else line}.5" for line in range(2, count + 2)]
    (tmp_path / "tanks.csv").write_text("tank_id,volume_l\n" + "\n".join(rows) + "\n", encoding="utf-8")
    with open_store(tmp_path / "s.duckdb", for_loading=True) as store:
        result = load_paths(store, [tmp_path / "tanks.csv"])
        wrong = store.connection.execute("SELECT count(*) FROM tanks WHERE tank_id <> 'L-' || line").fetchone()
        kept_out = store.connection.execute("SELECT count(*), min(line) FROM rejected_rows").fetchone()
    assert wrong == (0,)
    bad = len([line for line in range(2, count + 2) if bad_every and line % bad_every == 0])
    assert kept_out == (bad, bad_every if bad else None)
    assert result.files[0].rows_accepted == count - bad
