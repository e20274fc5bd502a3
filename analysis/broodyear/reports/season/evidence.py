"""The evidence behind the first screen: accounting, stages, tanks and their timelines, temperature, batches."""

from __future__ import annotations

from functools import partial

import pandas as pd
from markupsafe import Markup

from broodyear.figures.exposure import exposure_figure, trend_figure
from broodyear.figures.intervals import Estimate, intervals_figure
from broodyear.figures.style import SERIES
from broodyear.reports.numbers import known, words, written
from broodyear.reports.parts import (
    Block,
    Drawing,
    Flow,
    Heading,
    Notice,
    Prose,
    Section,
    TableBlock,
    folded_table,
    say,
)
from broodyear.reports.rendering import phrase
from broodyear.reports.season.results import SeasonRecords
from broodyear.reports.tables import ReportTable, column, interval_column, table_view
from broodyear.reports.wording import refusal

_WORDS = "season/evidence.txt"


def accounting_section(records: SeasonRecords) -> Section:
    """Supplied, delivered, reported, usable; who did not report."""
    blocks: list[Block] = []
    if records.accounting.refusal or not len(records.accounting):
        return Section("accounting", "What was supplied and what was reported", (refusal("", records.accounting),))
    steps = (
        ("tanks_supplied", "tanks set up"),
        ("tanks_delivered", "with eggs delivered"),
        ("tanks_reported_start", "reported a start"),
        ("tanks_reported_end", "reported an end"),
        ("tanks_usable", "usable to release"),
    )
    shown = tuple((say("{n}", n=records.figure(name, "whole")), label) for name, label in steps)
    blocks.append(Flow(shown, (records.key_figures,), "Tanks from set-up to usable records"))
    blocks.append(_accounting_table(records))
    blocks += _not_reported(records)
    return Section("accounting", "What was supplied and what was reported", tuple(blocks))


def _accounting_table(records: SeasonRecords) -> TableBlock:
    columns = (
        column("region", "region", "id"),
        column("batch_id", "batch", "id"),
        column("tanks_supplied", "set up", "whole"),
        column("delivered", "got eggs", "whole"),
        column("reported_start", "reported a start", "whole"),
        column("reported_end", "reported an end", "whole"),
        column("usable", "usable", "whole"),
        column("eggs", "eggs delivered", "whole"),
        column("reported_pct", "left alive, usable tanks (%)", "pct_bare"),
        interval_column("bound_all_died_pct", "bound_all_lived_pct", "bounds with the others (%)", "pct_bare"),
    )
    return folded_table(records.accounting, "Tanks by region and batch, from set-up to usable records", columns)


def _not_reported(records: SeasonRecords) -> list[Block]:
    if not len(records.not_reported):
        return [Prose(phrase(_WORDS, "none_silent", delivered=records.bare("tanks_delivered")))]
    columns = (
        column("tank_id", "tank", "id"),
        column("site_id", "site", "id"),
        column("region", "region", "id"),
        column("last_record_on", "last record", "date"),
        column("eggs", "eggs", "whole"),
        column("why_unusable", "why it cannot be used", "text", long=True),
    )
    caption = "Tanks whose survival to release is not known"
    return [Prose(phrase(_WORDS, "silent")), folded_table(records.not_reported, caption, columns)]


def stages_section(records: SeasonRecords) -> Section:
    """Survival stage by stage, both estimates, and the seasons before."""
    title = "At which stage fish were lost"
    table = records.stage_survival
    if table.refusal or not len(table):
        told = (_where_lost(records), refusal("Survival by stage cannot be worked out.", table))
        return Section("stages", title, told)
    figure = Drawing(
        partial(
            intervals_figure, table.frame, name="stage_survival", title="Survival by stage", label="stage_label",
            estimates=_ESTIMATES, unit="survival (%), mean of tanks",
        ),
        name="stage_survival",
        caption="Survival of each stage, as a share of those that entered it.",
        alt="Dot plot with intervals, one row per stage, two estimates in each. From fish that left:"
        f" {_stages_said(table)}.",
        table=table,
    )  # fmt: skip
    blocks = (
        _where_lost(records),
        Prose(phrase(_WORDS, "estimates")),
        figure,
        _stage_table(records),
        _dead_table(records),
        *_trend(records),
    )
    return Section("stages", title, blocks)


