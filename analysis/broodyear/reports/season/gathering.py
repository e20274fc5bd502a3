"""Asking the other parts for all that a review shows and that waits for no fit, while the fits are begun.

What they refuse is kept as a sentence. ``comparing`` does the same for what follows from the fits.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import pandas as pd
from threadpoolctl import threadpool_limits

from broodyear.errors import NothingToAnalyse
from broodyear.findings import file_of
from broodyear.intake.suspicions import ACKNOWLEDGED, RULES, count_suspicions, open_cases
from broodyear.regions import low_regions
from broodyear.reports import Tell
from broodyear.reports.numbers import MAIN_OUTCOME, season_name
from broodyear.reports.rendering import wording
from broodyear.reports.season.account import (
    dead_by_stage,
    events,
    observed_or_most,
    of_season,
    timelines,
    too_many_dead,
    totals,
    with_intervals,
)
from broodyear.reports.season.comparing import UnderWay
from broodyear.reports.season.practices import trials_table
from broodyear.reports.season.results import SeasonRecords, attempt, sites_beside_regions, stated
from broodyear.reports.second_process import SecondProcess, on_one_thread
from broodyear.reports.sentences import Statements
from broodyear.reports.tables import ReportTable, report_table, without_folders
from broodyear.setups import (
    SetupScreen,
    batch_claims,
    funnel_limits,
    place_claims,
    screen_setups,
    sites_table,
    tank_claims,
)
from broodyear.store.clashing import clashing_rows
from broodyear.store.ledger import kept_out
from broodyear.survival.practices import available, begin_effects
from broodyear.survival.running import running_season, with_waiting, without_waiting
from broodyear.trials import analyse_trials

if TYPE_CHECKING:
    from broodyear.store import Store


def gather_records(
    store: Store, season: int, ledger: pd.DataFrame, beside: SecondProcess, tell: Tell
) -> tuple[SeasonRecords, UnderWay]:
    """All tables of `season` that wait for no fit, and the fits begun `beside`; ledger: the store's uploads; tell:
    hears of the steps.

    Raises NothingToAnalyse naming the seasons there are.
    """
    tell(0, 4, "reading the records")
    ledger = ledger.assign(rows_sent_back=ledger["rows_rejected"] - ledger["rows_repeated"])
    every = store.result("tank_seasons")
    tanks = of_season(every, season)
    if tanks.empty:
        raise NothingToAnalyse(_no_such_season(season, every))
    outcomes = store.result("tank_outcomes")
    tank, large = ["season", "tank_id"], store.result("large_losses")
    outcomes = outcomes.merge(store.result("tank_evidence"), on=tank, how="left")
    outcomes["has_large_loss"] = pd.MultiIndex.from_frame(outcomes[tank]).isin(
        pd.MultiIndex.from_frame(large[tank])
    )
    running = running_season(every)
    known = with_waiting(plain_flags(outcomes[outcomes["season"] <= season]), running)
    effects = begin_effects(known, partial(beside.ask, on_one_thread))
    tell(1, 4, "judging tanks and sites")
    with threadpool_limits(limits=1, user_api="blas"):
        screen = attempt(lambda: screen_setups(known))
        setups = report_table("setups", screen if isinstance(screen, str) else of_season(screen.rows, season))
        from_screen = _from_screen(known, screen, season)
    trials = analyse_trials(store.result("trial_outcomes"), season)
    statements = _statements(screen, from_screen["sites"], season)
    records = SeasonRecords(
        season=season,
        settings=store.settings,
        statements=statements,
        setups=setups,
        **from_screen,
        tank_practices=report_table("tank_practices", _tank_practices(known, season)),
        **_counted(store, tanks, season),
        missing_regions=report_table("missing_regions", of_season(store.result("missing_regions"), season)),
        large_losses=report_table("large_losses", of_season(large, season)),
        events=report_table("events", events(store, tanks, season)),
        **_records(store, ledger, season),
        moved=report_table("moved_tanks", _moved(store, season)),
        key_figures=_key_figures(store, ledger, tanks, setups, season),
        trials=trials_table(trials),
        timelines=timelines(store, season, setups),
        running=running if running and running.season == season else None,
    )
    regions = beside.ask(low_regions, without_waiting(known)) if sites_beside_regions(statements) else list
    return records, UnderWay(known, effects, trials, regions)


def plain_flags(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with yes/no columns as plain True, False and None: a column nobody filled in stays one."""
    flags = [name for name in frame.columns if str(frame[name].dtype) == "boolean"]
    plain = {name: frame[name].astype(object).where(frame[name].notna(), None) for name in flags}
    return frame.assign(**plain).reset_index(drop=True)


