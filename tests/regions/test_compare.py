"""Regions compared: what is told, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.regions.trap_programmes import worst_region_worst_batch
from tests.remembered import remembered
from tests.reports.contradictions import contradictions
from tests.setups.programmes import programme

from broodyear import regions
from broodyear.claims import Claim, ClaimKind, Reason
from broodyear.regions import RegionComparison
from broodyear.regions.compare import BATCH_COLUMNS, REGION_COLUMNS, low_regions, shortfall_claims
from broodyear.regions.part import HETEROGENEITY_COLUMNS
from broodyear.statistics.multiplicity import over_outcomes

#: Many tests ask different things of one comparison.
region_comparison = remembered(regions.region_comparison)

CONTRACT = [
    "region",
    "outcome",
    "tanks",
    "batches",
    "batches_shared",
    "raw_pct",
    "adjusted_pct",
    "adjusted_low",
    "adjusted_high",
    "separable",
    "note",
]


@pytest.fixture(scope="module")
def drawn() -> pd.DataFrame:
    return programme(6, seasons=3)


def test_columns_hold_the_contract(drawn: pd.DataFrame) -> None:
    table = region_comparison(drawn).rows
    assert list(table.columns) == REGION_COLUMNS
    assert set(CONTRACT) <= set(REGION_COLUMNS)
    assert table["separable"].dtype == bool


def test_regions_stand_in_alphabetical_order_and_nothing_ranks_them(drawn: pd.DataFrame) -> None:
    table = region_comparison(drawn).rows
    assert table["region"].tolist() == ["R1", "R2", "R3"]
    assert not any("rank" in name for name in table.columns)


def test_counts_and_raw_rates(drawn: pd.DataFrame) -> None:
    table = region_comparison(drawn).rows.set_index("region")
    sums = drawn.groupby("region")[["eggs", "survivors"]].sum()
    np.testing.assert_allclose(table["raw_pct"], 100.0 * sums["survivors"] / sums["eggs"])
    assert table["tanks"].sum() == len(drawn)
    assert (table["batches_shared"] == 12).all()
    assert (table["bound_low_pct"] == table["bound_high_pct"]).all()


def test_a_true_difference_is_found_both_ways(drawn: pd.DataFrame) -> None:
    row = region_comparison(poorer(drawn)).rows.set_index("region").loc["R2"]
    assert row["difference_high"] < -5.0
    assert row["within_batch_points_high"] < -5.0
    assert row["note"].startswith("lower than its batches lead one to expect against R1, R3")


def poorer(frame: pd.DataFrame) -> pd.DataFrame:
    """The programme in which a fifth of R2's fish is lost."""
    found = frame.copy()
    chosen = found["region"] == "R2"
    found.loc[chosen, "survivors"] = np.random.default_rng(1).binomial(found.loc[chosen, "survivors"], 0.8)
    return found


def reasons(frame: pd.DataFrame, outcome: str = "delivered_to_release") -> dict[str, Reason]:
    """By region, and under "region" that regions differ at all."""
    kinds = ClaimKind.REGION_DIFFERS, ClaimKind.REGIONS_DIFFER
    claims = [claim for claim in region_comparison(frame).claims if claim.kind in kinds]
    return {claim.subject: claim.reason for claim in claims if claim.outcome == outcome}


def test_that_regions_differ_is_claimed_with_a_region_and_never_without_one(drawn: pd.DataFrame) -> None:
    assert set(reasons(drawn).values()) == {Reason.NOT_CLEAR}
    found = reasons(poorer(drawn))
    assert (found["R2"], found["region"]) == (Reason.CLEAR, Reason.CLEAR)


def test_a_difference_that_silent_tanks_would_turn_is_not_claimed(drawn: pd.DataFrame) -> None:
    """Were the silent third of the other regions' tanks lost with all fish, R2 would be the better one."""
    frame = poorer(drawn).astype({"survivors": float})
    order = frame.groupby("region").cumcount()
    frame.loc[(frame["region"] != "R2") & (order % 3 == 0), "survivors"] = np.nan
    found = reasons(frame)
    assert (found["R2"], found["region"]) == (Reason.DEPENDS_ON_SILENT, Reason.DEPENDS_ON_SILENT)
    few = poorer(drawn).astype({"survivors": float})
    few.loc[(few["region"] != "R2") & (order % 20 == 0), "survivors"] = np.nan
    assert reasons(few)["R2"] is Reason.CLEAR


