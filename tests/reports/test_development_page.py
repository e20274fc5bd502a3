"""The development page answers its three questions from its tables, and says where it cannot."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from tests.reports import invented
from tests.reports.invented_development import PLACE, fan, results, score
from tests.reports.pages import cell, seen, written_rows

from broodyear.claims import Claim, ClaimKind, Reason
from broodyear.development import DevelopmentModel
from broodyear.reports.development import write_development
from broodyear.reports.development.answers import answer_section
from broodyear.reports.folder import ReportResult
from broodyear.reports.parts import Pair, Prose
from broodyear.reports.sentences import state
from broodyear.reports.tables import declared_first


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> ReportResult:
    """The page of the invented results, and what lies beside it."""
    return write_development(results(), tmp_path_factory.mktemp("development"), invented.uploads())


def said(page: Path) -> str:
    """The page's words, with plain spaces."""
    return " ".join(seen(page).text.replace("\u202f", " ").split())


def test_it_says_which_model_is_biased_by_how_much_and_whose_fault_it_is(written: ReportResult) -> None:
    text = said(written.page)
    assert (
        "1 of 1 models that were not fitted here (published, given, or nominal units of the settings) is shown"
        in text
    )
    assert "Crisp1981_coho (coho, half hatched) is late by 2.5 days (95 % interval 1.5 to 3.5)." in text
    assert "Crisp1981_coho (coho, half hatched, at 5 to 7 °C) is late by 4.0 days" in text
    assert "is not shown to do otherwise for tanks read by hand than for tanks read by a logger" in text
    assert "No two models could be compared: there are too few egg batches" in text


def test_the_headline_counts_models_that_are_off_in_a_part_only() -> None:
    late = {"level": "coho hatch_half 5-7", "estimate": 4.0, "low": 3.0, "high": 5.0, "unit": "days"}
    whole = {"level": "coho hatch_half", "estimate": 0.5, "low": -1.0, "high": 2.0, "unit": "days"}
    part = Claim(ClaimKind.MODEL_BIASED, "m", Reason.CLEAR, p_family=0.001, section="where", **late)
    found = Claim(ClaimKind.MODEL_BIASED, "m", Reason.NOT_CLEAR, section="answer", **whole)
    first = answer_section(replace(results(), claims=state([found, part]))).blocks[0]
    assert isinstance(first, Pair) and isinstance(first.blocks[0], Prose)
    assert first.blocks[0].text == (
        "No model that was not fitted here is shown to be biased over all temperatures. 1 not shown to be biased"
        " over all is off in some band of temperature or for some donor stock."
    )


def test_the_first_screen_is_a_picture_and_what_was_found(written: ReportResult) -> None:
    html = written.page.read_text(encoding="utf-8")
    first = html.split('<nav class="contents"')[0]
    assert first.count("<figure>") == 1 and "early  ←  predicted − actual (days)  →  late" in first
    assert "<details" not in first.split("</figure>")[0]


def test_models_stand_as_equations_with_their_constants_in_full(written: ReportResult) -> None:
    html = written.page.read_text(encoding="utf-8")
    assert "<mi>D</mi><mo>=</mo><mfrac><mrow><mn>470.123</mn></mrow><mi>T</mi></mfrac>" in html
    assert "<munderover><mo>∑</mo>" in html
    assert written_rows(written.page.parent, "coefficients.csv")[0]["estimate"] == "470.1234567890123"
    assert "470.1234567890123" in said(written.page)


def test_sources_are_listed_with_their_doi_and_in_bibtex(written: ReportResult) -> None:
    html, text = written.page.read_text(encoding="utf-8"), said(written.page)
    assert 'href="https://doi.org/10.1111/j.1365-2427.1988.tb00325.x"' in html
    assert "Crisp, D. T. 1988. Prediction, from temperature" in text and "19: 41–48." in text
    assert "from [1] in the list of sources" in text
    assert (written.page.parent / "references.bib").read_text(encoding="utf-8").startswith("@article{Crisp1988,\n")


