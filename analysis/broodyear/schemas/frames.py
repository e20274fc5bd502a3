"""pandera schemas made from the declarations: what a frame of an uploaded or of a derived table must be.

    pandera_schema(table("losses")).validate(frame, lazy=True)             # before it is exported or loaded
    result_schema(query_named("tank_outcomes")).validate(frame, lazy=True)  # what ``store.result`` gives
    frame_schema("scores").validate(frame, lazy=True)                      # what public functions take and give

The loader checks with SQL made from the same declarations; here each check carries the name of the loader's rule,
so that the two can be compared row by row. pandera is imported with this module alone: nothing else needs it.
"""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Protocol

import pandas as pd
import pandera.pandas as pa

from broodyear.errors import UsageError
from broodyear.schemas.declarations import LONGEST_CODE, Column, RangeBy, RowRule, Table, unseen_character

#: The columns of the frames that public functions take and give, by frame: name -> kind of its values, as
#: frames.toml declares them.
FRAMES: Mapping[str, Mapping[str, str]] = {
    name: dict(column.split() for column in columns.split("; "))
    for name, columns in tomllib.loads(Path(__file__).with_name("frames.toml").read_text(encoding="utf-8")).items()
}

#: Characters no code may hold: the two control ranges of Unicode, and the separators of lines and paragraphs.
CONTROL_CHARACTERS = r"[\x00-\x1f\x7f-\x9f\u2028\u2029]"

_DTYPES = {
    "code": "str",
    "text": "str",
    "integer": "Int64",
    "count": "Int64",
    "year": "Int64",
    "number": "float64",
    "boolean": "boolean",
    "date": "datetime64[us]",
    "moment": "datetime64[us]",
}


#: Kind of the values that a unit in the header of a query promises; a unit not named here is a number's.
_KINDS_OF_UNITS = {
    "code": "text",
    "text": "text",
    "as written": "text",
    "true/false": "boolean",
    "date": "date",
    "local time": "moment",
    "season": "year",
    "count": "count",
}


class Returned(Protocol):
    """A column of a derived table, as the header of its query states it."""

    @property
    def name(self) -> str: ...
    @property
    def unit(self) -> str: ...
    @property
    def meaning(self) -> str: ...


class Derived(Protocol):
    """A derived table, as the header of its query states it."""

    @property
    def name(self) -> str: ...
    @property
    def key(self) -> tuple[str, ...]: ...
    @property
    def returns(self) -> tuple[Returned, ...]: ...


def result_schema(query: Derived) -> pa.DataFrameSchema:
    """Schema of the frame of a derived table: every column its header returns and no other, of the kind that its
    unit promises, and no two rows of one key. Values of the key are never missing.

    >>> from broodyear.derived import query_named
    >>> sorted(result_schema(query_named("staged_trials")).columns)[:3]
    ['block', 'factor', 'followed']
    """

    def first_of_its_key(frame: pd.DataFrame) -> pd.Series:
        return ~frame.duplicated(list(query.key), keep="first")

    key = [pa.Check(first_of_its_key, error="duplicate_key", name="duplicate_key")] if query.key else []
    return pa.DataFrameSchema(
        {
            column.name: pa.Column(
                _DTYPES[_KINDS_OF_UNITS.get(column.unit, "number")],
                nullable=column.name not in query.key,
                description=column.meaning,
                metadata={"unit": column.unit},
            )
            for column in query.returns
        },
        checks=key,
        name=query.name,
        strict=True,
        coerce=True,
    )


def pandera_schema(table: Table, *, season_of: Callable[[dt.date], int] | None = None) -> pa.DataFrameSchema:
    """Schema of a typed frame of ``table``: one column per declared column, blank cells missing.

    Columns that are not required may be absent. Rule names of the checks: not_nullable, out_of_range,
    not_allowed, bad_code, duplicate_key, and the table's own row rules. season_of is needed only for a table
    whose key includes a season; without it the calendar date stands in.
    """
    checks = [_row_check(rule) for rule in table.row_rules]
    checks += [_range_check(column, column.range_by) for column in table.columns if column.range_by]
    checks.append(_key_check(table, season_of))
    return pa.DataFrameSchema(
        {column.name: _column(column) for column in table.columns},
        checks=checks,
        name=table.name,
        strict="filter",
        coerce=True,
    )


#: Values of each kind that ``FRAMES`` names: the kind of the column, and the limits of its values.
_FRAME_KINDS: dict[str, tuple[str | None, float | None, float | None]] = {
    "text": ("str", None, None),
    "number": ("float64", None, None),
    "size": ("float64", 0.0, None),
    "pct": ("float64", 0.0, 100.0),
    "share": ("float64", 0.0, 1.0),
    "whole": ("Int64", None, None),
    "boolean": ("boolean", None, None),
    "date": ("datetime64[us]", None, None),
    "any": (None, None, None),
}


def frame_schema(name: str) -> pa.DataFrameSchema:
    """Schema of a frame that public functions take (constant_temperatures, tank_records, tank_seasons) or give
    (scores, setups, forecasts, published_models, regions, practices, sites).

    Columns may be more, in any order; values are brought to the kind asked for. Raises UsageError for another
    name.

    >>> from broodyear import published_models
    >>> len(frame_schema("published_models").validate(published_models(), lazy=True)) > 10
    True
    """
    if name not in FRAMES:
        raise UsageError(f"there is no frame {name!r}; expected one of {', '.join(FRAMES)}")
    columns = {column: _frame_column(kind) for column, kind in FRAMES[name].items()}
    return pa.DataFrameSchema(columns, name=name, strict=False, coerce=True)