def _where_lost(records: SeasonRecords) -> Block:
    table = records.losses
    rows = [row for row in range(len(table)) if str(table.value(row, "stage")) != "unaccounted"]
    rows = [row for row in rows if float(table.value(row, "fish")) > 0]
    if not rows:
        return Notice(
            "At which stage fish died is not known.", Markup("No dead eggs or fish were counted."), "note"
        )
    worst = max(rows, key=lambda row: float(table.value(row, "fish")))
    text = phrase(
        _WORDS, "when_died",
        stage=table.at(worst, "where", "text"),
        dead=table.at(worst, "fish", "whole"),
        all=records.figure("dead_counted", "whole"),
    )  # fmt: skip
    return Prose(text + _unaccounted(table), (table, records.key_figures))


def _unaccounted(table: ReportTable) -> Markup:
    rows = table.rows(stage="unaccounted")
    if not rows or float(table.value(rows[0], "fish")) <= 0:
        return Markup("")
    fish, tanks = table.at(rows[0], "fish", "whole"), table.at(rows[0], "tanks", "tanks")
    return Markup(" ") + phrase(_WORDS, "unaccounted", fish=fish, tanks=tanks)


def _stages_said(table: ReportTable) -> str:
    """Each stage with its estimate, for who cannot see the drawing."""
    rows = [row for row in range(len(table)) if known(table.value(row, "release_based_pct"))]
    said = [
        f"{table.value(row, 'stage_label')} {written(table.value(row, 'release_based_pct'), 'pct')}"
        for row in rows
    ]
    return "; ".join(said) or "none known"


_ESTIMATES = (
    Estimate("release_based_pct", "release_based_low", "release_based_high", "from fish that left", SERIES[0]),
    Estimate("loss_based_pct", "loss_based_low", "loss_based_high", "from dead counted", SERIES[1], hollow=True),
)


def _stage_table(records: SeasonRecords) -> TableBlock:
    columns = (
        column("stage_label", "stage", "text"),
        column("tanks_release_based", "tanks", "whole"),
        column("entered_release_based", "entered", "whole"),
        column("release_based_pct", "from fish that left (%)", "number"),
        interval_column("release_based_low", "release_based_high", "95 % interval", "number"),
        column("tanks_loss_based", "tanks", "whole"),
        column("entered_loss_based", "entered", "whole"),
        column("loss_based_pct", "from dead counted (%)", "number"),
        interval_column("loss_based_low", "loss_based_high", "95 % interval", "number"),
    )
    return folded_table(records.stage_survival, "Survival by stage, both estimates", columns)


def _dead_table(records: SeasonRecords) -> TableBlock:
    columns = (
        column("where", "lost", "text"),
        column("fish", "eggs or fish", "whole"),
        column("tanks", "tanks with a count", "whole"),
    )
    note = "Unaccounted may be negative in a tank: more was counted out than in."
    return TableBlock(
        table_view(records.losses, "What was counted dead, and what is unaccounted for", columns, note=note)
    )


def _this_season(records: SeasonRecords) -> str:
    """This season's survival by species, for who cannot see the drawing."""
    table = records.trend
    said = [
        f"{words(table.value(row, 'species'))} {written(table.value(row, 'release_based_pct'), 'pct')}"
        for row in table.rows(season=records.season)
    ]
    return "; ".join(said) or "none known"


def _trend(records: SeasonRecords) -> list[Block]:
    table = records.trend
    heading = Heading(Markup("The seasons before"))
    if len(table) < 2:
        return [heading, Prose(phrase(_WORDS, "no_trend"))]
    figure = Drawing(
        partial(trend_figure, table.frame, name="trend", title="Survival by season", this_season=records.season),
        name="trend",
        caption="Left alive of live eggs delivered, mean of tanks with usable records; filled: this season.",
        alt=f"Dot plot with intervals, one dot per season and species. This season: {_this_season(records)}.",
        table=table,
    )
    return [heading, Prose(phrase(_WORDS, "trend")), figure]


