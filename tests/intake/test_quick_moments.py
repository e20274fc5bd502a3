"""The quick look at a moment takes nothing that the full shape of a moment would not take, and reads it alike."""

from __future__ import annotations

import itertools

import duckdb
import pytest

from broodyear.intake.cell_sql import CLOCK, DATE, EXACT_MOMENTS, QUICK_MOMENTS

#: All that may stand in a file that is read the quick way: ASCII without blanks, control characters and plus.
CHARACTERS = [chr(code) for code in range(33, 127) if chr(code) != "+"]
#: At these places two neighbours are varied at once, over all characters.
MOMENTS = ("2024-11-08T14:30", "2024-11-08T14:30:59", "1999-12-31T24:00", "2000-02-29T00:00:00")


def variations(moment: str, place: int) -> list[str]:
    pairs = itertools.product(CHARACTERS, repeat=2)
    return [moment[:place] + first + second + moment[place + 2 :] for first, second in pairs]


def test_the_exact_looks_take_figures_only() -> None:
    """Whatever else stands in the file: blanks, plus signs, figures of other scripts."""
    looks = " OR ".join(f"s GLOB '{look}'" for look in EXACT_MOMENTS)
    odd = ["2024-11- 8 14:30", "2024-11-08 1 :30", "2024-11-08 14:3 ", "+024-11-08 14:30", "2024-11-08 14:30:5٩"]
    good = ["2024-11-08 14:30", "2024-11-08T14:30:59", "2024-11-08 24:00"]
    with duckdb.connect() as connection:
        rows = connection.execute(f"SELECT s FROM (SELECT unnest(?::VARCHAR[]) AS s) WHERE {looks}", [odd + good])
        assert [text for (text,) in rows.fetchall()] == good


@pytest.mark.parametrize("moment", MOMENTS)
def test_what_is_taken_has_the_shape(moment: str) -> None:
    looks = " OR ".join(f"s GLOB '{look}'" for look in QUICK_MOMENTS)
    texts = [text for place in range(len(moment) - 1) for text in variations(moment, place)]
    with duckdb.connect() as connection:
        taken = (
            f"SELECT s FROM (SELECT unnest(?::VARCHAR[]) AS s) WHERE ({looks}) AND TRY_CAST(s AS TIMESTAMP) "
            "BETWEEN '1900-01-01' AND '2100-12-31'"
        )
        ill_shaped = f"SELECT s FROM ({taken}) WHERE NOT regexp_full_match(s, '{DATE}({CLOCK})?')"
        assert connection.execute(ill_shaped, [texts]).fetchall() == []
        assert len(connection.execute(taken, [texts]).fetchall()) > len(moment)
