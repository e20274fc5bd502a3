"""What is known when a file comes: the seasons of the programme, those in which tanks were set up, and the codes
that other tables may refer to, of the store and of the files loaded so far."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from functools import cached_property

import duckdb

from broodyear.derived import statement
from broodyear.findings import first_of
from broodyear.intake.cell_sql import known_name
from broodyear.schemas import Reference, Table
from broodyear.settings import SeasonSpan, Settings, season_of
from broodyear.store.joining import LABEL_COLUMNS, joined_codes


def known_seasons(
    connection: duckdb.DuckDBPyConnection, settings: Settings, *, and_checked: bool = False
) -> SeasonSpan | None:
    """The first and last day of the seasons in which some tank was set up; None when there is none. and_checked:
    also those of the set-ups that are being checked (the table ``checked``)."""
    setups = "SELECT season FROM setups" + (" UNION ALL SELECT season FROM checked" if and_checked else "")
    possible = f"SELECT min(season), max(season) FROM ({setups}) WHERE season BETWEEN 1900 AND 2100"
    [(first, last)] = connection.execute(possible).fetchall()
    if first is None:
        return None
    month, day = settings.season_start_month, settings.season_start_day
    return dt.date(int(first), month, day), dt.date(int(last) + 1, month, day) - dt.timedelta(days=1)


#: So many tanks are named in a note.
_NAMED = 5
#: What stands between two codes in one cell.
_BETWEEN = re.compile(r"\s*[&+,;/]\s*|\s+and\s+", re.IGNORECASE)


class Known:
    """What the store of ``connection`` knows in one run, asked anew only after files added to it: seasons,
    set-ups, codes. No codes are to come at first from files that are filed later than those that refer to them."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, settings: Settings) -> None:
        self.connection, self.settings = connection, settings
        self._codes: dict[str, list[str]] = {}
        self._near: dict[str, dict[str, str | None]] = {}
        self._filled: set[str] = set()
        connection.execute("CREATE OR REPLACE TEMP TABLE codes_to_come (table_name VARCHAR, code VARCHAR)")

    def forget(self) -> None:
        """Ask again: codes or set-ups were added, or what was added is taken back."""
        for answer in ("seasons", "_setups", "_at_sites"):
            self.__dict__.pop(answer, None)
        self._codes.clear()
        self._near.clear()
        self._filled.clear()

    @cached_property
    def seasons(self) -> SeasonSpan | None:
        """See ``known_seasons``."""
        return known_seasons(self.connection, self.settings)

    @cached_property
    def _setups(self) -> set[tuple[str, int]]:
        meant = self.settings.meant_by("tank")
        setups = self.connection.execute("SELECT tank_id, season FROM setups").fetchall()
        return {(meant.get(tank, tank), season) for tank, season in setups}

    @cached_property
    def _at_sites(self) -> dict[str, tuple[str, ...]]:
        tanks = "SELECT lower(site_id), list_sort(list(DISTINCT tank_id)) FROM setups GROUP BY ALL"
        return {site: tuple(found) for site, found in self.connection.execute(tanks).fetchall()}

    def has_rows(self, table: Table) -> bool:
        """Whether any row of a table stands."""
        if (
            table.name not in self._filled
            and self.connection.execute(f"SELECT 1 FROM {table.name} LIMIT 1").fetchall()
        ):
            self._filled.add(table.name)
        return table.name in self._filled

    def expect_codes(self, table: Table) -> None:
        """The codes of the good rows in ``checked`` are known from now on, although the rows are filed later."""
        (column,) = table.primary_key
        self.connection.execute(
            f"INSERT INTO codes_to_come SELECT '{table.name}', \"{column}\" FROM checked WHERE NOT broken"
        )
        self.forget()

    def prepare_codes(self, table: Table) -> None:
        """Make a temporary type of the known codes for each reference of ``table``.

        Files are taken in load order (sites, tanks, setups, batches …), so the codes of a whole load are known by
        the time a table refers to them, in whatever order the files came. Of labels that mean one thing all are
        known when one is.
        """
        for reference in table.references:
            name = known_name(reference)
            if name in self._codes:
                continue
            # Its columns are of this type.
            self.connection.execute("DROP TABLE IF EXISTS checked")
            self.connection.execute(f"DROP TYPE IF EXISTS {name}")
            # A type needs at least one value: the empty text, which no checked code can be.
            coming = f"SELECT code FROM codes_to_come WHERE table_name = '{reference.target_table}'"
            stored = f"SELECT {reference.target_column} FROM {reference.target_table}"
            codes = f"SELECT '' AS code UNION {stored} UNION {coming}"
            joined = joined_codes(codes, self.settings.groups_of(LABEL_COLUMNS[reference.target_column]))
            self.connection.execute(f"CREATE TEMP TYPE {name} AS ENUM ({joined})")
            found = self.connection.execute(f"SELECT unnest(enum_range(NULL::{name}))").fetchall()
            self._codes[name] = [code for (code,) in found if code]

    def near(self, reference: Reference, code: str, check: str) -> str | None:
        """The one known code that an unknown one reads like, or of which it is short; None when none or several
        do. check: what stands before such codes in ``failed_checks``."""
        name = known_name(reference)
        near = self._near.setdefault(name, {})
        # Planning the search takes longer than most sheets: there is none where nothing is known.
        if code not in near and self._codes[name]:
            given = {"check": check, "known": self._codes[name]}
            near |= dict(self.connection.execute(statement("intake/near_codes"), given).fetchall())
        return near.setdefault(code, None)

    def several(self, reference: Reference, code: str) -> tuple[str, ...]:
        """The known codes that an unknown one names, as "T05 & T06" does; none when it does not name two or more
        and nothing else."""
        known = {one.casefold(): one for one in self._codes[known_name(reference)]}
        named = [known.get(part.casefold(), "") for part in _BETWEEN.split(code.strip())]
        return tuple(named) if len(named) > 1 and all(named) else ()

    def at_site(self, reference: Reference, code: str) -> tuple[str, ...]:
        """The tanks set up in any season at the site that stands in the place of a tank; none where it is no site,
        or no tank was set up there."""
        return self._at_sites.get(code.strip().lower(), ()) if reference.column == "tank_id" else ()

    def without_setup(self, table: Table, upload: int) -> Iterator[str]:
        """A note on tanks of an upload whose rows fall into a season in which they have no set-up; none when all
        have one, or when no set-up is known at all."""
        dated = [name for name in table.primary_key if table.column(name).kind in {"date", "moment"}]
        dated += [table.key_season_of] if table.key_season_of else []
        if not dated or "tank_id" not in table.column_names or not self._setups:
            return
        rows = self.connection.execute(
            f'SELECT tank_id, min("{dated[0]}")::DATE, max("{dated[0]}")::DATE FROM received_{table.name} '
            f"WHERE upload = {upload} GROUP BY tank_id ORDER BY tank_id"
        ).fetchall()
        meant = self.settings.meant_by("tank")
        lacking = {
            tank: season
            for tank, first, last in rows
            for season in {season_of(first, self.settings), season_of(last, self.settings)}
            if (meant.get(tank, tank), season) not in self._setups
        }
        if lacking:
            named = [f"{tank} in {season}/{(season + 1) % 100:02d}" for tank, season in lacking.items()]
            listed = first_of(named, _NAMED)
            yield f"rows of tanks without a set-up in their season are kept, and join when it arrives: {listed}"