def exposure_section(records: SeasonRecords) -> Section:
    """Mean, spread and extremes of water temperature per tank, and how much of it was read."""
    title = "Water temperature"
    table = records.exposure
    if table.refusal or not len(table):
        return Section("temperature", title, (refusal("Exposure is not known.", table),))
    usable = table.frame[table.frame["exposure_window"] == "whole"]
    usable = usable[usable["usable"].astype(bool)].sort_values(["mean_water_temp_c", "tank_id"])
    limit = records.settings.warm_limit_c
    figure = Drawing(
        partial(exposure_figure, usable, name="exposure", title="Water temperature by tank", warm_limit_c=limit),
        name="exposure",
        caption="Mean water temperature from delivery to expected release, coldest to warmest tank; lines show one"
        " standard deviation of daily means to either side.",
        alt="One dot per tank from coldest to warmest mean water temperature, with a line at the warm limit:"
        f" {len(usable)} tanks from {_ends(usable)}.",
        table=table,
    )
    words = phrase(_WORDS, "windows", pct=f"{records.settings.exposure_max_missing_pct:.0f}")
    return Section("temperature", title, (Prose(words), figure, _exposure_table(records)))


def _ends(usable: pd.DataFrame) -> str:
    """The coldest and the warmest mean, in words."""
    means = usable["mean_water_temp_c"]
    return f"{written(means.iloc[0], 'celsius')} to {written(means.iloc[-1], 'celsius')}" if len(means) else "none"


def _exposure_table(records: SeasonRecords) -> TableBlock:
    columns = (
        column("tank_id", "tank", "id"),
        column("days", "days", "whole"),
        column("observed_pct", "read (%)", "pct_bare"),
        column("interpolated_pct", "bridged (%)", "pct_bare"),
        column("modelled_pct", "modelled (%)", "pct_bare"),
        column("mean_water_temp_c", "mean (°C)", "number"),
        column("sd_daily_mean_c", "SD of days (°C)", "number"),
        column("largest_rise_24h_c", "largest rise in 24 h (°C)", "number"),
        column("max_7day_mean_of_daily_max_c", "7-day mean of maxima (°C)", "number"),
        column("hours_above_warm", "h above warm limit", "whole"),
        column("hours_below_cold", "h below cold limit", "whole"),
        column("hours_interrupted", "h interrupted", "whole"),
        column("note", "note", "statement", long=True),
    )
    rows = records.exposure.rows(exposure_window="whole")
    return folded_table(
        records.exposure, "Water temperature of each tank over its whole stay", columns, rows,
        note="The windows egg, alevin, fry and after hatch are in the file.",
    )  # fmt: skip


def batches_section(records: SeasonRecords) -> Section:
    """The batches: what arrived, and how tanks that shared one fared."""
    title = "Batches of eggs"
    table = records.batches
    if table.refusal or not len(table):
        return Section("batches", title, (refusal("Batches are not known.", table),))
    columns = (
        column("batch_id", "batch", "id"),
        column("species", "species", "words"),
        column("donor_stock", "stock", "id"),
        column("green_to_eyed_pct", "green to eyed at the hatchery (%)", "pct_bare"),
        column("tanks", "tanks", "whole"),
        column("regions", "regions", "whole"),
        column("eggs", "eggs", "whole"),
        column("dead_on_arrival_pct", "dead on arrival (%)", "number"),
        column("transit_hours_median", "transit, median (h)", "number"),
        column("units_at_delivery_median_c_days", "units at delivery (°C·d)", "whole"),
        column("hatch_median_pct", "hatch, median tank (%)", "pct_bare"),
        column("release_median_pct", "release, median tank (%)", "pct_bare"),
        interval_column("release_q25_pct", "release_q75_pct", "middle half of tanks (%)", "pct_bare"),
        column("loss_based_median_pct", "from dead counted, median (%)", "pct_bare"),
    )
    shown = folded_table(table, "Batches of the season", columns)
    return Section("batches", title, (Prose(phrase(_WORDS, "batches")), shown))