def test_a_difference_that_one_lost_tank_makes_is_not_claimed_and_names_it(drawn: pd.DataFrame) -> None:
    """A region of few tanks that did somewhat worse than others, but for one that lost every fish."""
    order = drawn.groupby("region").cumcount()
    few = drawn[(drawn["region"] != "R2") | (order % 8 == 0)].reset_index(drop=True)
    low = few.index[few["region"] == "R2"]
    few.loc[low, "survivors"] = (0.88 * few.loc[low, "eggs"]).astype(int)
    few.loc[low[0], "survivors"] = 0
    row = region_comparison(few).rows.set_index("region").loc["R2"]
    assert row["p_family"] <= 0.05 and row["p_without_one_tank"] > 0.10
    assert (row["decision"], row["reason"]) == ("not_claimed", "hangs_on_one_tank")
    tank = "{tank_id} in {season}".format(**few.loc[low[0]])
    assert row["most_telling_tank"] == tank
    assert row["note"].startswith(f"no difference shown against R1, R3: it hangs on one tank, {tank}")
    assert reasons(few)["region"] is Reason.HANGS_ON_ONE_TANK


def test_a_region_that_differs_at_hatch_alone_is_claimed_there_and_only_there(drawn: pd.DataFrame) -> None:
    both = pd.concat([drawn, poorer(drawn).assign(outcome="hatch")], ignore_index=True)
    assert (reasons(both, "hatch")["R2"], reasons(both, "hatch")["region"]) == (Reason.CLEAR, Reason.CLEAR)
    assert set(reasons(both).values()) == {Reason.NOT_CLEAR}


def test_outcomes_share_one_error(drawn: pd.DataFrame) -> None:
    """Each p is that of its own outcome, and none is below Simes' p of its region's outcomes."""
    parts = drawn.assign(outcome="hatch"), poorer(drawn)
    alone = np.array([region_comparison(part).rows["p_family"].to_numpy() for part in parts])
    both = region_comparison(pd.concat(parts, ignore_index=True)).rows["p_family"].to_numpy().reshape(2, 3)
    np.testing.assert_allclose(both, over_outcomes(alone))
    assert not np.allclose(both, alone)


def test_that_all_regions_are_equal_has_one_p(drawn: pd.DataFrame) -> None:
    found = region_comparison(poorer(drawn))
    (whole,) = [claim for claim in found.claims if claim.kind is ClaimKind.REGIONS_DIFFER]
    assert found.heterogeneity["p_value"].tolist() == [whole.p_family] == [found.rows["p_family"].min()]
    assert whole.p_value == whole.p_family


def test_claims_carry_the_answer_within_batches_and_its_p_among_all_regions(drawn: pd.DataFrame) -> None:
    comparison = region_comparison(drawn)
    table = comparison.rows.set_index("region")
    told = {claim.subject: claim for claim in comparison.claims if claim.kind is ClaimKind.REGION_DIFFERS}
    for region, row in table.iterrows():
        claim = told[str(region)]
        assert (claim.estimate, claim.low, claim.high) == (
            row["within_batch_points"], row["within_batch_points_low"], row["within_batch_points_high"],
        )  # fmt: skip
        assert claim.estimate != row["difference_points"]
        assert (claim.p_value, claim.comparisons) == (row["within_batch_p_value"], 3)
        assert row["within_batch_p_value"] < claim.p_family <= 3.0 * row["within_batch_p_value"]


def test_worst_region_had_the_worst_batch() -> None:
    raw, claimed, within = [], [], []
    for seed in range(4):
        table = region_comparison(worst_region_worst_batch(seed)).rows.set_index("region")
        row = table.loc["R1"]
        raw.append(row["raw_pct"] - table["raw_pct"].drop("R1").mean())
        claimed.append("lead one to expect" in row["note"])
        within.append(row["within_batch_points_low"] < 0.0 < row["within_batch_points_high"])
        assert row["separable"]
    assert np.mean(raw) < -8.0
    assert not any(claimed)
    assert np.mean(within) >= 0.8


