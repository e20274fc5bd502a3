"""Which regions ever shared a batch: the graph that decides whether region and batch can be told apart."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from broodyear.statistics.connectivity import connected_parts

GRAPH_COLUMNS = ["region", "batch_id", "season", "tanks", "eggs", "shared", "part"]


@dataclass(frozen=True, eq=False)
class RegionLinks:
    """regions: one row per region: region, part, batches, batches_shared, comparable_with (names,
    alphabetical); edges: GRAPH_COLUMNS, one row per region and batch, for drawing (shared: the batch went to
    another region too); sentence: what can be compared.

    part numbers the connected pieces of the graph; regions of different parts are never compared.
    """

    regions: pd.DataFrame
    edges: pd.DataFrame
    sentence: str

    def part_members(self) -> list[list[str]]:
        """Regions of each connected part that holds more than one."""
        groups = self.regions.groupby("part")["region"].apply(list)
        return [members for members in groups if len(members) > 1]


def region_links(rows: pd.DataFrame) -> RegionLinks:
    """Links between regions through batches both received; rows: region, batch_id, season, eggs."""
    codes, names = pd.factorize(rows["region"], sort=True)
    batch, batches = pd.factorize(rows["batch_id"], sort=True)
    part = dict(zip(names, map(int, connected_parts(codes, batch, len(names), len(batches))), strict=True))
    groups = rows.groupby(["region", "batch_id"], sort=True)
    edges = groups.agg(season=("season", "first"), tanks=("eggs", "size"), eggs=("eggs", "sum")).reset_index()
    edges["shared"] = edges.groupby("batch_id")["region"].transform("nunique") > 1
    edges["part"] = edges["region"].map(part)
    table = edges.groupby(["region", "part"], sort=True).agg(
        batches=("shared", "size"), batches_shared=("shared", "sum")
    )
    table = table.reset_index()
    table["comparable_with"] = [
        ", ".join(other for other in names if other != region and part[other] == part[region])
        for region in table["region"]
    ]
    return RegionLinks(table, edges[GRAPH_COLUMNS], _sentence(table))


def _sentence(table: pd.DataFrame) -> str:
    alone = [str(name) for name in table.loc[table["comparable_with"] == "", "region"]]
    if len(table) == 1:
        return f"There is only one region ({alone[0]}), so there is nothing to compare it with."
    if not alone and table["part"].nunique() == 1:
        return "Every region shares batches with the others, directly or through a third: they can be compared."
    if len(alone) == len(table):
        return "No region ever shared a batch with another: regions and batches cannot be told apart."
    if alone:
        verb = "shares" if len(alone) == 1 else "share"
        return f"{', '.join(alone)} never {verb} a batch with another region and cannot be compared with any."
    return "The regions fall into groups that never shared a batch: compare only within a group."
