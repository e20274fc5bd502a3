"""Claims made from scores: own fits not counted, stocks that differ, wrong dates named, nothing from NaN."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from tests.development.programmes import is_midway, simulate_programme

from broodyear.claims import Claim, ClaimKind, Decision, Reason
from broodyear.development import DevelopmentModel, assess_development
from broodyear.development.models.forms import Curve
from broodyear.development.scoring.model_claims import development_claims, sites_read
from broodyear.reports.development.gathering import statements_table
from broodyear.statistics.multiplicity import holm

OPTIONS: dict[str, Any] = {"schemes": ("batch_out",), "forms": ("constant_units", "log_inverse")}


#: A row of scores.csv.
ORDINARY: dict[str, Any] = {
    "species": "chinook", "stage": "hatch_half", "model": "m", "scheme": "batch_out", "band": "all",
    "donor_stock": "", "tanks": 40, "batches": 8, "bias_days": 3.0, "bias_low": 1.0, "bias_high": 5.0,
    "p_value": 0.001, "tanks_outside_tested": 0, "hour_days": 1.0, "unscored": "", "note": "",
}  # fmt: skip


def true_model(programme: Any) -> DevelopmentModel:
    return DevelopmentModel("truth", "chinook", "hatch_half", "log_inverse", dict(programme.true.coefficients))


def whole(claims: tuple[Claim, ...], model: str) -> Claim:
    (found,) = [
        one
        for one in claims
        if one.kind is ClaimKind.MODEL_BIASED and one.subject == model and one.level == "chinook hatch_half"
    ]
    return found


def test_own_fits_are_never_counted_and_the_truth_is_not_called_biased(programme: Any) -> None:
    found = assess_development(programme.frame, daily=programme.daily, models=[true_model(programme)], **OPTIONS)
    assert whole(found.claims, "own_log_inverse").reason is Reason.OWN_FIT
    truth = whole(found.claims, "truth")
    assert truth.reason is Reason.NOT_CLEAR and truth.low < 0 < truth.high and truth.unit == "days"
    assert truth.comparisons == 3  # itself and two published ones
    assert "truth" in found.shown[("chinook", "hatch_half")]


def test_what_the_hour_of_looking_can_do_is_no_finding() -> None:
    """Looks at eight in the morning count to the end of their day: the exact truth seems 16 hours early."""
    seen = simulate_programme(
        1, tanks=60, batches=8, batch_sd=0.003, tank_sd=0.004, is_looked_at_weekends=True, look_hour=8.0
    )
    truth = true_model(seen)
    early, late = (
        replace(truth, name=name, coefficients={**truth.coefficients, "ln_a": truth.coefficients["ln_a"] + by})
        for name, by in (("early", -0.03), ("late", 0.008))
    )
    found = assess_development(seen.frame, daily=seen.daily, models=[truth, early, late], **OPTIONS)
    right = whole(found.claims, "truth")
    assert right.reason is Reason.HOUR_OF_LOOKING and right.high < -0.1 and right.p_value == 1.0
    assert whole(found.claims, "early").reason is Reason.CLEAR
    better = {(one.subject, one.reference): one.reason for one in found.claims if one.reference}
    assert better["late", "truth"] is Reason.HOUR_OF_LOOKING and better["truth", "early"] is Reason.CLEAR
    row = found.comparisons.set_index(["model", "against"]).loc[("truth", "late")]
    assert row["mae_gain_days"] < 0.0 < row["earlier_gain_days"] and not row["is_told_apart"]
    with_hours = seen.frame.assign(**{edge: seen.frame[edge] - 16 / 24 for edge in ("absent_day", "seen_day")})
    told = assess_development(with_hours, daily=seen.daily, models=[late], **OPTIONS)
    assert set(told.scores["hour_days"].dropna()) == {0.0}
    assert whole(told.claims, "late").p_value < 0.05 < whole(found.claims, "late").p_value


def test_stocks_of_one_batch_each_are_not_told_apart_and_no_model_is_called_unbiased(programme: Any) -> None:
    """Half of the batches hatch 16 days later than the truth says, half 14 days sooner; each is a stock."""
    frame = programme.frame.copy()
    is_early = frame["batch_id"].str[1:].astype(int) % 2 == 0
    for edge in ("absent_day", "seen_day"):
        frame[edge] = np.maximum(frame[edge] + np.where(is_early, -14.0, 16.0), 0.0)
    # Ten sites: the fewer there are beside the batches, the quicker the search for what varies between them.
    frame = frame.assign(donor_stock=frame["batch_id"], site_id=frame["site_id"].str[:2])
    found = assess_development(frame, daily=programme.daily, models=[true_model(programme)], **OPTIONS)
    assert whole(found.claims, "truth").reason is Reason.STOCKS_DIFFER
    rows = found.scores[(found.scores["model"] == "truth") & (found.scores["donor_stock"] != "")]
    assert set(rows["unscored"]) == {"too_few_batches"} and rows["bias_low"].isna().all()
    assert set(found.stocks["reason"]) == {"confounded"} and found.stocks["later_days"].isna().all()


def test_a_model_wrong_for_two_stocks_in_opposite_directions_is_not_called_unbiased(programme: Any) -> None:
    """Stock A hatches 8 days sooner than the truth says, stock B 8 days later."""
    frame = programme.frame.copy()
    is_early = frame["batch_id"].str[1:].astype(int) % 2 == 0
    for edge in ("absent_day", "seen_day"):
        frame[edge] = np.maximum(frame[edge] + np.where(is_early, -8.0, 8.0), 0.0)
    frame["donor_stock"] = np.where(is_early, "A", "B")
    found = assess_development(frame, daily=programme.daily, models=[true_model(programme)], **OPTIONS)
    truth = whole(found.claims, "truth")
    assert (truth.reason, truth.decision) == (Reason.STOCKS_DIFFER, Decision.CANNOT_TELL)
    rows = found.scores[(found.scores["model"] == "truth") & (found.scores["donor_stock"] != "")]
    assert is_midway(rows)
    bias = rows.set_index("donor_stock")["bias_days"]
    assert bias["A"] == pytest.approx(8.0, abs=2.0) and bias["B"] == pytest.approx(-8.0, abs=2.0)
    (told,) = [one for one in found.claims if one.kind is ClaimKind.STOCKS_DIFFER]
    assert (told.subject, told.reference, told.level, told.reason) == ("A", "B", "chinook hatch_half", "clear")
    assert told.estimate == pytest.approx(16.0, abs=3.0) and told.low < 16.0 < told.high
    assert found.stocks["model"].tolist() == ["truth"]


def test_stocks_are_asked_only_where_they_met_and_are_more_than_a_batch(programme: Any) -> None:
    """Four batches of A, three of B and one of C; nothing differs between them."""
    number = programme.frame["batch_id"].str[1:].astype(int)
    stock = np.where(number == number.max(), "C", np.where(number % 2 == 0, "A", "B"))
    frame = programme.frame.assign(donor_stock=stock, region="R")

    def told(rows: pd.DataFrame) -> dict[tuple[str, str], tuple[str, int]]:
        options = {**OPTIONS, "forms": ("constant_units",)}
        found = assess_development(rows, daily=programme.daily, models=[true_model(programme)], **options).stocks
        return {
            tuple(sorted((row["donor_stock"], row["other_stock"]))): (row["reason"], row["comparisons"])
            for row in found.to_dict("records")
        }  # type: ignore[misc]

    alike = told(frame)
    assert alike == {("A", "B"): ("not_clear", 1), ("A", "C"): ("confounded", 1), ("B", "C"): ("confounded", 1)}
    apart = told(frame.assign(region=np.where(stock == "A", "R", "S")))
    assert set(apart.values()) == {("confounded", 0)}
    unnamed = frame.assign(donor_stock=np.where(stock == "A", "A", None))
    assert told(unnamed) == {}


def test_wrong_dates_are_scored_and_named(programme: Any) -> None:
    frame = programme.frame.copy()
    wrong = frame.index[frame["absent_day"] > 20][:5]
    frame.loc[wrong, ["absent_day", "seen_day"]] += 60.0
    found = assess_development(frame, daily=programme.daily, models=[true_model(programme)], **OPTIONS)
    assert set(frame.loc[wrong, "tank_id"]) <= set(found.suspects["tank_id"])
    fit = found.fits[("chinook", "hatch_half")]["log_inverse"]  # wrong dates keep no fit from being made
    assert fit.wrong_share == pytest.approx(5 / len(frame), abs=0.02)
    assert (found.suspects["days_off"].abs() > 20).all()
    is_whole = (found.scores["band"] == "all") & (found.scores["donor_stock"] == "")
    row = found.scores[is_whole].set_index("model").loc["truth"]
    assert row["tanks"] == len(frame)  # none was left out
    assert row["suspects"] == len(found.suspects)
    assert row["mae_days"] > row["mae_without_suspects"]
    assert not whole(found.claims, "truth").is_claimed


def test_no_given_model_is_dropped_in_silence(programme: Any) -> None:
    coefficients = {"K": 500.0}
    elsewhere = DevelopmentModel("elsewhere", "coho", "hatch_half", "constant_units", coefficients)
    after = DevelopmentModel(
        "after", "chinook", "hatch_half", "constant_units", coefficients, counted_from="hatch"
    )
    found = assess_development(programme.frame, daily=programme.daily, models=[elsewhere, after], **OPTIONS)
    rows = found.scores.set_index("model").loc[["elsewhere", "after"], ["tanks", "unscored", "note"]]
    assert rows.values.tolist() == [
        [0, "no_tanks", "no tank of coho with this stage can be scored"],
        [0, "counted_from_hatch", "the model counts days from hatch, and only days from fertilisation are scored"],
    ]
    told = {one.subject: one for one in found.claims if one.kind is ClaimKind.MODEL_BIASED}
    assert (told["elsewhere"].reason, told["after"].reason) == (Reason.NO_TANKS, Reason.COUNTED_FROM_HATCH)
    assert {told[name].section for name in ("elsewhere", "after")} == {"answer"}
    assert not found.thermometers["model"].isin(["elsewhere", "after"]).any()
    read = [one.reason for one in found.claims if one.kind is ClaimKind.THERMOMETER]
    assert set(read) == {Reason.ONE_LEVEL}  # every tank was read by hand
    assert set(found.disagreements["species"]) == {"chinook"}


def test_predictions_count_days_as_the_records_given(programme: Any) -> None:
    """Delivered in the afternoon: the end of that day is 0.4, in the frame given and in the predictions alike."""
    frame = programme.frame.assign(day_share=0.4)
    edges = ["absent_day", "seen_day"]
    frame[edges] = frame[edges] - 0.6  # the same dates
    found = assess_development(frame, daily=programme.daily, **OPTIONS).predictions
    given = frame.set_index("tank_id").loc[found["tank_id"]].reset_index()
    np.testing.assert_allclose(found[edges].astype(float), given[edges].astype(float), atol=1e-9)
    np.testing.assert_allclose(found["error_low_days"], found["predicted_day"] - found["seen_day"], atol=1e-9)
    # The first day counts for less, by its temperature: the event falls later by about what was not lived.
    whole_day = assess_development(programme.frame, daily=programme.daily, **OPTIONS).predictions
    published = ~found["model"].str.startswith("own_")
    later = (found["predicted_day"] + 0.6 - whole_day["predicted_day"])[published]
    assert later.between(0.4, 0.9).mean() > 0.9


def test_a_single_batch_is_predicted_by_models_that_need_no_fit(programme: Any) -> None:
    one = programme.frame[programme.frame["batch_id"] == programme.frame["batch_id"].iloc[0]]
    found = assess_development(one, daily=programme.daily, models=[true_model(programme)], **OPTIONS)
    (shown,) = found.shown.values()
    assert "truth" in shown and found.predictions.query("model == 'truth'")["predicted_day"].notna().all()
    assert whole(found.claims, "truth").reason is Reason.TOO_FEW_BATCHES


def test_a_model_that_misses_by_less_is_said_to_predict_better(programme: Any) -> None:
    far = DevelopmentModel("far", "chinook", "hatch_half", "constant_units", {"K": 700.0})
    found = assess_development(
        programme.frame, daily=programme.daily, models=[true_model(programme), far], **OPTIONS
    )
    (claim,) = [
        one
        for one in found.claims
        if one.kind is ClaimKind.MODEL_BETTER and (one.subject, one.reference) == ("truth", "far")
    ]
    assert claim.is_claimed and claim.estimate > 5.0
    assert whole(found.claims, "far").is_claimed and whole(found.claims, "far").estimate > 0


@pytest.mark.parametrize("gain", [4.0, -4.0])
def test_the_better_of_two_is_the_subject_whichever_stands_first(gain: float) -> None:
    row = {
        "species": "chinook", "stage": "hatch_half", "model": "first", "against": "second", "tanks": 40,
        "batches": 8, "mae_gain_days": gain, "mae_gain_low": gain - 1.0, "mae_gain_high": gain + 1.0,
        "p_value": 1e-4,
    }  # fmt: skip
    nothing = pd.DataFrame(columns=["species", "stage", "p_value", "model", "read_by"])
    found = development_claims(pd.DataFrame([ORDINARY]), pd.DataFrame([row]), nothing, nothing, nothing)
    (claim,) = [one for one in found if one.kind is ClaimKind.MODEL_BETTER]
    names = ("first", "second") if gain > 0 else ("second", "first")
    assert (claim.decision, claim.subject, claim.reference) == (Decision.CLAIMED, *names)
    assert (claim.estimate, claim.low, claim.high) == (4.0, 3.0, 5.0)


def judged(*rows: dict[str, Any]) -> dict[tuple[str, str], Reason]:
    """By model and level, from rows of scores.csv that differ from an ordinary one as given."""
    nothing = pd.DataFrame(columns=["species", "stage", "p_value", "model", "against", "read_by"])
    claims = development_claims(pd.DataFrame([ORDINARY | row for row in rows]), nothing, nothing, nothing, nothing)
    return {
        (claim.subject, claim.level.removeprefix("chinook hatch_half").strip()): claim.reason for claim in claims
    }


def test_only_stocks_that_are_clear_in_opposite_directions_leave_a_model_untold() -> None:
    def whole_of(first_days: float, second_days: float, p_value: float) -> Reason:
        stocks = [{"donor_stock": name, "bias_days": days, "p_value": p_value}
                  for name, days in (("A", first_days), ("B", second_days))]  # fmt: skip
        return judged({"p_value": 0.4}, *stocks)["m", ""]

    assert whole_of(3.0, -3.0, 0.001) is Reason.STOCKS_DIFFER
    assert whole_of(3.0, -3.0, 0.5) is Reason.NOT_CLEAR
    assert whole_of(3.0, 2.0, 0.001) is Reason.NOT_CLEAR


def test_models_are_one_family_and_the_bands_of_a_model_another() -> None:
    found = judged({"p_value": 0.03}, {"model": "n", "p_value": 0.6})
    assert found == {("m", ""): Reason.NOT_CLEAR, ("n", ""): Reason.NOT_CLEAR}
    alone = judged({"p_value": 0.03}, {"model": "own_constant_units", "p_value": 0.6})
    assert alone["m", ""] is Reason.CLEAR
    bands = judged({"p_value": 0.03}, {"band": "<5", "p_value": 0.03}, {"band": "5-7", "p_value": 0.04})
    assert bands == {("m", ""): Reason.CLEAR, ("m", "<5"): Reason.NOT_CLEAR, ("m", "5-7"): Reason.NOT_CLEAR}


def test_models_asked_about_the_same_thermometers_are_a_family() -> None:
    place = {"species": "chinook", "stage": "hatch_half", "read_by": "hand_less_logger", "tanks": 40, "batches": 8}
    limits = {"bias_days": -2.0, "bias_low": -3.9, "bias_high": -0.1}
    rows = [{**place, **limits, "model": name, "p_value": p} for name, p in (("m", 0.03), ("n", 0.2))]
    nothing = pd.DataFrame(columns=["species", "stage", "p_value", "model", "against"])
    for count, reason in ((1, Reason.CLEAR), (2, Reason.NOT_CLEAR)):
        claims = development_claims(
            pd.DataFrame([ORDINARY]), nothing, pd.DataFrame(rows[:count]), nothing, nothing
        )
        first = next(one for one in claims if one.kind is ClaimKind.THERMOMETER)
        assert (first.reason, first.p_family, first.comparisons) == (reason, pytest.approx(0.03 * count), count)


def test_an_interval_that_leaves_out_zero_and_not_a_day_of_looking_is_no_finding() -> None:
    early = {"bias_days": -0.8, "bias_low": -0.9, "bias_high": -0.6}
    parts = ({"band": "<5"}, {"donor_stock": "A"}, {"donor_stock": "B"})
    found = judged(early | {"p_value": 1.0}, *(early | {"p_value": 1.0} | part for part in parts))
    assert set(found.values()) == {Reason.HOUR_OF_LOOKING}
    assert judged(early | {"p_value": 0.04})["m", ""] is Reason.CLEAR
    late = {"bias_days": 0.8, "bias_low": 0.6, "bias_high": 0.9}
    assert judged(late | {"p_value": 0.06})["m", ""] is Reason.NOT_CLEAR


def test_unknown_limits_are_no_finding() -> None:
    cell = {
        "species": "chinook", "stage": "hatch_half", "model": "m", "scheme": "batch_out", "band": "all",
        "donor_stock": "", "tanks": 9, "batches": 4, "bias_days": 3.0, "bias_low": np.nan, "bias_high": np.nan,
        "p_value": np.nan, "tanks_outside_tested": 0, "unscored": "", "note": "",
    }  # fmt: skip
    few = cell | {"model": "few", "batches": 2, "bias_days": np.nan, "unscored": "too_few_batches"}
    out = cell | {"model": "out", "tanks": 0, "unscored": "outside_tested"}
    lost = cell | {"model": "lost", "bias_days": np.nan, "unscored": "spreads_unknown"}
    nothing = pd.DataFrame(columns=["species", "stage", "p_value", "model", "against", "read_by"])
    claims = development_claims(pd.DataFrame([cell, few, out, lost]), nothing, nothing, nothing, nothing)
    assert [(claim.subject, claim.reason) for claim in claims] == [
        ("m", Reason.NO_INTERVAL), ("few", Reason.TOO_FEW_BATCHES), ("out", Reason.OUTSIDE_TESTED),
        ("lost", Reason.SPREADS_UNKNOWN),
    ]  # fmt: skip


def warm_sites(programme: Any, seed: int, sd_c: float, warm: tuple[str, ...], alone: int = 0) -> pd.DataFrame:
    """Offsets of 12 sites whose thermometers read wrong by SD sd_c and, at `warm` ones, by +1 °C.

    The first `alone` tanks stand at a site of their own.
    """
    rng = np.random.default_rng(seed)
    sites = [f"A{i:02d}" if i < alone else f"S{i % 12:02d}" for i in range(len(programme.frame))]
    frame = programme.frame.assign(site_id=sites)
    off = {site: rng.normal(0.0, sd_c) + (1.0 if site in warm else 0.0) for site in sorted(set(frame["site_id"]))}
    site_of = frame.set_index("tank_id")["site_id"]
    daily = {tank: temps + off[site_of[tank]] for tank, temps in programme.daily.items()}
    found = assess_development(frame, daily=daily, **OPTIONS | {"forms": ("log_inverse",)})
    rows = [one for one in found.claims if one.kind is ClaimKind.THERMOMETER and one.reference]
    assert len(rows) == len(found.site_offsets)
    return found.site_offsets.assign(is_named=[one.is_claimed for one in rows])


def test_sites_whose_thermometers_read_a_degree_warm_are_named_and_no_others(simulate: Callable[..., Any]) -> None:
    made = simulate(5, tanks=96, batches=8, batch_sd=0.02, is_looked_at_weekends=True)
    warm = warm_sites(made, 1, 0.0, ("S03", "S09")).set_index("site_id")
    assert set(warm.index[warm["is_named"]]) == {"S03", "S09"}
    assert (warm.loc[["S03", "S09"], "offset_high"] < 0.0).all()
    assert warm.loc[["S03", "S09"], "implied_offset_c"].between(0.5, 1.2).all()
    assert not warm_sites(made, 1, 0.0, ())["is_named"].any()


def test_a_site_with_one_tank_is_not_judged(simulate: Callable[..., Any]) -> None:
    made = simulate(5, tanks=96, batches=8, batch_sd=0.02, is_looked_at_weekends=True)
    found = warm_sites(made, 1, 0.0, ("A00", "S03"), alone=3).set_index("site_id")
    assert found.loc[["A00", "A01", "A02"], ["p_value", "p_family"]].isna().all(axis=None)
    assert found.loc["A00", "offset_high"] < 0.0
    assert not found.loc[found["tanks"] == 1, "is_named"].any()
    judged = found[found["tanks"] > 1]
    assert judged["p_family"].to_numpy() == pytest.approx(holm(judged["p_value"]))


def test_a_curve_under_another_name_is_compared_once() -> None:
    """Where the truth is exponential the zero of log_inverse runs to its limit: the two are one curve."""
    true = Curve("true", "exponential", {"a": 5.35, "b": 0.14}, 0.0, 20.0)
    made = simulate_programme(0, tanks=60, batches=8, true=true)
    forms = ("constant_units", "exponential", "log_inverse")
    found = assess_development(made.frame, daily=made.daily, schemes=("batch_out",), forms=forms)
    assert found.fits[("chinook", "hatch_half")]["log_inverse"].is_curvature_at_limit
    own = found.comparisons[found.comparisons["model"].str.startswith("own_")]
    assert own["model"].tolist() == ["own_exponential"]
    assert "own_log_inverse" in set(found.scores["model"])
    assert "four tanks in five lie in" in " ".join(statements_table(found)["sentence"])


def test_sites_are_counted_by_reader_at_most_over_stages_and_models() -> None:
    rows = [("logger", 3), ("logger", 5), ("hand", 4), ("hand_less_logger", 9)]
    found = pd.DataFrame(rows, columns=["read_by", "sites"])
    assert sites_read(found) == {"logger": 5, "hand": 4}
    assert sites_read(found.head(2)) == {"logger": 5, "hand": 0}
    assert sites_read(found.head(0)) == {"logger": 0, "hand": 0}