def test_the_reader_is_told_when_the_two_answers_differ() -> None:
    notes = [
        region_comparison(worst_region_worst_batch(seed, share=0.95, shared=0.02))
        .rows.set_index("region")
        .loc["R1", "note"]
        for seed in range(3)
    ]
    assert any("trust the within-batch figure" in note for note in notes)


def test_a_region_with_batches_of_its_own_gets_no_estimate() -> None:
    comparison = region_comparison(worst_region_worst_batch(1, own=True))
    table = comparison.rows.set_index("region")
    assert not table.loc["R1", "separable"]
    assert table.loc["R1", ["adjusted_pct", "within_batch_pct"]].isna().all()
    assert table.loc["R1", "note"].startswith("none of its batches went to another region")
    assert table.loc["R2", "comparable_with"] == "R3"
    assert table.loc["R2", "adjusted_pct"] > 0.0
    sentence = "R1 never shares a batch with another region and cannot be compared with any."
    assert comparison.sentences["delivered_to_release"].startswith(sentence)
    assert of_kind(comparison, ClaimKind.REGION_DIFFERS)["R1"].reason is Reason.NEVER_SHARE_BATCH


def test_heterogeneity_says_where_another_region_would_lie(drawn: pd.DataFrame) -> None:
    table = region_comparison(drawn).heterogeneity
    assert list(table.columns) == HETEROGENEITY_COLUMNS
    assert table["regions"].tolist() == [3]
    assert (table["prediction_low_pct"] < table["prediction_high_pct"]).all()


def test_more_batches_make_the_interval_narrower() -> None:
    widths = []
    for batches in (2, 8):
        frame = programme(3, seasons=3, sites=90, tanks_per_season=90, batches_per_season=batches)
        table = region_comparison(frame).rows
        widths.append((table["adjusted_high"] - table["adjusted_low"]).mean())
    assert widths[0] > widths[1]


def test_silent_tanks_show_in_reporting_and_bounds(drawn: pd.DataFrame) -> None:
    frame = drawn.astype({"survivors": float})
    silent = (frame["region"] == "R3") & (frame.index % 2 == 0)
    frame.loc[silent, "survivors"] = np.nan
    row = region_comparison(frame).rows.set_index("region").loc["R3"]
    assert row["tanks"] - row["tanks_usable"] == silent.sum()
    assert row["bound_low_pct"] < row["raw_pct"] < row["bound_high_pct"]


@pytest.mark.parametrize(
    ("case", "note"),
    [
        ("one region", "no other region has tanks enough"),
        ("one tank", "no other region has tanks enough"),
        ("no exits", "no tank has a usable count yet"),
        ("all alive", "no estimate: every fish survived"),
        ("all dead", "no estimate: every fish died"),
        ("no region column", "no other region has tanks enough"),
    ],
)
def test_bad_input_gives_sentences(drawn: pd.DataFrame, case: str, note: str) -> None:
    frames = {
        "one region": drawn.assign(region="R1"),
        "one tank": drawn.iloc[:1],
        "no exits": drawn.assign(survivors=np.nan),
        "all alive": drawn.assign(survivors=drawn["eggs"]),
        "all dead": drawn.assign(survivors=0),
        "no region column": drawn.drop(columns="region"),
    }
    table = region_comparison(frames[case]).rows
    assert table["adjusted_pct"].isna().all()
    assert table["note"].str.startswith(note).all()


def test_one_batch_shared_by_all(drawn: pd.DataFrame) -> None:
    frame = drawn.assign(batch_id="B1", season=2024, tank_id=np.arange(len(drawn)).astype(str))
    table = region_comparison(frame).rows
    assert table["separable"].all()
    assert table["adjusted_pct"].notna().all()


def test_a_region_with_one_site_is_said_to_be_that_site(drawn: pd.DataFrame) -> None:
    frame = drawn.assign(site_id=drawn["site_id"].where(drawn["region"] != "R2", "S0001"))
    assert "one site only: region and site cannot be told apart" in region_comparison(frame).rows["note"].iloc[1]


