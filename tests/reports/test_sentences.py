"""Claims in words: every kind, decision and reason renders to one whole sentence, and claims.csv holds it."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import pytest

from broodyear.claims import CLAIM_COLUMNS, Claim, ClaimKind, Decision, Reason
from broodyear.reports.sentences import amount, between, chance_words, in_short, state, worded

#: A subject, level and reference as each kind of claim has them.
SUBJECTS = {
    ClaimKind.TANK_BELOW: ("T-1", "", ""),
    ClaimKind.TANK_ABOVE: ("T-1", "", ""),
    ClaimKind.PLACE_BELOW: ("S-1", "", ""),
    ClaimKind.PRACTICE_DIFFERS: ("gravel_practice", "single_layer_stones", "bare"),
    ClaimKind.TEMPERATURE_DIFFERS: ("mean_water_temp_c", "+1 °C", ""),
    ClaimKind.CHANGE: ("light_cover", "yes", "no"),
    ClaimKind.REGION_DIFFERS: ("R-1", "", ""),
    ClaimKind.REGIONS_DIFFER: ("regions", "", ""),
    ClaimKind.REGION_BATCHES: ("R-1", "B-1, B-2", ""),
    ClaimKind.BATCH_DIFFERS: ("B-1", "", ""),
    ClaimKind.MODEL_BIASED: ("own_log_inverse", "coho hatch_half 7-9", ""),
    ClaimKind.MODEL_BETTER: ("power", "coho hatch_half", "own_constant_units"),
    ClaimKind.THERMOMETER: ("T-1", "", ""),
    ClaimKind.STOCKS_DIFFER: ("D-1", "coho hatch_half", "D-2"),
}
DAYS = (ClaimKind.MODEL_BIASED, ClaimKind.MODEL_BETTER, ClaimKind.STOCKS_DIFFER)
UNITS = {**dict.fromkeys(DAYS, "days"), ClaimKind.THERMOMETER: "°C"}


def made(kind: ClaimKind, reason: Reason, *, known: bool, section: str = "here") -> Claim:
    subject, level, reference = SUBJECTS[kind]
    numbers = (-12.4, -18.0, -6.1, 0.0004, 0.004, 26) if known else (*[math.nan] * 5, 0)
    outcome = "delivered_to_release" if kind not in UNITS else ""
    estimate, low, high, p_value, p_family, comparisons = numbers
    return Claim(
        kind, subject, reason, level, reference, outcome, estimate, low, high, UNITS.get(kind, "points"),
        p_value, p_family, int(comparisons), section,
        -17.2 if known and kind in (ClaimKind.TANK_BELOW, ClaimKind.TANK_ABOVE) else math.nan,
    )  # fmt: skip


@pytest.mark.parametrize(("kind", "reason", "known"), list(product(ClaimKind, Reason, (True, False))))
def test_every_claim_renders_to_one_whole_sentence(kind: ClaimKind, reason: Reason, known: bool) -> None:
    (sentence,) = worded([made(kind, reason, known=known)])
    assert sentence[0].isupper() and sentence.endswith(".") and sentence.count(". ") == 0, sentence
    assert "\n" not in sentence and "  " not in sentence
    assert not {"nan", "None", "none", "_"} & set(sentence.replace("(", " ").split()), sentence
    assert "_" not in sentence.replace("T-1", "")
    if not known:
        assert "95" not in sentence


def test_one_region_alone_is_said_to_be_alone() -> None:
    kinds = ClaimKind.REGIONS_DIFFER, ClaimKind.REGION_DIFFERS
    assert worded(made(kind, Reason.ONE_LEVEL, known=False) for kind in kinds) == (
        "There is one region on record, so there is nothing to compare it with.",
        "There is no other region to compare region R-1 with.",
    )


@pytest.mark.parametrize("kind", ClaimKind)
def test_the_three_decisions_read_differently(kind: ClaimKind) -> None:
    clear, not_clear, untold = worded(
        [made(kind, one, known=True) for one in (Reason.CLEAR, Reason.NOT_CLEAR, Reason.CONFOUNDED)]
    )
    assert len({clear, not_clear, untold}) == 3
    assert Reason.CONFOUNDED.meaning in untold


@pytest.mark.parametrize(("estimate", "did"), [(7.5, "worse"), (-7.5, "better")])
def test_a_region_that_differs_names_those_that_differ_the_other_way(estimate: float, did: str) -> None:
    kind, others = ClaimKind.REGION_DIFFERS, "Birch, Moor"
    differs = Claim(kind, "Dune", Reason.CLEAR, others, estimate=estimate, comparisons=4, section="answer")
    (sentence,) = worded([differs])
    assert sentence.endswith(
        f"clear among the 4 regions compared; the others include Birch and Moor, which did {did}."
    )


def test_sentences_say_size_interval_and_how_many_were_compared() -> None:
    below, practice, fish, biased = worded(
        [
            made(ClaimKind.PLACE_BELOW, Reason.CLEAR, known=True),
            made(ClaimKind.PRACTICE_DIFFERS, Reason.CLEAR, known=True),
            Claim(ClaimKind.CHANGE, "gravel_practice", Reason.CLEAR, "gravel", "bare", estimate=34.0, unit="fish"),
            Claim(ClaimKind.MODEL_BIASED, "power", Reason.CLEAR, "coho hatch_half", estimate=1.0, unit="days"),
        ]
    )
    assert below == (
        "Site S-1 did worse over its seasons than its eggs explain: 12 points below expected"
        " (95\u202f% interval 6 to 18); clear among the 26 sites compared."
    )
    assert "Gravel practice: single layer stones instead of bare: \u221212 points of survival" in practice
    assert "clear after allowing for all 26 compared" in practice
    assert fish == (
        "Gravel practice: gravel instead of bare is worth considering: about 34 fish more a season if the tanks"
        " concerned did as the others."
    )
    assert biased == "Power curve (coho, half hatched) is late by 1.0 day."


@pytest.mark.parametrize(
    ("reason", "sentence"),
    [
        (
            Reason.DEPENDS_ON_SILENT,
            "would not stand if the tanks that fell silent had fared otherwise; of the tanks with a count alone,",
        ),
        (Reason.HANGS_ON_ONE_TANK, "would not be clear without one of the tanks; with it,"),
        (
            Reason.BATCHES_DISAGREE,
            "between batches and within batches the records say different things; within batches alone,",
        ),
    ],
)
def test_what_is_clear_among_all_but_held_back_is_not_put_down_to_how_many_were_compared(
    reason: Reason, sentence: str
) -> None:
    claim = replace(made(ClaimKind.REGION_DIFFERS, reason, known=True), comparisons=4)
    assert worded([claim])[0] == (
        "Region R-1 is not shown to differ from the others with the same batches of eggs: "
        f"{sentence} the difference (−18 to −6 points) is clear among the 4 compared."
    )


def test_regions_that_silence_alone_holds_back_say_what_the_counted_tanks_show() -> None:
    claim = made(ClaimKind.REGIONS_DIFFER, Reason.DEPENDS_ON_SILENT, known=True)
    assert worded([claim])[0] == (
        "Regions are not shown to differ within the same batches of eggs: would not stand if the tanks that fell"
        " silent had fared otherwise; chance alone would show as much about once in 250 times in the tanks with a"
        " count alone."
    )


def test_what_was_counted_stands_beside_what_chance_leaves_of_it() -> None:
    """The plain difference first; the interval is that of what is left once chance is allowed for."""
    low = made(ClaimKind.TANK_BELOW, Reason.CLEAR, known=True)
    across = replace(low, reason=Reason.AT_WATCHED_PLACE, estimate=-3.0, low=-8.0, high=2.0, observed=-2.5)
    assert worded([low])[0].endswith(
        ": 17 points below expected; allowing for chance, 12 (95\u202f% interval 6 to 18); clear"
        " among the 26 tanks compared."
    )
    # The site's other seasons may pull the estimate beyond what was counted: that is no allowance for chance.
    allowed = "; estimated at \u22123.0 (95\u202f% interval \u22128.0 to +2.0);"
    assert f": 2.5 points below expected{allowed}" in worded([across])[0]
    assert f": 2.5 points above expected{allowed}" in worded([replace(across, observed=2.5)])[0]
    hatch = replace(low, outcome="hatch", reason=Reason.CLEAR)
    assert worded([hatch])[0].startswith("Tank T-1 did worse, eggs delivered to hatch, than its eggs explain")
    assert in_short(low) == "T-1: 17 points short (12 allowing for chance), clear"
    assert in_short(replace(low, estimate=-18.0)) == "T-1: 17 points short (estimated at 18), clear"


def test_what_a_region_lacks_is_its_batches_or_may_be() -> None:
    unclear = replace(made(ClaimKind.REGION_BATCHES, Reason.NOT_CLEAR, known=True), observed=-3.5)
    begins = "Raw, region R-1 lies 3.5 points below the others; "
    may_be, better = worded([replace(unclear, low=-9.0, high=1.6), replace(unclear, low=0.4, high=8.0)])
    any_part = "their part may be anything from \u22129.0 to +1.6 points."
    assert may_be == begins + "whether most of that is its batches is not shown: " + any_part
    assert better == begins + "its batches did better than those of the others, so it is not for them."


def test_a_shortfall_at_hatch_is_said_to_be_at_hatch() -> None:
    size = {"outcome": "hatch", "observed": -13.0, "estimate": -8.0, "low": -10.2, "high": -5.8}
    told = {
        reason: replace(made(ClaimKind.REGION_BATCHES, reason, known=True), **size)
        for reason in (Reason.CLEAR, Reason.NOT_CLEAR, Reason.CONFOUNDED)
    }
    alone = replace(told[Reason.CLEAR], estimate=-15.0)
    assert [sentence.split(";")[0].split(",")[0] for sentence in worded([*told.values(), alone])] == [
        "Of the 13 points that region R-1 lies below the others raw at hatch",
        "Raw",
        "Of the 13 points that region R-1 lies below the others raw at hatch",
        "Region R-1 lies 13 points below the others raw at hatch",
    ]
    assert worded([told[Reason.NOT_CLEAR]])[0].startswith(
        "Raw, region R-1 lies 13 points below the others at hatch; whether most of that is its batches is"
    )
    assert worded([told[Reason.CLEAR]])[0].endswith(
        "at hatch, 8.0 points (95\u202f% interval 6 to 10) are its batches: B-1 and B-2 did poorly wherever they"
        " went."
    )


def test_chance_and_amounts_in_plain_words() -> None:
    assert [chance_words(p) for p in (0.0002, 0.02, 0.12, 0.25, 0.99)] == [
        "less than once in 1\u202f000 times", "about once in 50 times", "about once in 8 times",
        "about 2 times in 10", "nearly always",
    ]  # fmt: skip
    assert [amount(1.0, "points"), amount(12.4, "points"), amount(33.6, "fish")] == [
        "1.0 point",
        "12 points",
        "34 fish",
    ]
    assert between(Claim(ClaimKind.CHANGE, "x", Reason.CLEAR, low=1.0)) == ""


def test_an_interval_that_crosses_zero_is_seen_to() -> None:
    wide = made(ClaimKind.PRACTICE_DIFFERS, Reason.NOT_CLEAR, known=True)
    assert "from \u22120.4 to +21 points" in worded([replace(wide, low=-0.4, high=20.9)])[0]


def test_claims_csv_is_blank_where_the_page_says_nothing() -> None:
    stated = made(ClaimKind.TANK_BELOW, Reason.CLEAR, known=True)
    silent = made(ClaimKind.TANK_BELOW, Reason.NOT_CLEAR, known=True, section="")
    statements = state([stated, silent])
    assert tuple(statements.table.frame.columns) == CLAIM_COLUMNS
    assert statements.table.frame["sentence"].tolist() == [statements.sentences[0], ""]
    assert statements.rows(ClaimKind.TANK_BELOW, decision=Decision.CLAIMED) == [0]
    assert statements.rows(subject="T-1") == [0, 1]
    assert statements.at(0).source == "claims.csv#row=2" and statements.at(0).text == statements.sentences[0]
