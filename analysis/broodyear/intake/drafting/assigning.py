"""Which table a file feeds, and which heading, name or cell each column of it comes from."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from broodyear.intake.bodies import Row
from broodyear.intake.drafting.assigned import TELLING, UNKNOWN, Asked, Assigned, Beside, Given
from broodyear.intake.drafting.day_grids import day_grid
from broodyear.intake.drafting.headings import (
    SAYS_NO_TANK,
    SCHOOL_YEAR,
    Looks,
    Meaning,
    common_pattern,
    converted_from,
    meanings,
    plain_words,
    school_year_in,
    share_of_words,
    word_in,
    year_in,
)
from broodyear.intake.drafting.side_by_side import (
    UNITS,
    absence_before,
    analyte_columns,
    clock_beside,
    fate_in,
    numbered_by_site,
    stage_columns,
    tank_columns,
    unit_of,
    unit_told,
)
from broodyear.intake.labels import is_label, titled
from broodyear.intake.sources import Source
from broodyear.layouts import HeadingNames, Rows, Value
from broodyear.layouts.model import column_letters, plain
from broodyear.schemas import TABLE_NAMES, Column, Table, table

#: Cells are of a column of words where so large a part of the different ones are.
MOST_WORDS = 0.5
#: A heading that may belong to more tables than this tells none of them.
MOST_TABLES = 3


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
            self._by_cells([one for one in meanings(name) if self._may_be(one, position)], position)
            for position, name in enumerate(self.names.shown)
        ]
        self._numbered = numbered_by_site(self.columns, self._meanings)
        #: Columns known by their cells alone, which several tables may take.
        self._shared: set[int] = set()

    def assigned(self) -> Assigned:
        """What each table gets."""
        names, looks = self.names.shown, self.looks
        wide, stages = tank_columns(names, looks, self._meanings), stage_columns(names, looks)
        measured = analyte_columns(names, looks)
        telling = self._telling([*wide, *stages, *measured])
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
        asked += self._days_side_by_side() if not (telling or wide or stages or measured) else []
        asked += [self._of_stage(stages, position) for position in stages]
        asked += [
            self._of_test(position, code) for position, code in measured.items() if "water_tests" not in telling
        ]
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

    def _of_stage(self, stages: Mapping[int, str], position: int) -> Asked:
        """What a column headed by a stage gives, with the last look without it from the column before."""
        given = self._constant("stage", stages[position], "one column for each stage")
        given |= self._measured("first_seen_on", position)
        before = absence_before(stages, self._meanings, position)
        if before is not None:
            given["last_absent_on"] = self._of_days(before, "the column before the stage")
        # The last look before one stage is none before another.
        unsaid = ("last_absent_on",) if before is None and len(stages) > 1 else ()
        return Asked(table("stages"), [position], given, unsaid=unsaid)

    def _of_test(self, position: int, analyte: str) -> Asked:
        """What a column headed by a measured quantity gives."""
        value: Given = Value("column", self.names.shown[position]), "one column for each quantity", [position]
        given = self._constant("analyte", analyte, "the heading says it")
        given |= self._constant("unit", unit_of(analyte), "the usual unit of it")
        return Asked(table("water_tests"), [position], {**given, "value": value})

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

    def _may_be(self, meaning: Meaning, position: int) -> bool:
        """Whether the cells below a heading do not speak against a column of words or years."""
        column, looks = meaning.column, self.looks[position]
        if column.allowed and (looks.are_numbers or looks.are_dates):
            return False
        if meaning.ground != "words in it" or not looks.distinct:
            return True
        if column.allowed:
            return share_of_words(column, looks.distinct) >= MOST_WORDS
        return column.kind != "year" or any(year_in(cell) for cell in looks.distinct)

    def _by_cells(self, known: list[Meaning], position: int) -> list[Meaning]:
        """Of columns of words with one heading, those whose words most cells are, where there are such."""
        cells = self.looks[position].distinct
        fits = [one.column.allowed and share_of_words(one.column, cells) >= MOST_WORDS for one in known]
        pairs = zip(known, fits, strict=True)
        return [one for one, fit in pairs if fit or not one.column.allowed] if any(fits) else known

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
            if column.name not in (*values, *asked.unsaid) and position is not None:
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

    def _from_heading(self, target: Table, column: Column, position: int, values: dict[str, Value]) -> None:
        ground: str = next(
            one.ground for one in self._meanings[position] if (one.table, one.column) == (target.name, column)
        )
        heading = self.names.shown[position]
        unit = converted_from(heading, column)
        ground = f"{ground}, with the unit in the heading" if unit else ground
        given: Given = Value("column", heading, unit=unit), ground, [position]
        if self.looks[position].are_dates:
            self._found.dates.append(position)
        if column.kind == "moment" and (clock := clock_beside(self.names.shown, self.looks, position)) is not None:
            given = Value("column", heading, self.names.shown[clock]), ground, [position, clock]
        elif column.kind in {"date", "moment"}:
            given = self._of_days(position, ground)
        elif column.name == "tank_id" and self._numbered is not None and position == self._numbered[1]:
            site, _, number = self._numbered
            ground = f'the two together, for a tank "{number}" stands at several sites'
            given = Value("column", self.names.shown[site], heading), ground, [site, position]
        self._take(target, column.name, values, given)

    def _unit(self, target: Table, values: dict[str, Value]) -> None:
        """The unit of a reading or of thermal units, as far as something tells it."""
        number, name, units = UNITS.get(target.name, ("", "", {}))
        uses = self._found.uses.items()
        taken = [one for one, of in uses if any(use[:2] == (target.name, number) for use in of)]
        if not taken or name in values:
            return
        is_reading = target.name == "temperatures"
        above = [cell for row in self.above for cell in row.cells] if is_reading else []
        looks = [self.looks[one] for one in taken] if is_reading else []
        told = unit_told(self.names.shown[taken[0]], above, looks)
        if told is not None:
            self._take(target, name, values, (Value("constant", units[told[0]]), told[1], ()))

    def _from_elsewhere(self, target: Table, column: Column, values: dict[str, Value]) -> None:
        """A column without heading: a label in the sheet's name, in a cell above, or in the file's name; a year in
        one of these names."""
        found = next(self._labels(), None) if column.name == "tank_id" else None
        if column.name == "season":
            years = self._in_names(year_in, "20[0-9]{2}")
            found = next(((value, f"the year {where}") for value, where in years), None)
        if column.name == "fate":
            sheet = self.source.sheet.name if self.source.sheet else ""
            day = values["exited_on"].text if "exited_on" in values else ""
            found = fate_in({"heading": day, "name of the file": self.source.name, "name of the sheet": sheet})
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
            found = [one for one in free if share_of_words(column, self.looks[one].distinct) == 1.0]
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
                label = titled(cell)
                if label is not None or is_label(cell):
                    words = () if label is None else ((plain(cell), label),)
                    place = f"{column_letters(position)}{row.line}"
                    yield Value("cell", place, words=words), "a label above the header"
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