def test_a_region_of_which_one_site_reports_is_not_told_apart_from_it(drawn: pd.DataFrame) -> None:
    frame = poorer(drawn).astype({"survivors": float})
    own, is_even = frame["region"] == "R2", np.arange(len(frame)) % 2 == 0
    frame.loc[own & is_even, "site_id"] = "S0001"
    frame.loc[own & ~is_even, "survivors"] = np.nan
    assert reasons(frame)["R2"] is Reason.TOO_FEW_SITES


def test_outcomes_are_compared_apart(drawn: pd.DataFrame) -> None:
    both = pd.concat([drawn, drawn.assign(outcome="hatch", survivors=drawn["eggs"] - 1)], ignore_index=True)
    assert region_comparison(both).rows["outcome"].tolist() == ["hatch"] * 3 + ["delivered_to_release"] * 3


def of_kind(comparison: RegionComparison, kind: ClaimKind) -> dict[str, Claim]:
    return {claim.subject: claim for claim in comparison.claims if claim.kind is kind}


def test_a_raw_shortfall_that_is_mostly_the_batches_is_said_and_they_are_named() -> None:
    found = region_comparison(worst_region_worst_batch(0))
    told, table = of_kind(found, ClaimKind.REGION_BATCHES), found.rows.set_index("region")
    assert set(told) == {"R1"}
    claim, row = told["R1"], table.loc["R1"]
    others = table.drop("R1")
    raw = row["raw_pct"] - np.average(others["raw_pct"], weights=others["tanks_usable"])
    assert claim.observed == pytest.approx(raw) and claim.observed < -8.0
    assert claim.estimate == pytest.approx(raw - row["within_batch_points"])
    assert (claim.low, claim.high) == pytest.approx(
        (raw - row["within_batch_points_high"], raw - row["within_batch_points_low"])
    )
    assert claim.reason is Reason.CLEAR
    named = claim.level.split(", ")
    assert set(named) <= {f"B{season}0" for season in range(2020, 2024)} and len(named) >= 2


def test_a_shortfall_of_the_region_itself_is_not_said_to_be_its_batches(drawn: pd.DataFrame) -> None:
    told = of_kind(region_comparison(poorer(drawn)), ClaimKind.REGION_BATCHES)
    assert {region: (claim.reason, claim.level) for region, claim in told.items()} == {
        "R2": (Reason.NOT_CLEAR, "")
    }


def both(at_hatch: pd.DataFrame, whole: pd.DataFrame) -> pd.DataFrame:
    """The same tanks up to hatch and over the whole stay."""
    return pd.concat([at_hatch.assign(outcome="hatch"), whole.assign(outcome="delivered_to_release")])


def test_what_batches_are_of_a_shortfall_is_asked_of_hatch_by_itself(drawn: pd.DataFrame) -> None:
    trap = worst_region_worst_batch(0)
    even = trap.assign(survivors=(0.9 * trap["eggs"]).round())
    alone = of_kind(region_comparison(trap), ClaimKind.REGION_BATCHES)["R1"]
    for frame, outcome in ((both(trap, even), "hatch"), (both(even, trap), "delivered_to_release")):
        told = of_kind(region_comparison(frame), ClaimKind.REGION_BATCHES)
        assert {(claim.subject, claim.outcome, claim.reason) for claim in told.values()} == {
            ("R1", outcome, Reason.CLEAR)
        }
        assert (told["R1"].estimate, told["R1"].level) == (pytest.approx(alone.estimate), alone.level)
        assert told["R1"].section == "answer"


