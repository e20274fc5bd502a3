"""What is counted in a text, whatever the pieces are in which it is gone through."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from broodyear.intake import decoding
from broodyear.intake.decoding import Census, survey

#: A blank at the beginning or the end of a cell; beside other blanks there, the outermost tells.
OUTER = re.compile(r'(^|[,;\t|\n\r"]) | ($|[,;\t|\n\r"])')


@pytest.mark.parametrize("piece", [1, 2, 3, 5, 1000])
@pytest.mark.parametrize(
    "text",
    [
        "a,b\n1,2\n",
        "a b,c\n1 2,3  4\n",
        "a ,b\n1,2\n",
        "a,b\n1, 2\n",
        "a,b\n1,2 \n",
        "a,b\n1,2 ",
        " a,b\n",
        'a," b"\n',
    ],
)
def test_spaces_at_the_edge_of_a_cell(
    text: str, piece: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(decoding, "PIECE", piece)
    (tmp_path / "text").write_bytes(text.encode())
    census = Census()
    assert survey(tmp_path / "text", 0, census)
    assert census.has_outer_space is bool(OUTER.search(text))
    assert census.has_space is (" " in text)
    assert census.separators[","] == text.count(",")
