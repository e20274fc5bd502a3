"""The basket: what arrives whole stays until the person decides; what does not leaves nothing behind."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.desk import hostile

from broodyear.desk import basket as module
from broodyear.desk.basket import Basket
from broodyear.desk.workplace import Workplace
from broodyear.errors import UsageError


@pytest.fixture
def place(tmp_path: Path) -> Workplace:
    workplace = Workplace(tmp_path / "store.duckdb")
    workplace.prepare()
    return workplace


def test_files_are_kept_in_order_of_arrival(place: Workplace) -> None:
    basket = Basket(place)
    basket.add("b.csv", [b"one,", b"two"])
    basket.add("mail/a.csv", [b"three"])
    listed = Basket(place).listed()
    assert [(file.number, file.shown, file.size) for file in listed] == [(1, "b.csv", 7), (2, "mail/a.csv", 5)]
    assert [file.path.read_bytes() for file in listed] == [b"one,two", b"three"]


@pytest.mark.parametrize("name", hostile.NAMES)
def test_hostile_names_stay_in_the_basket(place: Workplace, name: str) -> None:
    Basket(place).add(name, [b"x"])
    (file,) = Basket(place).listed()
    assert file.path.resolve().parent.parent == place.files.resolve() and file.path.read_bytes() == b"x"
    outside = {path.name for path in place.store.parent.iterdir()} - {place.folder.name}
    assert outside == set()


def test_a_file_that_breaks_off_leaves_nothing(place: Workplace) -> None:
    def cut_off() -> Iterator[bytes]:
        yield b"half"
        raise ConnectionError

    with pytest.raises(ConnectionError):
        Basket(place).add("losses.csv", cut_off())
    assert list(place.files.iterdir()) == []


def test_a_file_beyond_the_limit_is_refused_while_it_comes(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LARGEST_FILE_BYTES", 10)
    taken = []

    def endless() -> Iterator[bytes]:
        while True:
            taken.append(1)
            yield b"12345"

    with pytest.raises(UsageError, match="the most the desk takes"):
        Basket(place).add("losses.csv", endless())
    assert len(taken) == 3 and list(place.files.iterdir()) == []


def test_what_a_killed_desk_did_not_receive_whole_is_cleared(place: Workplace) -> None:
    basket = Basket(place)
    basket.add("whole.csv", [b"x"])
    (place.files / "000002").mkdir()
    (place.files / "000002" / "half.csv").write_bytes(b"x")
    basket.clear_cut_off()
    assert [file.shown for file in basket.listed()] == ["whole.csv"] and not (place.files / "000002").exists()


def test_namesakes_are_told_apart(place: Workplace) -> None:
    basket = Basket(place)
    for text in (b"old", b"older", b"new"):
        basket.add("losses.csv", [text])
    assert [file.shown for file in basket.listed()] == ["losses.csv", "losses (2).csv", "losses (3).csv"]


def test_a_number_is_given_once(place: Workplace) -> None:
    basket = Basket(place)
    basket.add("a.csv", [b"x"])
    basket.remove(basket.add("b.csv", [b"x"]).number)
    assert basket.add("c.csv", [b"x"]).number == 3


def test_only_so_many_files_wait(place: Workplace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_FILES", 1)
    Basket(place).add("a.csv", [b"x"])
    with pytest.raises(UsageError, match="wait already"):
        Basket(place).add("b.csv", [b"x"])