def test_no_two_claims_of_hatch_and_the_whole_stay_contradict_each_other(drawn: pd.DataFrame) -> None:
    trap = worst_region_worst_batch(0)
    even, own = trap.assign(survivors=(0.9 * trap["eggs"]).round()), worst_region_worst_batch(1, own=True)
    for frame in (both(trap, even), both(even, trap), both(own, own), both(poorer(drawn), drawn)):
        claims = region_comparison(frame).claims
        assert list(contradictions(claims)) == []
        of_batches = next(one for one in claims if one.kind is ClaimKind.REGION_BATCHES)
        wrong = (
            replace(of_batches, reason=Reason.NEVER_SHARE_BATCH if of_batches.section else Reason.CLEAR),
            replace(of_batches, level="another batch", outcome="delivered_to_release"),
            replace(of_batches, subject="another region"),
        )
        assert all(list(contradictions([*claims, one])) for one in wrong)


def test_of_hatch_nothing_is_said_where_batches_and_regions_cannot_be_told_apart() -> None:
    own = worst_region_worst_batch(1, own=True)
    told = [one for one in region_comparison(both(own, own)).claims if one.kind is ClaimKind.REGION_BATCHES]
    assert [(one.outcome, one.reason, one.section) for one in told if one.subject == "R1"] == [
        ("hatch", Reason.NEVER_SHARE_BATCH, ""), ("delivered_to_release", Reason.NEVER_SHARE_BATCH, "answer"),
    ]  # fmt: skip


def test_batches_are_told_of_the_whole_stay_alone() -> None:
    trap = worst_region_worst_batch(0)
    found = region_comparison(both(trap, trap))
    assert {one.outcome for one in found.claims if one.kind is ClaimKind.BATCH_DIFFERS} == {"delivered_to_release"}
    pd.testing.assert_frame_equal(found.batches, region_comparison(trap).batches)
    assert region_comparison(trap.assign(outcome="hatch")).batches.empty


def test_what_the_batches_of_a_region_are_is_never_told_where_none_was_shared() -> None:
    told = of_kind(region_comparison(worst_region_worst_batch(1, own=True)), ClaimKind.REGION_BATCHES)
    assert told["R1"].reason is Reason.NEVER_SHARE_BATCH


def test_batches_are_compared_with_regions_alike() -> None:
    """Two batches in two regions, B2 poorer by the same in both, R2 poorer by the same with both."""
    share = {("R1", "B1"): 0.9, ("R1", "B2"): 0.8, ("R2", "B1"): 0.8, ("R2", "B2"): 0.65}
    went = {("R1", "B1"): 12, ("R1", "B2"): 4, ("R2", "B1"): 4, ("R2", "B2"): 12}
    rows = [
        {"season": 2024, "tank_id": f"{region}{batch}{tank}", "site_id": f"S{region}{batch}{tank}",
         "region": region, "batch_id": batch, "eggs": 400, "survivors": round(400 * alive)}
        for (region, batch), alive in share.items()
        for tank in range(went[region, batch])
    ]  # fmt: skip
    table = region_comparison(pd.DataFrame(rows)).batches.set_index("batch_id")
    assert list(table.reset_index().columns) == BATCH_COLUMNS
    assert table["tanks"].tolist() == [16, 16] and (table["regions"] == 2).all()
    assert table.loc["B1", "raw_pct"] - table.loc["B2", "raw_pct"] > 17.0
    # Half of the tanks of each region (mean log-odds): 85.7 against 73.2 %; 12.5 points are the batch's own.
    assert table["adjusted_pct"].to_numpy() == pytest.approx([85.7, 73.2], abs=1.0)
    assert table.loc["B2", "difference_points"] == pytest.approx(-12.5, abs=1.0)
    assert table.loc["B2", "difference_low"] < -12.5 < table.loc["B2", "difference_high"] < 0.0
    assert table.loc["B1", "by_region"].startswith("R1 9") and table.loc["B1", "by_region"].endswith(" % of 4")
    assert table["reason"].tolist() == ["clear", "clear"]


def test_a_batch_of_a_region_that_shared_none_has_its_raw_survival_alone() -> None:
    table = region_comparison(worst_region_worst_batch(1, own=True)).batches.set_index("batch_id")
    alone = table[table["by_region"].str.startswith("R1")]
    assert len(alone) and alone["raw_pct"].notna().all() and alone["adjusted_pct"].isna().all()
    assert set(alone["reason"]) == {"never_share_batch"}
    assert table.drop(alone.index)["adjusted_pct"].notna().all()