def test_no_code_of_a_model_stands_on_the_page(written: ReportResult) -> None:
    assert "own_" not in said(written.page)
    for figure in written.figures:
        assert "own_" not in figure.read_text(encoding="utf-8"), figure.name


def test_every_claim_is_a_row_of_claims_csv_with_its_sentence(written: ReportResult) -> None:
    text = said(written.page)
    rows = written_rows(written.page.parent, "claims.csv")
    assert [row["claim"] for row in rows] == [*["model_biased"] * 3, "model_better", "thermometer"]
    assert [row["decision"] for row in rows] == ["not_claimed", "claimed", "claimed", "not_claimed", "not_claimed"]
    for row in rows:
        assert (row["sentence"] == "") == (row["section"] == "")
        assert " ".join(row["sentence"].replace("\u202f", " ").split()) in text


def test_it_answers_for_five_degrees_model_by_model(written: ReportResult) -> None:
    text = said(written.page)
    assert "At 5 to 7 °C, too late: Crisp1981_coho (coho, half hatched, +4.0 days)" in text
    assert "interval wider than 10 days is called too wide" in text
    assert "At 5 to 7 °C, no bias shown: this programme's own fit, log-inverse (coho, half hatched)" in text
    assert (
        "At 5 to 7 °C, cannot be judged, the interval is too wide: this programme's own fit, constant units"
        in text
    )
    assert (
        "Below 5 °C, cannot be judged, fewer than three batches or sites: this programme's own fit, log-inverse"
        in text
    )
    lost = "Below 5 °C, cannot be judged, the spreads between batches and sites could not be estimated: Crisp1981"
    assert lost in text


@pytest.mark.usefixtures("without_drawings")
def test_an_interval_without_zero_is_never_called_no_bias(tmp_path: Path) -> None:
    """A band that is off by itself and not among all compared, by the hour of looking, or of an own fit."""
    made = results()
    band = {"level": "coho hatch_half 5-7", "estimate": 4.0, "low": 3.0, "high": 5.0, "unit": "days"}
    for reason, verdict in (
        (Reason.NOT_CLEAR, "off by its own interval, not after all bands compared"),
        (Reason.HOUR_OF_LOOKING, "early by no more than the hour of looking can make"),
        (Reason.OWN_FIT, "off here, though fitted to the other batches"),
    ):
        claim = Claim(ClaimKind.MODEL_BIASED, "Crisp1981_coho", reason, **band)
        page = write_development(replace(made, claims=state([claim])), tmp_path / reason, invented.uploads()).page
        assert f"At 5 to 7 °C, {verdict}: Crisp1981_coho (coho, half hatched, +4.0 days)" in said(page)


def test_every_number_equals_the_cell_it_names(written: ReportResult) -> None:
    page = written.page
    numbers = seen(page).numbers
    assert len(numbers) > 10
    for number in numbers:
        assert cell(written.page.parent, number["data-from"], number["data-column"]) == number["value"]


def test_scores_begin_with_the_columns_others_read(written: ReportResult) -> None:
    assert list(written_rows(written.page.parent, "scores.csv")[0])[:17] == declared_first("scores")


def test_suppressed_cells_stay_blank_and_say_why(written: ReportResult) -> None:
    page = written.page
    blank = [row for row in written_rows(written.page.parent, "scores.csv") if row["band"] == "<5"]
    assert all(row["bias_days"] == "" and "fewer than 3" in row["note"] for row in blank)
    assert "nan" not in said(page)


def test_nothing_scored_still_makes_a_page(tmp_path: Path) -> None:
    nothing = pd.DataFrame([score(model, "all", None) for model in ("own_log_inverse", "Crisp1981_coho")])
    bare = results(scores=nothing, fan=fan().iloc[:0], predictions=pd.DataFrame(), disagreements=pd.DataFrame())
    text = said(write_development(bare, tmp_path, invented.uploads()).page)
    assert "No published or given model could be scored on these records." in text
    assert "No tank of the last season has what a forecast needs." in text
    assert "No figure here." in text


