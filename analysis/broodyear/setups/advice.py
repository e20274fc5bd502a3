"""What to change next season: the practices in use that a clear contrast speaks against, and what it would
cost."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import Claim, ClaimKind, Reason, claims_from
from broodyear.development import days_to_stage, default_model
from broodyear.survival.practices import PRACTICES, EffectsReport, available, effects_report
from broodyear.survival.practices.factors import SET_POINT
from broodyear.survival.tank_frame import MAIN_OUTCOME, prepare

CHANGE_COLUMNS = [
    "change", "practice", "level", "proposed", "tanks_to_change", "eggs_to_change", "tanks", "batches",
    "difference_points", "difference_low", "difference_high", "p_value", "p_family", "comparisons", "fish_saved",
    "fish_low", "fish_high", "days_longer", "decision", "reason", "evidence", "note",
]  # fmt: skip
COLDER_STAGE = "button_up"


def what_to_change(frame: pd.DataFrame, report: EffectsReport | None = None) -> pd.DataFrame:
    """CHANGE_COLUMNS, one row per practice level in use that did worse than another, claimed ones first.

    level, proposed: what tanks have and what did better; tanks_to_change, eggs_to_change: those with it in the
    last season of the frame. difference_points: proposed less present, all seasons. fish_saved: those eggs times
    the shrunken difference, only where it is claimed; limits: of that difference, whose error is less by the root
    of the share that shrinkage keeps (normal prior). days_longer: days to
    hatch that a colder set point adds, by the species' default model. A change that would mean less care for the
    animals is never claimed. No difference here is shown to be caused by the practice: tanks were not assigned at
    random. report: `effects_report(frame)` when it is at hand.
    """
    rows = prepare(frame)
    rows = rows[rows["outcome"] == MAIN_OUTCOME]
    last = rows[rows["season"] == rows["season"].max()]
    values = {practice.name: practice.make(last) for practice in available(last)}
    effects = (report or effects_report(frame)).effects
    is_known = effects["factor"].isin(list(values))
    estimated = effects[is_known & (effects["outcome"] == MAIN_OUTCOME) & effects["difference_points"].notna()]
    changes = [_change(effect, last, values[effect["factor"]]) for effect in estimated.to_dict("records")]
    table = pd.DataFrame([change for change in changes if change["tanks_to_change"]], columns=CHANGE_COLUMNS)
    order = table.assign(rank=table["decision"] != "claimed", size=-table["fish_saved"].fillna(0.0))
    order = order.sort_values(["rank", "size", "p_family", "practice", "level", "proposed"], kind="stable")
    return order.drop_duplicates(["practice", "level"], ignore_index=True)[CHANGE_COLUMNS]


def change_claims(changes: pd.DataFrame) -> list[Claim]:
    """One claim per row of `what_to_change`: level is what is proposed, reference what it replaces; in fish."""
    names = {"estimate": "fish_saved", "low": "fish_low", "high": "fish_high"}
    names |= {"subject": "practice", "level": "proposed", "reference": "level"}
    return claims_from(changes, names, kind=ClaimKind.CHANGE, outcome=MAIN_OUTCOME, unit="fish", section="changes")


def _change(effect: Mapping[Any, Any], last: pd.DataFrame, values: pd.Series) -> dict[str, Any]:
    """One row of effects.csv as a change of the last season's tanks; values: the practice in each of these."""
    practice, side = PRACTICES[effect["factor"]], 1 if effect["difference_points"] > 0.0 else -1
    proposed, present = (effect["level"], effect["reference"])[::side]
    low, high = sorted((side * effect["difference_low"], side * effect["difference_high"]))
    eggs = float(last.loc[values == present, "eggs"].sum())
    reason = Reason.AGAINST_CARE if practice.is_less_care(proposed, present) else Reason(effect["reason"])
    fish = eggs / 100.0 if reason is Reason.CLEAR else np.nan
    gain = abs(effect["shrunken_points"])
    half_width = 0.5 * (high - low) * np.sqrt(gain / abs(effect["difference_points"]))
    days = _days_longer(last, values, proposed, present) if practice.name == SET_POINT else np.nan
    return {
        **{name: effect[name] for name in ("tanks", "batches", "p_value", "p_family", "comparisons")},
        "change": f"{practice.words}: " + f"{proposed} rather than {present}".replace("_", " "),
        "practice": practice.name,
        "level": present,
        "proposed": proposed,
        "tanks_to_change": int((values == present).sum()),
        "eggs_to_change": eggs,
        "difference_points": abs(effect["difference_points"]),
        "difference_low": low,
        "difference_high": high,
        "fish_saved": fish * gain,
        "fish_low": fish * (gain - half_width),
        "fish_high": fish * (gain + half_width),
        "days_longer": days,
        "decision": str(reason.decision),
        "reason": str(reason),
        "evidence": reason.meaning,
        "note": f"button-up would come about {days:.0f} days later" if days >= 1.0 else "",
    }


def _days_longer(last: pd.DataFrame, values: pd.Series, proposed: str, present: str) -> float:
    """Days to button-up at one band's typical set point less those at the other's, by the species' default model.

    nan where no tank of the last season has a set point in the proposed band, or the species has no model.
    """
    set_points = pd.to_numeric(last["set_point_c"], errors="coerce")
    temps = [float(set_points[values == band].median()) for band in (proposed, present)]
    # Of the commonest species that has a model.
    species = last.loc[values == present, "species"].dropna().value_counts().index if "species" in last else ()
    model = next(filter(None, (default_model(str(one), COLDER_STAGE) for one in species)), None)
    if model is None or not np.isfinite(temps).all():
        return np.nan
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # outside the tested temperatures it is still the best word on days
        colder, warmer = (float(days_to_stage(model, temp)) for temp in temps)
    return colder - warmer