def few(*tanks: tuple[str, str, bool]) -> pd.DataFrame:
    """Tanks of 200 eggs each: region, batch, whether their fish were counted (160)."""
    rows = [
        {"season": 2024, "tank_id": f"T{index}", "site_id": f"S{index}", "region": region, "batch_id": batch,
         "eggs": 200.0, "survivors": 160.0 + index if counted else np.nan}
        for index, (region, batch, counted) in enumerate(tanks)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_a_region_that_does_better_beside_a_poor_one_names_it(drawn: pd.DataFrame) -> None:
    """R2 keeps 7 of 10 of its fish, R3 17 of 20, R1 all: R3 lies in the middle."""
    kept = drawn["region"].map({"R1": 1.0, "R2": 0.7, "R3": 0.85})
    claims = region_comparison(drawn.assign(survivors=(drawn["survivors"] * kept).round())).claims
    told = {one.subject: (one.reason, one.level) for one in claims if one.kind is ClaimKind.REGION_DIFFERS}
    assert told == {"R1": (Reason.CLEAR, "R2"), "R2": (Reason.CLEAR, "R1"), "R3": (Reason.NOT_CLEAR, "")}


def test_a_region_may_have_a_comma_in_its_name(drawn: pd.DataFrame) -> None:
    kept = drawn["region"].map({"R1": 1.0, "R2": 0.7, "R3": 0.85})
    frame = drawn.assign(survivors=(drawn["survivors"] * kept).round(), region=drawn["region"] + ", upper")
    found = region_comparison(frame)
    told = {one.subject: one.level for one in found.claims if one.kind is ClaimKind.REGION_DIFFERS}
    assert told == {"R1, upper": "R2, upper", "R2, upper": "R1, upper", "R3, upper": ""}
    # What R2 lacks beside the other two, and not beside all three.
    table = found.rows.set_index("region")
    others = table.drop("R2, upper")
    raw = table.loc["R2, upper", "raw_pct"] - np.average(others["raw_pct"], weights=others["tanks_usable"])
    assert of_kind(found, ClaimKind.REGION_BATCHES)["R2, upper"].observed == pytest.approx(raw)


UNTOLD = [
    ([("North", "B1", True), ("North", "B2", True)], "one_level", ["one_level"],
     "There is only one region (North), so there is nothing to compare it with."),
    ([("North", "B1", True), ("South", "B1", True)], "too_few_tanks", ["too_few_tanks"] * 2,
     "Regions share batches, but the records are too few to compare them yet."),
    ([("North", "B1", True), ("South", "B2", True)], "never_share_batch", ["never_share_batch"] * 2,
     "No region ever shared a batch with another: regions and batches cannot be told apart."),
    ([("North", "B1", True), ("South", "B1", False)], "too_few_counted", ["too_few_counted"] * 2,
     "Only North has a usable count of this yet, so it cannot be compared with any."),
    ([("North", "B1", False), ("South", "B1", False)], "too_few_counted", ["too_few_counted"] * 2,
     "No tank has a usable count for this outcome yet, so regions cannot be compared."),
]  # fmt: skip


@pytest.mark.parametrize(("tanks", "why", "of_each", "sentence"), UNTOLD)
def test_small_and_unfinished_programmes_are_given_the_true_reason(
    tanks: list[tuple[str, str, bool]], why: str, of_each: list[str], sentence: str
) -> None:
    found = region_comparison(few(*tanks))
    assert [claim.reason for claim in found.claims if claim.kind is ClaimKind.REGIONS_DIFFER] == [why]
    assert found.rows["reason"].tolist() == of_each
    assert set(found.sentences.values()) == {sentence}


def test_a_region_without_counts_is_no_proof_that_batches_were_not_shared() -> None:
    found = region_comparison(few(*[("North", "B1", True)] * 6, *[("South", "B1", False)] * 6))
    assert found.rows["batches_shared"].tolist() == [1, 0]
    assert found.rows["note"].tolist() == [
        "no tank of another region with the same batches has a usable count yet", "no tank has a usable count yet",
    ]  # fmt: skip


def test_low_regions_are_those_claimed_below_over_the_whole_stay(drawn: pd.DataFrame) -> None:
    whole = poorer(drawn).assign(outcome="delivered_to_release")
    assert [(claim.subject, claim.estimate < 0.0) for claim in low_regions(whole)] == [("R2", True)]
    assert low_regions(drawn.assign(outcome="delivered_to_release")) == []
    assert low_regions(whole.assign(outcome="hatch_to_release")) == []
    # The other regions, and a region that does better, are not low.
    better = whole.assign(survivors=drawn["survivors"].where(drawn["region"] == "R2", whole["survivors"] * 3 // 4))
    assert all(claim.subject != "R2" for claim in low_regions(better))


def test_a_region_that_is_low_at_hatch_alone_is_told_of_hatch_and_none_twice(drawn: pd.DataFrame) -> None:
    poor = poorer(drawn)
    for frame, outcome in (
        (both(poor, drawn), "hatch"), (both(drawn, poor), "delivered_to_release"),
        (both(poor, poor), "delivered_to_release"),
    ):  # fmt: skip
        assert [(claim.subject, claim.outcome) for claim in low_regions(frame)] == [("R2", outcome)]
    assert low_regions(both(drawn, drawn)) == []


def short_of_the_other(within: float, low: float, high: float) -> pd.DataFrame:
    """Two regions of which R1 lies 10 points below R2, so many of them within batches."""
    row = {"outcome": "delivered_to_release", "tanks_usable": 10, "decision": "not_claimed", "reason": "not_clear",
           "part": 0}  # fmt: skip
    return pd.DataFrame(
        [
            row | {"region": "R1", "comparable_with": "R2", "raw_pct": 70.0, "within_batch_points": within,
                   "within_batch_points_low": low, "within_batch_points_high": high},
            row | {"region": "R2", "comparable_with": "R1", "raw_pct": 80.0, "within_batch_points": -within,
                   "within_batch_points_low": -high, "within_batch_points_high": -low},
        ]
    )  # fmt: skip


@pytest.mark.parametrize(
    ("within", "low", "high", "reason"),
    [
        (-6.0, -8.0, -4.0, Reason.NOT_CLEAR),  # 4 of 10 points, clearly, but not the most
        (-2.0, -14.0, 10.0, Reason.NOT_CLEAR),  # 8 of 10 points, but perhaps none
        (-2.0, -6.0, 2.0, Reason.CLEAR),
    ],
)
def test_most_of_a_shortfall_is_its_batches_only_where_it_is_half_and_clear(
    within: float, low: float, high: float, reason: Reason
) -> None:
    batches = pd.DataFrame({"batch_id": [], "decision": [], "difference_points": []})
    used = pd.DataFrame({"region": ["R1", "R2"], "batch_id": "B1", "season": 2024, "eggs": 100, "survivors": 75})
    (claim,) = shortfall_claims(short_of_the_other(within, low, high), batches, used)
    assert (claim.subject, claim.observed, claim.reason) == ("R1", -10.0, reason)


def test_batches_are_named_that_came_more_often_and_did_poorly_elsewhere_too() -> None:
    """B2 did well elsewhere, B3 came as often there, B4 came to nobody else, and B5 is not clearly below."""
    batches = pd.DataFrame({"batch_id": [f"B{index}" for index in range(1, 7)], "difference_points": -9.0})
    batches["decision"] = ["claimed"] * 4 + ["not_claimed", "claimed"]
    went = {"R1": "B1 B1 B2 B2 B3 B4 B5 B5", "R2": "B1 B2 B3 B5 B6 B6 B6 B6"}
    used = pd.DataFrame([(region, batch) for region, listed in went.items() for batch in listed.split()])
    used.columns = ["region", "batch_id"]
    alive = used["batch_id"].map({"B1": 50, "B2": 95, "B3": 50, "B4": 50, "B5": 50, "B6": 80})
    (claim,) = shortfall_claims(
        short_of_the_other(-2.0, -6.0, 2.0), batches, used.assign(eggs=100, survivors=alive)
    )
    assert (claim.reason, claim.level) == (Reason.CLEAR, "B1")