def test_without_a_calibration_its_figure_says_that_there_is_nothing_to_draw(tmp_path: Path) -> None:
    made = results()
    empty = {"pit": made.pit.frame.iloc[:0], "calibration": made.calibration.frame.iloc[:0]}
    page = said(write_development(results(**empty), tmp_path, invented.uploads()).page)
    assert (
        "There is nothing to draw for Calibration: coho, half hatched." in page and "needs the column" not in page
    )


def test_the_models_given_are_in_the_manifest(tmp_path: Path) -> None:
    mine = DevelopmentModel("mine", "coho", "hatch_half", "constant_units", {"K": 450.0})
    manifest = write_development(replace(results(), models=[mine]), tmp_path, invented.uploads()).manifest
    (kept,) = json.loads(manifest.read_text(encoding="utf-8"))["parameters"]["models"]
    assert (kept["name"], kept["form"], kept["coefficients"]) == ("mine", "constant_units", {"K": 450.0})


def test_the_seed_of_the_calibration_is_in_the_manifest(written: ReportResult) -> None:
    assert '"seed": 1,' in written.manifest.read_text(encoding="utf-8")


def test_no_code_of_a_fit_stands_in_a_drawing(written: ReportResult) -> None:
    texts = " ".join(figure.read_text(encoding="utf-8") for figure in written.figures)
    assert "own_" not in texts
    assert "this programme's own fit, log-inverse" in texts and "Crisp1981_coho" in texts


def reader(subject: str, reason: Reason, **facts: object) -> Claim:
    of_bias = {"level": "coho hatch_half", "unit": "days", "section": "answer"}
    return Claim(ClaimKind.THERMOMETER, subject, reason, **(of_bias | facts))  # type: ignore[arg-type]


def of_readers(*claims: Claim, sites: tuple[int, int] = (1, 9)) -> list[str]:
    """Paragraphs of the first section: what is said of readers, how, and of sites."""
    found = Claim(ClaimKind.MODEL_BIASED, "m", Reason.NOT_CLEAR, level="coho hatch_half", section="answer")
    rows = pd.DataFrame(
        [
            {**PLACE, "model": "m", "read_by": by, "sites": n}
            for by, n in zip(("logger", "hand"), sites, strict=True)
        ]
    )
    changed = replace(results(thermometers=rows), claims=state([found, *claims]))
    blocks = answer_section(changed).blocks
    return [" ".join(str(block.text).split()) for block in blocks if isinstance(block, Prose)]


def test_readers_that_cannot_be_compared_are_not_said_to_be_alike() -> None:
    """Two models, neither of which could be compared: no 'none of 2 differ', and what would tell."""
    few = [reader(one, Reason.TOO_FEW_SITES) for one in ("m", "n")]
    said_of, _, _ = of_readers(*few)
    assert said_of == (
        "Tanks read by hand cannot be compared with tanks read by a logger: that takes three sites and three egg "
        "batches of each, and at most 1 site was read by a logger and 9 by hand. A logger beside the thermometer "
        "at a few sites more would tell."
    )
    assert of_readers(*few, sites=(4, 5))[0].endswith("at most 4 sites were read by a logger and 5 by hand.")
    alike = reader("o", Reason.NOT_CLEAR, estimate=0.2, low=-1.0, high=1.4, p_family=0.8)
    assert of_readers(*few, alike)[0] == (
        "For none of 1 models that could be compared do tanks read by hand differ clearly from tanks read by a "
        "logger. Of 2 more the records cannot tell."
    )


