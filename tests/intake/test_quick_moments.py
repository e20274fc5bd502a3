"""The quick reading of a moment takes nothing that the full shape of one would not take, and reads it alike."""

from __future__ import annotations

import itertools

import pytest
from tests.intake.conftest import readable

from broodyear.intake.shapes import shape

#: What may stand in a cell of a file without tabs and odd blanks.
CHARACTERS = [*map(chr, range(32, 127)), "é", "٩"]
#: At these places two neighbours are varied at once, over all characters.
MOMENTS = ("2024-11-08T14:30", "2024-11-08 14:30:59", "1999-12-31T24:00", "2000-02-29T00:00:00")
ISO_MOMENT = shape("iso_day") + shape("iso_clock")
LOGGERS = ("2024-11-08T14:30", "2024-11-08T14:30:59")


def variations(moment: str) -> list[str]:
    """Texts without blanks around them, a few of them a figure shorter or longer."""
    places = range(len(moment) - 1)
    pairs = itertools.product(places, itertools.product(CHARACTERS, repeat=2))
    varied = [moment[:place] + first + second + moment[place + 2 :] for place, (first, second) in pairs]
    moved = [moment[:cut] + moment[cut + 1 :] + end for cut in places for end in ("0", " 0", "Z")]
    return [text.strip() for text in [*varied, *moved]]


@pytest.mark.parametrize("blanks_inside", [False, True])
@pytest.mark.parametrize("moment", MOMENTS)
def test_what_is_taken_has_the_shape(moment: str, blanks_inside: bool) -> None:
    texts = [text for text in variations(moment) if blanks_inside or " " not in text]
    got = "quick_spaced_moment_in(s)" if blanks_inside else "quick_moment_in(s)"
    connection = readable()
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE taken AS SELECT s, {got} AS got FROM (SELECT unnest(?) AS s)", [texts]
    )
    wrong = f"got <> TRY_CAST(s AS TIMESTAMP) OR NOT regexp_full_match(s, '{ISO_MOMENT}')"
    assert connection.execute(f"SELECT s FROM taken WHERE got IS NOT NULL AND ({wrong})").fetchall() == []
    [(taken,)] = connection.execute("SELECT count(got) FROM taken").fetchall()
    assert (taken > len(moment)) is (blanks_inside or " " not in moment)


@pytest.mark.parametrize("moment", ["11/08/2024 14:30", "11/08/2024 14:30:59"])
def test_by_the_order_of_a_layout(moment: str) -> None:
    got = "quick_month_first_moment_in(s)"
    connection = readable()
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE taken AS SELECT s, {got} AS got FROM (SELECT unnest(?) AS s)",
        [variations(moment)],
    )
    iso = "concat_ws('-', s[7:10], s[1:2], s[4:5]) || s[11:]"
    wrong = f"got <> TRY_CAST({iso} AS TIMESTAMP) OR NOT regexp_full_match({iso}, '{ISO_MOMENT}')"
    of_slashes = "got IS NOT NULL AND contains(s, '/')"
    assert connection.execute(f"SELECT s FROM taken WHERE {of_slashes} AND ({wrong})").fetchall() == []
    read = connection.execute("SELECT strftime(got, '%m/%d/%Y %H:%M:%S') FROM taken WHERE s = ?", [moment])
    assert read.fetchone() == (f"{moment}:00"[:19],)


@pytest.mark.parametrize("blanks_inside", [False, True])
@pytest.mark.parametrize("moment", LOGGERS)
def test_what_loggers_write_is_taken(moment: str, blanks_inside: bool) -> None:
    forms = [moment, moment.replace("T", " ")] if blanks_inside else [moment]
    got = "quick_spaced_moment_in(s)" if blanks_inside else "quick_moment_in(s)"
    connection = readable()
    [(count,)] = connection.execute(f"SELECT count({got}) FROM (SELECT unnest(?) AS s)", [forms]).fetchall()
    assert count == len(forms)