def _no_such_season(season: int, every: pd.DataFrame) -> str:
    seasons = sorted(int(value) for value in every["season"].unique())
    if not seasons:
        return "the store holds no set-up of any season yet; load the setups table first"
    there = ", ".join(f"{one} ({season_name(one)})" for one in seasons)
    return f"there is no set-up in season {season} ({season_name(season)}); the store has {there}"


def _tank_practices(outcomes: pd.DataFrame, season: int) -> pd.DataFrame:
    """tank_id, practice, level of every practice recorded of the season's tanks, as the effects name them."""
    rows = outcomes[(outcomes["season"] == season) & (outcomes["outcome"] == MAIN_OUTCOME)]
    parts = [
        pd.DataFrame({"tank_id": rows["tank_id"], "practice": practice.name, "level": practice.make(rows)})
        for practice in available(rows)
    ]
    columns = ["tank_id", "practice", "level"]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)
    return table.dropna(subset=["level"]).sort_values(columns[:2], kind="stable").reset_index(drop=True)


def _statements(screen: SetupScreen | str, sites: ReportTable, season: int) -> Statements:
    """The claims of sites, and of the season's tanks and batches; none where the screen was refused."""
    if isinstance(screen, str):
        return stated((), ())
    rows = of_season(screen.rows, season)
    return stated(place_claims(sites.frame, rows), tank_claims(rows), batch_claims(screen, season))


def _from_screen(outcomes: pd.DataFrame, screen: SetupScreen | str, season: int) -> dict[str, ReportTable]:
    found: dict[str, Any] = dict.fromkeys(("sites", "site_seasons", "detectable", "screen", "funnel"), screen)
    if not isinstance(screen, str):
        rows = of_season(screen.rows, season)
        found = {
            "sites": attempt(lambda: sites_table(outcomes, screen)),
            "site_seasons": _site_seasons(screen),
            "detectable": of_season(screen.detectable, season),
            "screen": screen.spreads,
            "funnel": attempt(lambda: funnel_limits(rows[rows["outcome"] == MAIN_OUTCOME])),
        }
    return {name: report_table(name, one) for name, one in found.items()}


def _site_seasons(screen: SetupScreen) -> pd.DataFrame:
    """Observed less expected survival of every judged tank-season, and whether its site is named; observed of a
    tank without a count: the most that its dead leave."""
    rows = screen.rows[(screen.rows["outcome"] == MAIN_OUTCOME) & screen.rows["p_value"].notna()]
    table = rows[["season", "tank_id", "site_id", "observed_pct", "expected_pct"]].copy()
    table["observed_pct"] = observed_or_most(rows)
    table["difference_points"] = (table["observed_pct"] - table["expected_pct"]).astype(float)
    table["is_named"] = rows["place_verdict"] == "below_expected"
    return table.reset_index(drop=True)


def _counted(store: Store, tanks: pd.DataFrame, season: int) -> dict[str, ReportTable]:
    stages = store.result("stage_survival")
    wide = with_intervals(stages[stages["season"] <= season])
    silent = tanks[tanks["delivered"].astype(bool) & ~tanks["reported_end"].astype(bool)]
    reasons = ["tank_id", "site_id", "region", "batch_id", "eggs", "last_record_on", "end_reason", "why_unusable"]
    mixed = ["tank_id", "site_id", "eggs", "batches", "batch_id", "main_batch_pct"]
    counts = ["tank_id", "site_id", "region", "eggs", "dead_egg", "dead_alevin", "dead_fry", "dead_total"]
    trend = wide[(wide["stage"] == MAIN_OUTCOME) & wide["release_based_pct"].notna()].copy()
    trend["season_name"] = [season_name(value) for value in trend["season"]]
    accounting = of_season(store.result("accounting"), season).sort_values(["region", "batch_id"])
    batches = of_season(store.result("batch_summary"), season).sort_values("batch_id")
    exposure = of_season(store.result("exposure_windows"), season).sort_values(["tank_id", "exposure_window"])
    found = {
        "stage_survival": of_season(wide, season),
        "losses": dead_by_stage(tanks),
        "trend": trend,
        "accounting": accounting,
        "batches": batches,
        "exposure": exposure,
        "too_many_dead": too_many_dead(tanks),
        "mixed_batches": tanks.loc[tanks["batches"] > 1, mixed].sort_values("tank_id"),
        "not_reported": silent[reasons].sort_values("tank_id"),
        "taken_as_lost": tanks.loc[tanks["taken_as_lost"].astype(bool), counts].sort_values("tank_id"),
    }
    return {name: report_table(name, one) for name, one in found.items()}


