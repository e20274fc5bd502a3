"""Which table a file feeds, and which heading, name or cell each column of it comes from."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from broodyear.intake.bodies import Row
from broodyear.intake.drafting.assigned import TELLING, UNKNOWN, Asked, Assigned, Beside, Given
from broodyear.intake.drafting.day_grids import day_grid
from broodyear.intake.drafting.headings import (
    CODE,
    NUMBER,
    SAYS_NO_TANK,
    SCHOOL_YEAR,
    SHORT,
    Looks,
    are_words_of,
    common_pattern,
    is_label,
    meanings,
    plain_words,
    school_year_in,
    stage_in,
    unit_in,
    word_in,
    year_in,
)
from broodyear.intake.sources import Source
from broodyear.layouts import HeadingNames, Rows, Value
from broodyear.layouts.model import column_letters
from broodyear.schemas import TABLE_NAMES, Column, Table, table

#: A heading that may belong to more tables than this tells none of them.
MOST_TABLES = 3
_TIMES = {"time", "clock", "hour", "time of day", "read at"}


@dataclass
class Assigning:
    """The likeliest layout of a file with these headings. columns: the first cells below each heading, and their
    looks; above: the rows over the header."""

    source: Source
    names: HeadingNames
    columns: Sequence[Sequence[str]]
    looks: Sequence[Looks]
    above: Sequence[Row]
    beside: Beside

    def __post_init__(self) -> None:
        self._found = Assigned()
        self._meanings = [
            [one for one in meanings(name) if one.ground != "words in it" or self._may_be(one.column, position)]
            for position, name in enumerate(self.names.shown)
        ]
        self._numbered = self._numbered_by_site()
        #: Columns known by their cells alone, which several tables may take.
        self._shared: set[int] = set()

    def assigned(self) -> Assigned:
        """What each table gets."""
        wide = self._tanks_side_by_side()
        stages = self._stages_side_by_side()
        telling = self._telling([*wide, *stages])
        asked = [one for name, told in telling.items() for one in self._told(table(name), told)]
        if "setups" in telling and "tanks" not in telling and not self.beside.has_tanks:
            asked += self._tanks()
        if wide and "temperatures" not in telling:
            given: dict[str, Given] = {
                name: (value, "one column for each tank", wide)
                for name, value in (("tank_id", Value("heading")), ("water_temp", Value("cell_value")))
            }
            pattern = common_pattern([self.names.shown[position] for position in wide])
            asked.append(Asked(table("temperatures"), (), given, pattern))
        asked += self._days_side_by_side() if not (telling or wide or stages) else []
        for position, stage in stages.items():
            given = self._constant("stage", stage, "one column for each stage")
            asked.append(
                Asked(table("stages"), [position], {**given, **self._measured("first_seen_on", position)})
            )
        asked.sort(key=lambda one: TABLE_NAMES.index(one.target.name))
        asked = asked or [Asked(table(self._nearest()))]
        self._found.rows = tuple(self._rows(one, several=len(asked) > 1) for one in asked)
        return self._found

    def _told(self, target: Table, told: list[int]) -> list[Asked]:
        """What a table gets from the columns that tell it: rows for each where their headings say a word that no
        column gives, as dead eggs and dead fry say the stage."""
        for column in target.columns:
            if not (column.required and column.allowed) or self._position_of(target, column, told, {}) is not None:
                continue
            said = {position: word_in(self.names.shown[position], column) for position in told}
            rows = [
                Asked(target, [position], {
                    **self._constant(column.name, word or UNKNOWN, "the heading says it"),
                    **self._measured(self._told_by(target, position), position),
                })
                for position, word in said.items()
                if word is not None or not self._sums_up(position)
            ]  # fmt: skip
            if any(word is not None for word in said.values()):
                return rows
        return [Asked(target, told)]

    def _sums_up(self, position: int) -> bool:
        """Whether a column adds up others, by its heading: what they say is not taken twice."""
        return bool(
            {"total", "totals", "all", "sum", "together"} & set(plain_words(self.names.shown[position]).split())
        )

    def _told_by(self, target: Table, position: int) -> str:
        """The column of the table that a heading tells."""
        telling = TELLING[target.name]
        return next(one.column.name for one in self._meanings[position] if one.column.name in telling)

    def _constant(self, name: str, word: str, ground: str) -> dict[str, Given]:
        return {name: (Value("constant", word), ground, ())}

    def _measured(self, name: str, position: int) -> dict[str, Given]:
        known = (one.ground for one in self._meanings[position] if one.column.name == name)
        return {name: self._of_days(position, next(known, "words in it"))}

    def _of_days(self, position: int, ground: str) -> Given:
        """A column of days; behind those without a year stands the school year of another column or of a name."""
        heading = self.names.shown[position]
        if not self.looks[position].lacks_years:
            return Value("column", heading), ground, [position]
        known = ((other, one[0].column.name) for other, one in enumerate(self._meanings) if one)
        season = next((other for other, name in known if name == "season"), None)
        if season is not None:
            return Value("column", heading, self.names.shown[season]), ground, [position, season]
        year, where = next(self._in_names(school_year_in, SCHOOL_YEAR), (None, ""))
        ground = f"{ground}, with the school year {where}" if year else ground
        return Value("column", heading, behind=year), ground, [position]

    def _tanks(self) -> list[Asked]:
        """The tanks that set-ups name, as rows of their own."""
        target = table("tanks")
        position = self._position_of(target, target.column("tank_id"), (), {})
        return [] if position is None else [Asked(target, [position])]

    def _stages_side_by_side(self) -> dict[int, str]:
        """Columns headed by a stage with dates below, and their stages; of several some may be empty still."""
        found = {
            position: stage
            for position, name in enumerate(self.names.shown)
            if (stage := stage_in(name)) and (self.looks[position].has_dates or not self.looks[position].filled)
        }
        return found if any(self.looks[position].filled for position in found) else {}

    def _tanks_side_by_side(self) -> list[int]:
        """Columns headed by a tank's label with numbers below, when there are several."""
        positions = [
            position
            for position, name in enumerate(self.names.shown)
            if CODE.fullmatch(name) and not self._meanings[position] and self.looks[position].are_numbers
        ]
        return positions if len(positions) > 1 else []

    def _days_side_by_side(self) -> list[Asked]:
        """What a grid of days gives."""
        texts = [self.source.sheet.name] if self.source.sheet else []
        texts += [cell for row in self.above for cell in row.cells if cell.strip()]
        grid = day_grid(self.names.shown, self.looks, texts)
        if grid is None:
            return []
        self._found.day_headings = [self.names.shown[position] for position in grid.positions]
        school_year = next(self._in_names(school_year_in, SCHOOL_YEAR), (None, ""))[0]
        heading = Value("heading", behind=None if grid.has_years else school_year)
        given: dict[str, Given] = {
            grid.day: (heading, "one column for each day", grid.positions),
            grid.number: (Value("cell_value"), grid.ground, grid.positions),
        }
        return [Asked(table(grid.table), (), given, grid.pattern)]

    def _telling(self, wide: Sequence[int]) -> dict[str, list[int]]:
        """Table -> the columns of the file that tell it is fed; a column tells one table, the surest."""
        found: dict[str, list[int]] = {}
        for position, known in enumerate(self._meanings):
            meaning = next((one for one in known if one.column.name in TELLING.get(one.table, ())), None)
            if len({one.table for one in known}) > MOST_TABLES:
                continue  # a date, a tank: headings of every kind of record
            if meaning is None or position in wide or not self._looks_right(meaning.column, position):
                continue
            if not any(one.rank < meaning.rank and self._looks_right(one.column, position) for one in known):
                found.setdefault(meaning.table, []).append(position)
        return found

    def _nearest(self) -> str:
        counts = dict.fromkeys(TABLE_NAMES, 0)
        for known in self._meanings:
            for name in {meaning.table for meaning in known}:
                counts[name] += 1
        return max(counts, key=lambda name: counts[name]) if any(counts.values()) else "temperatures"

    def _looks_right(self, column: Column, position: int) -> bool:
        looks = self.looks[position]
        if not looks.filled:
            return True
        if column.kind in {"date", "moment"}:
            return looks.are_dates
        return looks.are_numbers if column.is_number and column.kind != "year" else not looks.are_dates

    def _may_be(self, column: Column, position: int) -> bool:
        """Whether the cells below a heading that only has words of a column do not speak against it."""
        cells = self.looks[position].distinct
        if column.allowed:
            said = {re.sub(r"[\s-]+", "_", cell.lower()) for cell in cells}
            return not cells or bool(said & {*column.spellings, *(word.lower() for word in column.allowed)})
        return column.kind != "year" or not cells or any(year_in(cell) for cell in cells)

    def _rows(self, asked: Asked, *, several: bool) -> Rows:
        target, told = asked.target, asked.told
        values: dict[str, Value] = {}
        for name, given in asked.given.items():
            self._take(target, name, values, given)
            self._found.dates += given[2][:1] if target.column(name).kind == "date" else []
            if given[0].text == UNKNOWN:
                self._note_unknown(target, name)
        for column in target.columns:
            position = self._position_of(target, column, told, values)
            if column.name not in values and position is not None:
                self._from_heading(target, column, position, values)
        self._unit(target, values)
        for column in target.columns:
            if column.required and column.name not in values and not self._from_looks(target, column, values):
                self._from_elsewhere(target, column, values)
        is_asked = told and (several or target.name == "stages")
        only = (self.names.shown[told[0]],) if is_asked else ()
        ordered = tuple((name, values[name]) for name in target.column_names if name in values)
        return Rows(target.name, ordered, only, asked.pattern)

    def _take(self, target: Table, name: str, values: dict[str, Value], given: Given) -> None:
        values[name], ground, positions = given
        self._found.grounds[target.name, name] = ground
        for position in positions:
            self._found.uses.setdefault(position, []).append((target.name, name, ground))

    def _position_of(
        self, target: Table, column: Column, telling: Sequence[int], values: dict[str, Value]
    ) -> int | None:
        """The column of the file that likeliest holds a column of the table."""
        # A site told together with the number of its tank is still to be told by itself.
        used = {
            value.joined if name == "tank_id" and value.joined else value.text for name, value in values.items()
        }
        candidates: list[tuple[int, int, int]] = []
        for position, known in enumerate(self._meanings):
            elsewhere = position not in telling and any(
                one.table != target.name and one.column.name in TELLING.get(one.table, ()) for one in known[:1]
            )
            if self.names.shown[position] in used or elsewhere or not self._looks_right(column, position):
                continue
            for meaning in known:
                if (meaning.table, meaning.column.name) == (target.name, column.name):
                    candidates.append((meaning.rank, self._better(target, column, position), position))
        return min(candidates)[2] if candidates else None

    def _better(self, target: Table, column: Column, position: int) -> int:
        """0 unless another column of the table is named by this heading more surely."""
        ranks = {
            one.column.name: one.rank for one in reversed(self._meanings[position]) if one.table == target.name
        }
        return int(any(rank < ranks[column.name] for name, rank in ranks.items()))

    def _numbered_by_site(self) -> tuple[int, int, str] | None:
        """Places of the sites and of the numbers of their tanks, and a number that several have: then a tank
        is told by both. None where the labels of tanks stand by themselves."""
        site, tank = (
            next(
                (
                    position
                    for position, known in enumerate(self._meanings)
                    if known and known[0].column.name == name
                ),
                None,
            )
            for name in ("site_id", "tank_id")
        )
        if site is None or tank is None:
            return None
        both = zip(self.columns[site], self.columns[tank], strict=True)
        pairs = sorted({(a.strip(), b.strip()) for a, b in both if a and b})
        labels = Counter(label for _, label in pairs)
        label, sites = max(labels.items(), key=lambda one: one[1], default=("", 0))
        fewer = len(labels) < len({name for name, _ in pairs})
        known = NUMBER if not fewer else SHORT
        is_short = all(known.fullmatch(one) for one in labels)
        return (site, tank, label) if sites > 1 and is_short else None

    def _from_heading(self, target: Table, column: Column, position: int, values: dict[str, Value]) -> None:
        ground: str = next(
            one.ground for one in self._meanings[position] if (one.table, one.column) == (target.name, column)
        )
        heading = self.names.shown[position]
        given: Given = Value("column", heading), ground, [position]
        if self.looks[position].are_dates:
            self._found.dates.append(position)
        if column.kind == "moment" and (clock := self._clock_beside(position)) is not None:
            given = Value("column", heading, self.names.shown[clock]), ground, [position, clock]
        elif column.kind == "date":
            given = self._of_days(position, ground)
        elif column.name == "tank_id" and self._numbered is not None and position == self._numbered[1]:
            site, _, number = self._numbered
            ground = f'the two together, for a tank "{number}" stands at several sites'
            given = Value("column", self.names.shown[site], heading), ground, [site, position]
        self._take(target, column.name, values, given)

    def _clock_beside(self, date: int) -> int | None:
        return next(
            (
                position
                for position, name in enumerate(self.names.shown)
                if position != date and plain_words(name) in _TIMES and self.looks[position].are_times
            ),
            None,
        )

    def _unit(self, target: Table, values: dict[str, Value]) -> None:
        """The unit that the heading of a reading tells."""
        if target.name == "temperatures" and "unit" not in values and values.get("water_temp"):
            position = self.names.position(values["water_temp"].text)
            unit = unit_in(self.names.shown[position]) if position is not None else None
            if unit is not None:
                self._take(target, "unit", values, (Value("constant", unit), "the unit in the heading", ()))

    def _from_elsewhere(self, target: Table, column: Column, values: dict[str, Value]) -> None:
        """A column without heading: a label in the sheet's name, in a cell above, or in the file's name; a year in
        one of these names."""
        found = next(self._labels(), None) if column.name == "tank_id" else None
        if column.name == "season":
            years = self._in_names(year_in, "20[0-9]{2}")
            found = next(((value, f"the year {where}") for value, where in years), None)
        if found is None:
            values[column.name] = Value("constant", UNKNOWN)
            self._note_unknown(target, column.name)
        else:
            self._take(target, column.name, values, (*found, ()))

    def _from_looks(self, target: Table, column: Column, values: dict[str, Value]) -> bool:
        """A column whose heading tells nothing, known by its cells: those that hold nothing but its words, or the
        only days that nothing else takes. Whether there is one."""
        taken = {position for position, uses in self._found.uses.items() if uses}
        free = [
            position
            for position, known in enumerate(self._meanings)
            if self.looks[position].filled
            and position not in taken - self._shared
            and not any(one.ground != "words in it" for one in known)
        ]
        found = []
        if column.allowed:
            found = [position for position in free if are_words_of(column, self.looks[position].distinct)]
        elif column.kind in {"date", "moment"}:
            found = [position for position in free if self.looks[position].are_dates]
        if len(found) != 1:
            return False
        self._shared.add(found[0])
        is_day = not column.allowed
        ground = "the only days that nothing else takes" if is_day else "its cells are the words of it"
        given = (
            self._of_days(found[0], ground)
            if is_day
            else (Value("column", self.names.shown[found[0]]), ground, [found[0]])
        )
        self._found.dates += found if is_day else []
        self._take(target, column.name, values, given)
        return True

    def _note_unknown(self, target: Table, name: str) -> None:
        self._found.unknown = (*dict.fromkeys((*self._found.unknown, (target.name, name))),)

    def _labels(self) -> Iterator[tuple[Value, str]]:
        sheet = self.source.sheet
        # A sheet may be named after its tank where it has fellows and its name says something.
        says = self.beside.has_alike and sheet and not SAYS_NO_TANK.fullmatch(sheet.name.strip())
        if sheet is not None and (is_label(sheet.name) or says):
            yield Value("sheet_name", "(?P<value>.+)"), "the name of the sheet"
        for row in self.above:
            for position, cell in enumerate(row.cells):
                if is_label(cell):
                    yield Value("cell", f"{column_letters(position)}{row.line}"), "a label above the header"
        if in_name := re.search(r"[A-Za-z]{1,6}-[0-9]{1,4}", self.source.name):
            yield self._in_file_name(in_name[0], "[A-Za-z]+-[0-9]+"), "the name of the file"

    def _in_names(self, found_in: Callable[[str], str | None], shape: str) -> Iterator[tuple[Value, str]]:
        """Parts of the names of the sheet and the file, and where they stand."""
        sheet = self.source.sheet
        if sheet is not None and found_in(sheet.name):
            yield Value("sheet_name", f"(?P<value>{shape})"), "in the name of the sheet"
        if in_name := found_in(self.source.name):
            yield self._in_file_name(in_name, shape), "in the name of the file"

    def _in_file_name(self, text: str, shape: str) -> Value:
        """A part of the file's name; the layout is then for files that are called alike."""
        self._found.files = (self._found.files or self.source.name).replace(text, "*", 1)
        return Value("file_name", f"(?P<value>{shape})")