def test_a_site_off_in_two_stages_is_one_site() -> None:
    off = [
        reader(site, reason, level=f"coho {stage}", reference="m", estimate=3.0, low=2.0, high=4.0, p_family=0.01)
        for site, reason in (("S-1", Reason.CLEAR), ("S-2", Reason.NOT_CLEAR))
        for stage in ("hatch_half", "button_up")
    ]
    paragraphs = of_readers(reader("m", Reason.ONE_LEVEL), *off)
    assert paragraphs[-1].startswith(
        "At 1 of 2 sites with two tanks or more, for one stage or another, predictions"
    )


def test_pairs_told_apart_only_alone_are_counted_beside_those_that_are_claimed(tmp_path: Path) -> None:
    pair = {"level": "coho hatch_half", "estimate": 1.0, "low": 0.5, "high": 1.5, "unit": "days", "p_value": 0.01}
    claims = [
        Claim(ClaimKind.MODEL_BETTER, "m", Reason.CLEAR, reference="n", p_family=0.02, **pair),
        Claim(ClaimKind.MODEL_BETTER, "m", Reason.NOT_CLEAR, reference="o", p_family=0.07, **pair),
    ]
    rows = pd.DataFrame([{**PLACE, "model": "m", "against": other, "is_told_apart": True} for other in "no"])
    found = replace(results(comparisons=rows), claims=state(claims))
    text = said(write_development(found, tmp_path / "out", invented.uploads()).page)
    assert (
        "1 of 2 pairs that could be compared are told apart, after allowing for all pairs of a stage. 1 more "
        "would be, had they alone been compared."
    ) in text


def test_what_is_left_out_of_drawings_is_named_and_other_species_are_not(tmp_path: Path) -> None:
    """Four models of which three are drawn; no study of coho is among those left out whole."""
    found = results(
        disagreements=pd.DataFrame(), pairs=pd.DataFrame(columns=["species", "stage", "temp_c", "days"])
    )
    many = ("own_log_inverse", "ours", "theirs", "Crisp1981_coho")
    text = said(
        write_development(
            replace(found, shown={("coho", "hatch_half"): many}), tmp_path / "out", invented.uploads()
        ).page
    )
    assert "these are in the tables alone: theirs (coho, half hatched)." in text
    assert "Of the species and stages on record no model and values are at hand, published by" in text
    assert "Intervals of published models are as wide" not in text and "tlantic salmon" not in text


def test_stocks_that_differ_are_told_and_those_that_cannot_be_separated_are_named(tmp_path: Path) -> None:
    days = {"level": "coho hatch_half", "unit": "days"}
    size = {"estimate": 6.0, "low": 3.0, "high": 9.0, "p_family": 0.001, "comparisons": 2}
    found = [
        Claim(ClaimKind.STOCKS_DIFFER, "A", Reason.CLEAR, reference="B", section="where", **size, **days),
        Claim(ClaimKind.STOCKS_DIFFER, "A", Reason.NOT_CLEAR, reference="C", **days),
        Claim(ClaimKind.STOCKS_DIFFER, "A", Reason.CONFOUNDED, reference="D", section="where", **days),
    ]
    page = write_development(replace(results(), claims=state(found)), tmp_path, invented.uploads()).page
    assert (
        "Of 2 pairs of donor stocks, 1 differs clearly: by the same model and at the same temperatures the eggs of"
        " one come sooner. Of 1 pair more the records cannot tell."
    ) in said(page)
    assert (
        "Coho, half hatched: stock A comes sooner than stock B at the same temperatures, by 6.0 days (95 %"
        " interval 3.0 to 9.0): no one curve is right for both."
    ) in said(page)
    assert (
        "Stocks that cannot be separated (1) Coho, half hatched: stock A: the records cannot show whether it"
        " differs from stock D: goes together with something else and cannot be separated from it, a batch or a"
        " region."
    ) in said(page)
    none = write_development(replace(results(), claims=state(found[:0])), tmp_path / "none", invented.uploads())
    assert "Do donor stocks differ?" not in said(none.page)