def _records(store: Store, ledger: pd.DataFrame, season: int) -> dict[str, ReportTable]:
    """What was loaded, which is for the programme and not for a season; and of the season, what was kept out."""
    named = without_folders(ledger.assign(file=ledger["path"]), ["file"]).rename(columns={"table": "table_name"})
    columns = [
        "upload", "file", "table_name", "rows_read", "rows_accepted", "rows_rejected", "rows_sent_back",
        "rows_to_mend", "withdrawn",
    ]  # fmt: skip
    clashing = clashing_rows(store.connection, store.settings)
    found = {
        "uploads": named[columns],
        "findings": _findings(store, ledger),
        "kept_out": _kept_out(store, season),
        "clashing_rows": without_folders(clashing, ["path", "standing_path"]),
    }
    return {name: report_table(name, one) for name, one in found.items()}


def _findings(store: Store, ledger: pd.DataFrame) -> pd.DataFrame:
    """What still holds of the findings, counted by rule: errors of rows to be mended, suspicions among the rows as
    they now read, and what else was noted of the uploads that stand."""
    suspected = count_suspicions(store.connection, store.settings, store.derived)
    columns = ["rule", "table_name", "findings", "acknowledged"]
    now = pd.DataFrame(suspected, columns=columns).assign(level="warning")
    found = store.connection.table("findings").select("upload", "line", "rule", "level", "table_name").df()
    waiting = store.connection.table("waiting").select("upload", "line").df().drop_duplicates()
    standing = ledger.loc[~ledger["withdrawn"].astype(bool), "upload"]
    of_rows = [ACKNOWLEDGED, *(rule.name for rule in RULES)]
    found = found[found["upload"].isin(standing) & ~found["rule"].isin(of_rows)]
    open_now = found.merge(waiting.assign(is_open=True), on=["upload", "line"], how="left")["is_open"].notna()
    found = found[(found["level"] != "error").to_numpy() | open_now.to_numpy()]
    counted = found.groupby(["level", "rule", "table_name"], dropna=False).size().rename("findings").reset_index()
    together = pd.concat([part for part in (counted.assign(acknowledged=0), now) if len(part)] or [now])
    ordered: pd.DataFrame = together[["level", *columns]].sort_values(["level", "rule", "table_name"])
    return ordered.reset_index(drop=True)


def _kept_out(store: Store, season: int) -> pd.DataFrame:
    """tank_id, table_name, file, line and columns of the rows of tanks that wait to be mended and are of the
    season, by their date or, where that cannot be read, by a year in the row; looked for when suspicions were
    counted. What stands in them is on no page: only the columns that could not be taken are named."""
    found = kept_out(store.connection, store.settings)
    years = {str(season), str(season + 1)}
    may_be = found["years"].map(lambda named: not len(named) or bool(years & set(named)))
    found = found[(found["season"] == season) | (found["season"].isna() & may_be)]
    columns = found["wrong"].map(lambda names: ", ".join(names))
    found = without_folders(found.assign(file=found["path"], columns=columns), ["file"])
    return found[["tank_id", "table_name", "file", "line", "columns"]].reset_index(drop=True)


_MOVED = (
    "tank_id", "site_id", "from_site_id", "moved_on", "replaced", "replaced_place", "stands", "stands_place",
)  # fmt: skip


def _moved(store: Store, season: int) -> pd.DataFrame:
    """Tanks suspected to have been moved in the season, with the set-up that stands and the one before; looked for
    when suspicions were counted."""
    cases = pd.DataFrame(open_cases(store.connection, store.settings, "tank_moved"), columns=["season", *_MOVED])
    found = of_season(cases, season)[list(_MOVED)].sort_values("tank_id")
    return without_folders(found, ["replaced_place", "stands_place"])


def _key_figures(
    store: Store, ledger: pd.DataFrame, tanks: pd.DataFrame, setups: ReportTable, season: int
) -> ReportTable:
    figures = totals(of_season(store.result("accounting"), season), tanks)
    standing = ledger[~ledger["withdrawn"].astype(bool)]
    figures["files_loaded"] = len({*zip(standing["path"].map(file_of), standing["sha256"], strict=True)})
    figures |= {name: standing[name].sum() for name in ("rows_accepted", "rows_sent_back", "rows_to_mend")}
    if not setups.refusal:
        verdict = setups.frame.loc[setups.frame["outcome"] == MAIN_OUTCOME, "verdict"]
        for one in ("below_expected", "above_expected", "too_few_records"):
            figures[f"tanks_{one}"] = (verdict == one).sum()
        figures["tanks_judged"] = (verdict != "too_few_records").sum()
        figures["tanks_to_watch"] = (verdict == "watch").sum()
    rows = [
        {"name": name, "value": float(figures[name]), "unit": "%" if name.endswith("_pct") else "count",
         "meaning": meaning}
        for name, meaning in wording("season/key_figures.txt", "meanings").items()
        if name in figures
    ]  # fmt: skip
    return report_table("key_figures", pd.DataFrame(rows))
