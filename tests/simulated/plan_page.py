"""The page synthetic_data/plan.md: the invented programme in words and numbers, written from the plan."""

from __future__ import annotations

from dataclasses import fields

from tests.simulated.traps import TRAPS

from broodyear.synthetic.development import TRUE_CURVES
from broodyear.synthetic.effects import MEANING
from broodyear.synthetic.mistakes import BROKEN_CELLS, HANDOUT_UNITS_C_DAYS
from broodyear.synthetic.plan import LAST_SEASON, Plan, Shape

_INTRODUCTION = """# The plan of the invented programme

Everything under `synthetic_data/`, and everything `broodyear demo` shows, is invented: no real programme,
place, person or fish is in it. The same seed gives the same bytes. By default there are {seasons} seasons
(the last one is {last}), {tanks} tanks a season and {regions} regions; a logger writes every {minutes}
minutes.

This page is written from the plan in `analysis/broodyear/synthetic/plan.py`, and a test keeps the two the
same. To write it again: `python -c "from tests.simulated.plan_page import write_plan_page as w;
w('synthetic_data')"`.

## How the records come about

1. **Places.** Sites host one to three tanks each; most host again next season. Room type, set point,
   insulation and the rest are drawn; gravel goes with quiet rooms and does nothing by itself. Keen sites
   do slightly better and get most of the loggers.
2. **Batches and trips.** Each region has its own batch each season, a part of its tanks is served from
   the next region's batch, and one batch goes to all. With four regions or more the last one shares
   nothing with the others. In every second season the first region's own batch is bad. Trips carry eyed
   eggs to up to six tanks each; some bring green eggs, some arrive within days of hatch.
3. **Water.** Hour by hour a room warms each tank and a chiller that switches on and off cools it, with
   its own offset and drift. Chillers stop (old ones more often), power cuts strike many tanks of a region
   at once, pumps stop, ice grows on exchangers.
4. **Development** is a rate per hour, summed: a curve that bends down in warm water, gains a little from
   variance within the day, and differs between batches and tanks. No model under test has this form and
   no published coefficients are in it.
5. **Survival** is a hazard per stage: for eggs and alevins per unit of development, for fry per day.
   Batch, trip, site, season, practice and warmth multiply it; hot hours, still water, collapses and bad
   days add to it; fungus spreads from dead eggs left in the water. Nothing is a logit of a survival rate.
6. **Records.** Someone looks on most school days, finds most of the dead (fewer in layered stones), dates
   stages by the first look at which they are seen, counts fish out with the error of the method.
   Collapsed tanks mostly fall silent.
7. **Mistakes** are planted in what is sent: some in cells, some over a whole season, some in the shape of
   the file.

Hazards are on the log scale: a log hazard of 0.5 multiplies the daily risk of death by 1.65.
"""

_PARTS = {
    "places": "Sites, tanks and how they are set up",
    "eggs": "Batches, trips and deliveries",
    "water": "Water and interruptions",
    "development": "Spreads of development",
    "survival": "Hazards and effects",
    "records": "What is written down",
    "mistakes": "Mistakes",
}


_STRETCHES = ("fertilisation to half hatched", "half hatched to half buttoned up")


def plan_rows(plan: Plan) -> list[tuple[str, str, object, str]]:
    """(part, name, value, meaning) of every number of the plan, in the order of declaration."""
    rows = []
    for part in fields(plan):
        section = getattr(plan, part.name)
        rows += [(part.name, f.name, getattr(section, f.name), f.metadata["meaning"]) for f in fields(section)]
    return rows


def plan_page(plan: Plan | None = None) -> str:
    """The whole page as Markdown."""
    plan, shape = plan or Plan(), Shape()
    introduction = _INTRODUCTION.format(
        seasons=shape.seasons,
        last=LAST_SEASON,
        tanks=shape.tanks,
        regions=shape.regions,
        minutes=shape.logger_interval_minutes,
    )
    parts = [_part(plan, part.name) for part in fields(plan)]
    return "\n".join([introduction, *parts, _curves(), _forecast_sheet(), _refused(), _traps(), _truth()])


def write_plan_page(folder: str) -> None:
    """Write the page into a folder as plan.md."""
    from pathlib import Path

    (Path(folder) / "plan.md").write_text(plan_page(), encoding="utf-8", newline="\n")


def _part(plan: Plan, name: str) -> str:
    rows = [(number, value, meaning) for part, number, value, meaning in plan_rows(plan) if part == name]
    lines = [f"| `{number}` | {value} | {meaning} |" for number, value, meaning in rows]
    return "\n".join([f"## {_PARTS[name]}", "", "| number | value | meaning |", "|---|---|---|", *lines, ""])


def _curves() -> str:
    lines = []
    for species, curves in TRUE_CURVES.items():
        for what, curve in zip(_STRETCHES, curves, strict=True):
            days = " | ".join(f"{curve.days(temp):.1f}" for temp in (5.0, 8.0, 11.0))
            lines.append(
                f"| {species} | {what} | {curve.scale_days:g} | {curve.zero_c:g} | {curve.power:g} | {days} |"
            )
    return "\n".join(
        [
            "## True curves of development",
            "",
            "Rate per day = (T − zero)^power ÷ scale ÷ (1 + exp((T − 17.5) ÷ 1.1)), T in °C, average batch.",
            "",
            "| species | from–to | scale, days | zero, °C | power | days at 5 °C | 8 °C | 11 °C |",
            "|---|---|---|---|---|---|---|---|",
            *lines,
            "",
        ]
    )


def _forecast_sheet() -> str:
    units = ", ".join(f"{species} {units:g}" for species, units in HANDOUT_UNITS_C_DAYS.items())
    return (
        "## The forecast sheet\n\nWith the eggs comes a sheet that dates half hatch by constant units "
        "at the set point: delivery + (units − units at delivery) ÷ set point, rounded up "
        f"({units} °C·d). Copied dates come from it.\n"
    )


def _refused() -> str:
    lines = [f"| {rule} | {table} | {column} | `{text}` |" for rule, _, table, column, text in BROKEN_CELLS]
    return "\n".join(
        [
            "## Cells that must send their row back",
            "",
            "| what | table | column | written |",
            "|---|---|---|---|",
            *lines,
            "",
        ]
    )


def _traps() -> str:
    lines = [f"| `{name}` | {words} |" for name, words in TRAPS.items()]
    return "\n".join(
        [
            "## One trap at a time",
            "",
            "`simulate_trap(name, seed)` plants one thing alone; all else is quiet: no mistakes, no ",
            "collapses, no effects, a spread of 0.15 between tank-seasons and 0.06 between sites.",
            "",
            "| trap | what is planted |",
            "|---|---|",
            *lines,
            "",
        ]
    )


def _truth() -> str:
    meanings = "\n".join(f"| `{name}` | {words} |" for name, words in MEANING.items())
    return (
        "## The truth\n\n`write_truth` writes it as JSON beside the uploads, never among them: effects in "
        "hazard ratios and percentage points, what has no effect, poor tanks and sites, collapses, silent "
        "tanks, batches, sites, curves, every mistake, every file, and each tank-season's true counts and "
        "expected survival. Only tests read it.\n\n"
        "An effect is worked out by living the same tanks again, changed, with the same luck; no model is "
        "fitted. The records know a little less of it than the fish do: people find most dead eggs, not all, "
        "so that an effect on hatch looks about a tenth smaller in them.\n\n"
        f"| in `effects` | means |\n|---|---|\n{meanings}\n"
    )