def _frame_column(kind: str) -> pa.Column:
    dtype, low, high = _FRAME_KINDS[kind.rstrip("?-")]
    checks = [pa.Check.ge(low, error="out_of_range")] if low is not None else []
    checks += [pa.Check.le(high, error="out_of_range")] if high is not None else []
    return pa.Column(
        dtype, checks=checks, nullable="?" in kind, required="-" not in kind, coerce=dtype is not None
    )


def _broken(column: object, check: object, value: object, row: Any) -> str:
    """One break of a schema in words; where a column is missing, pandera names it as the value."""
    if check == "column_in_dataframe":
        return f"{value}: the column is missing"
    return f"{column}: {check}" + ("" if pd.isna(row) else f", row {row}: {value!r}")


def checked(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """The frame, held to its public schema. Raises UsageError that names every column and row that breaks it."""
    try:
        frame_schema(name).validate(frame, lazy=True)
    except pa.errors.SchemaErrors as errors:
        cases = errors.failure_cases[["column", "check", "failure_case", "index"]].drop_duplicates().head(10)
        said = "; ".join(_broken(*case) for case in cases.itertuples(index=False))
        raise UsageError(f"the frame is not one of {name}: {said}; see broodyear.schemas.frames") from None
    return frame


def _column(column: Column) -> pa.Column:
    return pa.Column(
        _DTYPES[column.kind],
        checks=_cell_checks(column),
        nullable=not column.required,
        required=column.required,
        description=column.meaning,
        metadata={"unit": column.unit},
    )


def _cell_checks(column: Column) -> list[pa.Check]:
    checks = []
    if column.allowed:
        checks.append(pa.Check.isin(list(column.allowed), error="not_allowed"))
    if column.kind == "code" or (column.kind == "text" and not column.allowed):
        checks.append(pa.Check(_is_code if column.kind == "code" else _is_text, error="bad_code"))
    if column.range_by is None and column.minimum is not None:
        checks.append(pa.Check.ge(column.minimum, error="out_of_range"))
    if column.range_by is None and column.maximum is not None:
        checks.append(pa.Check.le(column.maximum, error="out_of_range"))
    return checks


def _is_code(values: pd.Series) -> pd.Series:
    return _is_text(values) & values.map(lambda code: not unseen_character(str(code))).astype(bool)


def _is_text(values: pd.Series) -> pd.Series:
    # Python's own expressions: what a frame's text accessor understands depends on how its text is stored.
    forbidden = re.compile(CONTROL_CHARACTERS)
    return values.map(lambda code: 1 <= len(str(code)) <= LONGEST_CODE and not forbidden.search(str(code))).astype(
        bool
    )


def _range_check(column: Column, range_by: RangeBy) -> pa.Check:
    def within(frame: pd.DataFrame) -> pd.Series:
        decider = _text(frame, range_by.column).fillna(range_by.otherwise)
        value = frame[column.name] if column.name in frame else pd.Series(float("nan"), index=frame.index)
        good = value.isna() | ~decider.isin(list(range_by.ranges))
        for name, (low, high) in range_by.ranges.items():
            inside = value.between(float("-inf") if low is None else low, float("inf") if high is None else high)
            good |= (decider == name) & inside
        return good

    return pa.Check(within, error="out_of_range", name=f"{column.name}_range")


def _row_check(rule: RowRule) -> pa.Check:
    return pa.Check(lambda frame: ~_breaks(frame, rule), error=rule.rule, name=rule.rule)


def _breaks(frame: pd.DataFrame, rule: RowRule) -> pd.Series:
    if rule.check in {"before", "not_before"}:
        first, second = (_moment(frame, name) for name in rule.columns)
        if rule.check == "before":
            return (first >= second).fillna(False)
        whole_day = (first == first.dt.normalize()) | (second == second.dt.normalize())
        return (first < second.where(~whole_day, second.dt.normalize())).fillna(False)
    assert rule.when is not None
    holds = (_text(frame, rule.when[0]) == rule.when[1]).fillna(False)
    if rule.check == "implies":
        assert rule.then is not None
        other = _text(frame, rule.then[0])
        return holds & other.notna() & (other != rule.then[1])
    missing = frame[rule.columns[0]].isna() if rule.columns[0] in frame else pd.Series(True, index=frame.index)
    return holds & (missing if rule.check == "needs" else ~missing)


def _text(frame: pd.DataFrame, name: str) -> pd.Series:
    return frame[name].astype("str") if name in frame else pd.Series(pd.NA, index=frame.index, dtype="str")


def _moment(frame: pd.DataFrame, name: str) -> pd.Series:
    if name not in frame:
        return pd.Series(pd.NaT, index=frame.index, dtype="datetime64[us]")
    return pd.to_datetime(frame[name])


def _key_check(table: Table, season_of: Callable[[dt.date], int] | None) -> pa.Check:
    def first_of_its_key(frame: pd.DataFrame) -> pd.Series:
        key = pd.DataFrame({name: frame[name] if name in frame else None for name in table.primary_key})
        if table.key_season_of:
            day = _moment(frame, table.key_season_of)
            key["season"] = day if season_of is None else day.map(season_of, na_action="ignore")
        return ~key.duplicated(keep="first")

    return pa.Check(first_of_its_key, error="duplicate_key", name="duplicate_key")
