"""The annual review: what it says first, that its numbers are its tables', and that poor input still reads."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import json
import re
from dataclasses import replace
from email import message_from_bytes
from email.policy import default
from pathlib import Path

import pandas as pd
import pytest
from tests.reports import invented
from tests.reports.contradictions import contradictions
from tests.reports.pages import Seen, cell, seen, written_rows

from broodyear.claims import CLAIM_COLUMNS, Claim, ClaimKind, Reason
from broodyear.outputs import RECORD
from broodyear.reports.folder import ReportResult
from broodyear.reports.season import account
from broodyear.reports.season.account import dead_by_stage, too_many_dead
from broodyear.reports.season.comparing import low_regions_stated
from broodyear.reports.season.page import write_season
from broodyear.reports.season.results import poor_batches, stated, worth_a_trial
from broodyear.reports.season.visits import VISIT_COLUMNS, visits_table
from broodyear.reports.sentences import Statements
from broodyear.reports.sites import file_names
from broodyear.reports.tables import declared_first, report_table
from broodyear.setups import tank_claims
from broodyear.store import Store
from broodyear.survival.running import Running

#: A page of 300 tanks may not be larger (bytes).
SIZE_BUDGET = 2_000_000


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> ReportResult:
    """A review of twelve tanks with site sheets."""
    folder = tmp_path_factory.mktemp("season")
    return write_season(
        invented.season_results(), folder, invented.uploads(), sites=True, command="broodyear report"
    )


@pytest.fixture(scope="module")
def page(review: ReportResult) -> Seen:
    """That review's page, parsed."""
    return seen(review.page)


def action_text(result: ReportResult) -> str:
    """Text of the first screen."""
    first = result.page.read_text(encoding="utf-8").split('<nav class="contents"')[0]
    found = Seen()
    found.feed(first.split("<main", 1)[1])
    return " ".join(found.text.replace("\u202f", " ").split())


def test_first_screen_says_sites_tanks_what_survives_what_was_reported_and_what_is_not_seen(
    review: ReportResult,
) -> None:
    said = action_text(review)
    parts = [
        "Sites. Over all their seasons, 1 of 1 sites that can be judged did worse than their eggs explain.",
        "Site S-00 did worse over its seasons than its eggs explain: 12 points below expected",
        "Tanks of season 2023/24. 1 of 11 tanks that can be judged did worse",
        "Whom to visit first",
        "26 compared (practices and temperature, survival from delivery to release); 1 is clear",
        "Gravel practice: gravel instead of bare: +6.1 points of survival",
        "What was counted. 1 680 live eggs came to 12 tanks; 1 540 hatched on record, in 12 tanks; 220 eggs and"
        " fish were counted dead, in 12 tanks. 1 260 fish were left alive, from 11 tanks; 1 250 were counted at"
        " release. Of all eggs, between 70 % (had all died in the tanks that did not report) and 84 % (had all"
        " lived there that were not counted dead) were left alive; of those in tanks that reported, 82 %."
        " Of what was sent in, 12 rows are still to be mended and in none of these counts: a site may have told"
        " what is missed here (broodyear mend lists them).",
        "What this screen cannot see.",
        "falls short by 22 points or more, and called below expected only from 31 points",
        "For the board, to copy",
    ]
    places = [said.find(part) for part in parts]
    assert -1 not in places and places == sorted(places), list(zip(parts, places, strict=True))
    assert "Most clearly" not in said


@pytest.mark.parametrize(("rows", "said"), [(0.0, ""), (1.0, "1 row is still to be mended and in none of")])
def test_rows_kept_out_are_said_beside_the_counts_that_lack_them(rows: float, said: str, tmp_path: Path) -> None:
    results = invented.season_results()
    figures = results.key_figures.frame.copy()
    figures.loc[figures["name"] == "rows_to_mend", "value"] = rows
    counted = replace(results, key_figures=report_table("key_figures", figures))
    text = action_text(write_season(counted, tmp_path, invented.uploads()))
    assert said in text and ("still to be mended" in text) == bool(said)


def test_more_released_than_left_alive_is_explained(tmp_path: Path) -> None:
    results = invented.season_results()
    figures = results.key_figures.frame.copy()
    figures.loc[figures["name"] == "released", "value"] = 1300.0
    counted = replace(results, key_figures=report_table("key_figures", figures))
    said = action_text(write_season(counted, tmp_path, invented.uploads()))
    assert (
        "1 260 fish were left alive, from 11 tanks; 1 300 were counted at release, more than that because no tank"
        " is taken to have kept more than its eggs, and fish moved in count where they came from. Of all eggs"
    ) in said


def of_tanks(*places: Claim) -> Statements:
    """The claims of these sites, and of the invented tanks."""
    return stated(places, tank_claims(invented.setups(12).frame))


def of_batch(
    name: str, points: float, outcome: str, without: str = "", reason: Reason = Reason.CLEAR, other: str = ""
) -> Claim:
    low, high = points - 6.0, points + 6.0
    return Claim(
        ClaimKind.BATCH_DIFFERS, name, reason, without, other, outcome, points, low, high, "points",
        p_family=0.001, comparisons=5,
    )  # fmt: skip


@pytest.mark.usefixtures("without_drawings")
def test_a_poor_batch_is_named_on_the_first_screen_and_for_the_board(tmp_path: Path) -> None:
    whole = "delivered_to_release"
    found = [
        of_batch("B-1", -22.0, whole), of_batch("B-1", -15.0, "hatch"), of_batch("B-2", 9.0, whole, "B-1"),
        of_batch("B-3", -12.0, "hatch", "B-1"), of_batch("B-4", 1.0, whole, "B-1", Reason.NOT_CLEAR),
    ]  # fmt: skip
    tanks = tank_claims(invented.setups(12).frame)
    results = invented.season_results(statements=stated((), tanks, found))
    assert [results.statements.claim(row).subject for row in poor_batches(results.statements)] == ["B-1", "B-3"]
    page = write_season(results, tmp_path, invented.uploads())
    said = action_text(page)
    assert (
        "Batches of eggs. 2 batches did worse than what else came of their species to the same regions, which"
        " speaks for the eggs or the journey and not for the tanks: these are judged against their own batch."
        " Ask the hatchery."
    ) in said
    assert (
        "Batch B-1 did worse than the other batches in the regions it went to: −22 points of"
        " survival, delivery to release (95 % interval −28 to −16); clear among the 5 batches compared."
    ) in said
    assert (
        "Batch B-3 did worse than the other batches (without B-1, which stands apart itself)"
        " in the regions it went to: −12 points of survival, eggs delivered to hatch" in said
    )
    assert "Batches B-1 and B-3 did worse than what else came of their species to the same regions, which" in said
    assert "Batch B-2 did better than" not in said and "Batch B-2 did better than" in seen(page.page).text
    pair = [of_batch("B-1", -22.0, whole, other="B-2"), of_batch("B-2", 22.0, whole, other="B-1")]
    two = write_season(
        invented.season_results(statements=stated((), tanks, pair)), tmp_path / "two", invented.uploads()
    )
    assert "One batch did worse than what else came of its species to the same regions" in action_text(two)
    assert "Batch B-1 did worse than batch B-2 in the regions it went to: −22" in action_text(two)
    assert "Batch B-2 did better" not in seen(two.page).text
    assert re.search(r"<li>\s*(<[^>]*>\s*)*</li>", two.page.read_text(encoding="utf-8")) is None
    none = invented.season_results(statements=stated((), tanks, found[2:3]))
    assert "Batches of eggs." not in action_text(write_season(none, tmp_path / "none", invented.uploads()))


@pytest.mark.parametrize("named", [True, False])
@pytest.mark.usefixtures("without_drawings")
def test_sites_on_watch_stand_on_the_first_screen_after_those_named(tmp_path: Path, named: bool) -> None:
    low = Claim(ClaimKind.PLACE_BELOW, "S-00", Reason.CLEAR, outcome="delivered_to_release", comparisons=20)
    watched = replace(low, subject="S-07", reason=Reason.WATCH, estimate=-9.0, unit="points", p_value=0.008)
    statements = of_tanks(*([low] if named else []), watched)
    result = write_season(invented.season_results(statements=statements), tmp_path, invented.uploads())
    said = action_text(result)
    lead = "1 of 20 sites that can be judged did worse" if named else "None of the 20 sites that can be judged"
    assert lead in said and "than their eggs explain; 1 is worth watching." in said
    assert "Site S-07 is worth watching over its seasons" in said
    sentences = {row["subject"]: row["sentence"] for row in written_rows(tmp_path, "claims.csv")}
    assert sentences["S-07"].startswith("Site S-07 is worth watching")


@pytest.mark.usefixtures("without_drawings")
def test_the_board_is_told_what_struck_a_tank_and_not_all_that_is_on_record(tmp_path: Path) -> None:
    results = invented.season_results()
    rows = results.setups.frame.copy()
    first = rows["tank_id"] == "T-001"
    rows.loc[first, "circumstances"] = (
        "consistent with a hallway as room; pump stopped on 9 Mar, 60 dead found; cold"
    )
    rows.loc[first, "evidence"] = "room incident cover"
    struck = replace(results, setups=report_table("setups", rows))
    board = action_text(write_season(struck, tmp_path, invented.uploads())).split("to copy")[1]
    assert "who look after them: T-001 (consistent with pump stopped on 9 Mar, 60 dead found). Of 26" in board


def test_the_board_gets_five_sentences_from_the_same_claims(review: ReportResult) -> None:
    board = action_text(review).split("to copy")[1]
    sentences = [part for part in board.split(". ") if part.strip()]
    assert len(sentences) == 5, sentences
    assert "1 of 1 sites did worse than their eggs explain: S-00" in board
    assert "who look after them: T-001. Of 26" in board
    assert (
        "Of 26 comparisons of practices and temperature, 1 is clear; gravel practice: gravel instead of bare"
        in board
    )


@pytest.mark.usefixtures("without_drawings")
def test_when_nothing_is_clear_the_next_step_is_a_split_delivery(tmp_path: Path) -> None:
    unclear = Claim(
        ClaimKind.PRACTICE_DIFFERS, "gravel_practice", Reason.NOT_CLEAR, "gravel", "bare", "delivered_to_release",
        1.0, -3.0, 5.0, "points", 0.4, 0.9, 26, "practices",
    )  # fmt: skip
    nothing = report_table("changes", invented.changes().frame.assign(decision="not_claimed"))
    results = invented.season_results(statements=of_tanks().and_also([unclear]), changes=nothing)
    result = write_season(results, tmp_path, invented.uploads())
    said = action_text(result)
    assert "26 compared (practices and temperature, survival from delivery to release); none is clear." in said
    line = "broodyear trial --factor gravel_practice --levels gravel,bare --season 2024"
    assert line in said and "Most clearly" not in said
    assert "No change is clear enough to propose." in result.page.read_text(encoding="utf-8")


@pytest.mark.usefixtures("without_drawings")
def test_what_silent_tanks_could_do_stands_beside_a_claimed_difference(tmp_path: Path) -> None:
    result = write_season(invented.season_results(), tmp_path, invented.uploads())
    text = " ".join(seen(result.page).text.replace("\u202f", " ").split())
    assert (
        "Had every silent tank lost all its fish: +1.6 points, no longer clear; had they fared as the others with"
        " their practice: +6.1 points." in text
    )
    assert text.count("Had every silent tank") == 1
    unlike = "Methods disagree: by clustered (p = 0.130) this difference is not clear even by itself."
    assert text.count(unlike) == text.count("Methods disagree") == 1


def test_the_list_for_monday_puts_sites_before_tanks_before_silent_tanks(review: ReportResult) -> None:
    rows = written_rows(review.page.parent, "visits.csv")
    assert list(rows[0]) == list(VISIT_COLUMNS)
    assert [(row["order"], row["site_id"]) for row in rows] == [("1", "S-00"), ("2", "S-09"), ("3", "S-03")]
    assert rows[0]["tanks"] == "T-001; T-002"
    assert rows[0]["why"].startswith("Site S-00 did worse over its seasons")
    assert "Tank T-001 did worse than" in rows[0]["why"] and "Tank T-002 is worth watching" in rows[0]["why"]
    assert rows[0]["in_short"] == (
        "site 12 points short over its seasons; T-001: 43 points short (22 allowing for"
        " chance), clear; T-002: 22 points short (12 allowing for chance), on watch"
    )
    assert rows[0]["on_record"] == "consistent with 31 h above the warm limit"
    assert rows[0]["first_check"].startswith(
        "gravel practice: bare, found worse on this page by 6 points; then the thermometer against a second one"
    )
    assert rows[0]["caution"].startswith("Unplug before hands go into the tank")
    assert rows[1]["why"] == "Tank T-099 has no usable result: no exit; last record 1\u202fDec\u202f2023."
    assert rows[2]["why"].startswith(
        "Tank T-007: 200 dead counted and 77 left alive of 140 eggs delivered; one of these counts"
    )
    assert rows[2]["first_check"].startswith("how the dead are written down")
    assert rows[2]["caution"].startswith("Ask without blame")
    assert rows[1]["in_short"] == "T-099: no usable result, last record 1\u202fDec\u202f2023"


def first_look(
    evidence: str, losing_stage: str, *findings: Claim, practice: str = "gravel_practice", level: str = "bare"
) -> tuple[str, str]:
    """First check and caution for the tank below expected, whose practice is of this level, with this on
    record and these findings of practices."""
    statements = of_tanks().and_also(findings)
    practices = report_table(
        "tank_practices", pd.DataFrame([{"tank_id": "T-001", "practice": practice, "level": level}])
    )
    rows = invented.setups(3).frame
    rows.loc[rows["tank_id"] == "T-001", "evidence"] = evidence
    rows.loc[rows["site_id"] == "S-00", "losing_stage"] = losing_stage
    silent = invented.season_results().not_reported
    counts = invented.too_many_dead(), invented.large_losses()
    visits = visits_table(report_table("setups", rows), silent, *counts, statements, practices)
    silence = visits[visits["tanks"] == "T-099"].iloc[0]
    assert silence["caution"].startswith("Ask without blame")
    return tuple(visits[visits["tanks"].str.contains("T-001")].iloc[0][["first_check", "caution"]])


def of_practice(practice: str, level: str, reason: Reason) -> Claim:
    return Claim(ClaimKind.PRACTICE_DIFFERS, practice, reason, level, "gravel", "delivered_to_release", -10.2,
                 -15.0, -5.0, "points", 0.001, 0.01, 26, "practices")  # fmt: skip


def test_what_is_checked_first_is_not_said_twice() -> None:
    none = of_practice("insulated", "no", Reason.CLEAR)
    check, _ = first_look("insulation", "egg", none, practice="insulated", level="no")
    assert check == (
        "insulation: no, found worse on this page by 10 points; then the set-up together, beginning with the"
        " thermometer against a second one"
    )


def test_a_practice_found_worse_is_checked_first_and_one_found_idle_never() -> None:
    bare = of_practice("gravel_practice", "bare", Reason.CLEAR)
    insulation = of_practice("insulated", "no", Reason.NOT_CLEAR)
    check, _ = first_look("insulation gravel", "fry", bare, insulation)
    assert check == (
        "gravel practice: bare, found worse on this page by 10 points; then what lies on the bottom, and where the"
        " dead were found"
    )
    # Where a tenth died in the week of an incident, or most within days, that comes first.
    for sudden, asked in (
        ("incident", "what was done about the incident"),
        ("spell", "what happened on the days"),
    ):
        check, _ = first_look(f"{sudden} gravel", "fry", bare)
        assert check.startswith(asked)
        assert check.endswith("; then gravel practice: bare, found worse on this page by 10 points")
    assert first_look("insulation", "fry", insulation)[0].startswith("the set-up together")
    assert first_look("insulation", "fry")[0] == "the insulation"
    filled = of_practice("conditioning_band", "below 5 d", Reason.NOT_CLEAR)
    assert first_look("conditioning", "fry")[0].startswith("when the tank was filled")
    assert first_look("conditioning", "fry", filled)[0].startswith("the set-up together")
    other = of_practice("gravel_practice", "layered_stones", Reason.CLEAR)
    assert first_look("cover", "fry", other)[0] == "the light cover"


def test_a_named_site_stands_beside_the_finding_of_its_low_region(tmp_path: Path) -> None:
    low = Claim(ClaimKind.REGION_DIFFERS, "R-0", Reason.CLEAR, outcome="delivered_to_release", estimate=-15.8,
                low=-22.0, high=-9.0, unit="points", p_value=0.0001, p_family=0.0004, comparisons=4,
                section="action")  # fmt: skip
    results = invented.season_results()
    text = action_text(write_season(replace(results, statements=results.statements.and_also([low])), tmp_path,
                                    invented.uploads()))  # fmt: skip
    assert "Region R-0 differs from the others with the same batches of eggs: −16 points" in text
    assert "S-00 may be low with the region and not by itself." in text
    assert "did worse than their eggs explain: S-00 (in R-0, which is low as a whole)" in text


def test_a_site_of_a_region_that_is_low_at_hatch_stands_beside_that_finding(tmp_path: Path) -> None:
    """S-01 is low at hatch alone, in the region that is."""
    low = Claim(ClaimKind.REGION_DIFFERS, "R-0", Reason.CLEAR, outcome="hatch", estimate=-11.8, low=-16.0,
                high=-7.0, unit="points", p_value=0.0001, p_family=0.0004, comparisons=4,
                section="action")  # fmt: skip
    results = invented.season_results()
    named = next(one for one in results.statements.claims if one.kind is ClaimKind.PLACE_BELOW)
    at_hatch = replace(named, subject="S-01", outcome="hatch", section="tanks")
    both = pd.concat([results.sites.frame, results.sites.frame.assign(site_id="S-01", outcome="hatch")])
    shown = replace(results, sites=report_table("sites", both),
                    statements=results.statements.and_also([at_hatch, low]))  # fmt: skip
    text = action_text(write_season(shown, tmp_path, invented.uploads()))
    assert "batches of eggs: −12 points of survival, eggs delivered to hatch (95 % interval −16 to −7)" in text
    assert "S-00, S-01 may be low with the region and not by themselves." in text
    assert "S-00 (in R-0, which is low as a whole at hatch)" in text
    assert "at a single stage of it S-01 (in R-0, which is low as a whole at hatch) did" in text


def test_a_low_region_is_stated_where_a_site_of_it_stands_beside_it_and_nowhere_else() -> None:
    results = invented.season_results()
    low = Claim(ClaimKind.REGION_DIFFERS, "R-0", Reason.CLEAR, outcome="hatch", estimate=-11.8, unit="points")
    away = replace(low, subject="R-9")
    assert [(one.subject, one.section) for one in low_regions_stated(results, [low, away])] == [
        ("R-0", "action"), ("R-9", ""),
    ]  # fmt: skip


def test_no_trial_is_proposed_of_a_practice_that_is_found_worse() -> None:
    bare = of_practice("gravel_practice", "bare", Reason.CLEAR)
    stones = [of_practice("gravel_practice", level, Reason.NOT_CLEAR) for level in ("layered_stones", "stones")]
    again = replace(stones[0], level="layered_stones", reference="bare", p_value=0.0001)
    at_hatch = replace(bare, outcome="hatch")
    for clear in (bare, at_hatch):
        found = worth_a_trial(of_tanks().and_also([clear, again, stones[1]]))
        assert found is not None and (found.level, found.reference) == ("stones", "gravel")
    assert worth_a_trial(of_tanks().and_also([bare, again])) is None


def test_warmth_and_a_week_of_deaths_are_asked_about_before_room_and_gravel() -> None:
    check, caution = first_look("warm_read spell room gravel", "fry")
    assert check.startswith("the thermometer") and caution.startswith("Unplug")
    check, caution = first_look("spell room gravel", "unaccounted")
    assert check.startswith("what happened on the days when most died") and caution.startswith("Unusual deaths")


def test_more_dead_than_eggs_is_named_beside_the_verdicts(review: ReportResult) -> None:
    text = " ".join(seen(review.page).text.replace("\u202f", " ").split())
    assert "Tanks taken as lost: all eggs counted dead" in text and "T-098" in text
    assert (
        "Counts that cannot be. Tank T-007: 200 dead counted and 77 left alive of 140 eggs delivered. Its verdict"
        in text
    )
    counts = pd.DataFrame(
        {"tank_id": [*"ABCDEF"], "site_id": "S", "region": "R", "eggs": [100, 100, None, 100, 100, 100],
         "dead_total": [111, 110, 10, None, 30, 30], "left_alive": [None, None, 3, 3, 81, 80],
         "release_contradicted": False}
    )  # fmt: skip
    assert too_many_dead(counts)["tank_id"].tolist() == ["A", "E"]
    # Where those that left are alone more than came, nobody need have counted the dead.
    alone = counts.assign(release_contradicted=[False, False, False, True, False, False])
    assert too_many_dead(alone)["tank_id"].tolist() == ["A", "D", "E"]


def test_the_dead_of_tanks_without_a_delivery_are_told_apart() -> None:
    tanks = pd.DataFrame(
        {"delivered": [True, True, False], "dead_egg": [5, None, 7], "dead_alevin": [1, 0, 2],
         "dead_fry": [0, 3, 0], "late_picks": [0, 0, 0], "unaccounted": [2, None, None], "dead_total": [6, 3, 9]}
    )  # fmt: skip
    found = dead_by_stage(tanks).set_index("stage")
    assert found["fish"].to_dict() == {
        "egg": 5.0, "alevin": 1.0, "fry": 3.0, "late": 0.0, "unaccounted": 2.0, "no_delivery": 9.0,
    }  # fmt: skip
    assert found["tanks"].to_dict() == {
        "egg": 1, "alevin": 2, "fry": 2, "late": 2, "unaccounted": 1, "no_delivery": 1,
    }  # fmt: skip
    assert "no_delivery" not in set(dead_by_stage(tanks[tanks["delivered"]])["stage"])


def test_the_caution_on_deaths_is_not_for_fish_that_nobody_counted_dead() -> None:
    check, caution = first_look("unaccounted gravel", "unaccounted")
    assert check.startswith("how fish were counted when they left") and caution.startswith("Unplug before hands")
    assert first_look("gravel", "unaccounted")[1].startswith("Unplug before hands")
    assert first_look("gravel", "alevin")[1].startswith("Unusual deaths")


@pytest.mark.usefixtures("without_drawings")
def test_all_that_is_claimed_of_tanks_and_sites_has_its_sentence_on_the_page(tmp_path: Path) -> None:
    """Also single stages, and tanks that did better."""
    rows = invented.setups(12).frame
    rows.loc[rows["tank_id"] == "T-005", "verdict"] = "above_expected"
    place = Claim(ClaimKind.PLACE_BELOW, "S-05", Reason.CLEAR, outcome="hatch", comparisons=20)
    results = invented.season_results(statements=stated([place], tank_claims(rows)))
    result = write_season(results, tmp_path, invented.uploads())
    text = " ".join(seen(result.page).text.split())
    claims = [row for row in written_rows(tmp_path, "claims.csv") if row["decision"] == "claimed"]
    assert len(claims) == 7  # a site's hatch; of T-001 and of T-005 both stages and the whole stay
    assert [row for row in claims if not row["sentence"] or " ".join(row["sentence"].split()) not in text] == []
    assert "Tank T-005 did better, hatch to release, than its eggs explain" in text


@pytest.mark.parametrize(
    ("several", "lead", "board"),
    [
        (
            7,
            "eight sites or more, and 7 have two or more.",
            "Too few sites have two seasons or more (7) to judge any",
        ),
        (0, "two seasons at eight sites or more.", "No site has a second season on record yet"),
    ],
)
@pytest.mark.usefixtures("without_drawings")
def test_why_no_site_is_judged_is_what_its_claims_say(tmp_path: Path, several: int, lead: str, board: str) -> None:
    reasons = [Reason.TOO_FEW_SITES] * several + [Reason.TOO_FEW_SEASONS]
    places = [
        Claim(ClaimKind.PLACE_BELOW, f"S-{place}", reason, outcome="delivered_to_release")
        for place, reason in enumerate(reasons)
    ]
    results = invented.season_results(statements=of_tanks(*places))
    said = action_text(write_season(results, tmp_path, invented.uploads()))
    assert lead in said and board in said and "long enough" not in said


def test_stages_seen_on_one_day_stand_in_the_order_of_life(monkeypatch: pytest.MonkeyPatch) -> None:
    day = pd.Timestamp("2024-01-09")
    frames = {
        "staged_stages": pd.DataFrame({"tank_id": "T-1", "stage": ["hatch_all", "hatch_first", "hatch_half"],
                                       "first_seen_on": day}),
        "staged_incidents": pd.DataFrame({"tank_id": "T-1", "kind": ["power_cut", "chiller_stopped"],
                                          "started_at": day}),
        "staged_deliveries": pd.DataFrame({"tank_id": "T-1", "delivered_on": [day], "eggs_live": 99,
                                           "batch_id": "B-1"}),
        "staged_exits": pd.DataFrame({"tank_id": [], "fate": [], "fish": [], "exited_on": []}),
    }  # fmt: skip
    monkeypatch.setattr(account, "_records", lambda _store, name, _season: frames[name])
    tanks = pd.DataFrame({"tank_id": ["T-1"], "closed_on": [pd.NaT]})
    assert account.events(Store.__new__(Store), tanks, 2023)["event"].tolist() == [
        "eggs delivered", "first hatch seen", "half hatched first seen", "all hatched first seen",
        "chiller stopped", "power cut",
    ]  # fmt: skip


@pytest.mark.usefixtures("without_drawings")
def test_the_board_hears_where_fish_are_missing_rather_than_dead(tmp_path: Path) -> None:
    rows = invented.setups(12).frame
    rows.loc[rows["tank_id"] == "T-001", "losing_stage"] = "unaccounted"
    results = invented.season_results(setups=report_table("setups", rows))
    said = action_text(write_season(results, tmp_path, invented.uploads()))
    assert (
        "1 did worse than ordinary tanks do (in 1 of them the fish that are missing were not counted dead" in said
    )


def words_of(result: ReportResult) -> str:
    """The page's text in one line, with plain spaces."""
    return " ".join(seen(result.page).text.replace("\u202f", " ").split())


@pytest.mark.usefixtures("without_drawings")
def test_where_no_tank_has_a_mean_the_reason_stands_once_and_the_readings_are_not_denied(tmp_path: Path) -> None:
    frame = invented.exposure(12).frame.assign(usable=False, days=0, days_observed=0, note="units not known")
    results = invented.season_results(exposure=report_table("exposure", frame))
    text = words_of(write_season(results, tmp_path, invented.uploads()))
    assert "Of no tank are these days known, whatever was read; 0 of 12 tanks have a mean." in text
    assert "Without a mean: units not known: all 12 tanks." in text


@pytest.mark.usefixtures("without_drawings")
def test_tanks_without_a_mean_and_sites_of_one_season_are_named_once_and_not_row_by_row(tmp_path: Path) -> None:
    young = {"site_id": "S-01", "region": "R-1", "outcome": "delivered_to_release", "seasons": 1,
             "reason": "too_few_seasons", "verdict": "too_few_seasons", "note": "one season"}  # fmt: skip
    frame = pd.concat([invented.sites().frame, pd.DataFrame([young])], ignore_index=True)
    results = invented.season_results(sites=report_table("sites", frame))
    result = write_season(results, tmp_path, invented.uploads())
    text, shown = words_of(result), seen(result.page).rows
    assert f"Without a mean: too few days read: {invented.tank_codes(12)[2]}." in text
    assert "On record for one season only, which cannot tell a site from a year: S-01." in text
    assert "The shortfall returned at S-00 (low in 2 of 3 seasons)." in text
    assert "exposure.csv#row=3" in shown and "exposure.csv#row=4" not in shown
    assert "sites.csv#row=2" in shown and "sites.csv#row=3" not in shown


def test_methods_are_shown_of_what_is_clear_and_where_they_differ(review: ReportResult) -> None:
    text = words_of(review)
    assert (
        "2 of 3 differences lie by every method within the interval given above; not so room: hallway v." in text
    )
    table = text.split("Table: What is clear, and where methods differ")[1].split("Table: methods.csv")[0]
    assert "gravel practice" in table and "hallway" in table and "mean water temperature" not in table


def test_what_is_compared_and_what_is_recorded_and_not_is_said_in_a_line(review: ReportResult) -> None:
    text = words_of(review)
    assert (
        "Compared: gravel practice, room and mean water temperature. On record but not compared: crushed" in text
    )
    assert "to do without disinfection is never proposed" in text


@pytest.mark.usefixtures("without_drawings")
def test_what_is_clear_at_a_single_stage_is_said_with_its_size(tmp_path: Path) -> None:
    at_hatch = {"outcome": "hatch", "factor": "room_type", "level": "hallway", "reference": "classroom",
                "method": "mixed", "difference_points": -3.2}  # fmt: skip
    effects = pd.concat([invented.effects().frame, pd.DataFrame([at_hatch])], ignore_index=True)
    claim = Claim(ClaimKind.PRACTICE_DIFFERS, "room_type", Reason.CLEAR, "hallway", "classroom", "hatch", -3.2,
                  -5.0, -1.0, "points", 0.001, 0.01, 26, "practices")  # fmt: skip
    results = invented.season_results(effects=report_table("effects", effects))
    results = replace(results, statements=results.statements.and_also([claim]))
    text = words_of(write_season(results, tmp_path, invented.uploads()))
    label = "room: hallway instead of classroom"
    assert f"Clear at a single stage as well: {label} (eggs delivered to hatch, −3.2 points)." in text


def test_claims_csv_holds_the_pages_sentences_and_nothing_it_does_not_say(review: ReportResult) -> None:
    text = " ".join(seen(review.page).text.split())
    rows = written_rows(review.page.parent, "claims.csv")
    assert tuple(rows[0]) == CLAIM_COLUMNS
    stated = [row["sentence"] for row in rows if row["sentence"] and row["decision"] == "claimed"]
    assert len(stated) >= 4
    assert [sentence for sentence in stated if " ".join(sentence.split()) not in text] == []


def test_claims_that_contradict_each_other_are_found_and_the_page_makes_none() -> None:
    results = invented.season_results()
    setups = results.setups.frame
    site_of = dict(zip(setups["tank_id"], setups["site_id"], strict=True))
    claims = results.statements.claims
    assert list(contradictions(claims, site_of)) == []
    better = next(claim for claim in claims if claim.kind is ClaimKind.PRACTICE_DIFFERS and claim.is_claimed)
    tank = next(claim for claim in claims if claim.kind is ClaimKind.TANK_BELOW and claim.is_claimed)
    change = replace(better, kind=ClaimKind.CHANGE, subject="filter_kind")
    for wrong in (
        replace(better, reason=Reason.NOT_CLEAR),
        replace(better, level=better.reference, reference=better.level),
        change,
        replace(tank, kind=ClaimKind.TANK_ABOVE),
        replace(tank, subject="T-009", reason=Reason.AT_POOR_PLACE),
        replace(tank, subject="T-009", reason=Reason.AT_WATCHED_PLACE),
        replace(better, subject="new", low=better.estimate + 1.0, high=better.estimate + 2.0),
        replace(better, subject="new", p_family=0.06),
        Claim(ClaimKind.REGIONS_DIFFER, "region", Reason.CLEAR, outcome="hatch"),
    ):
        assert list(contradictions([*claims, wrong], site_of)), wrong


def test_a_tank_at_a_named_site_carries_its_verdict(review: ReportResult) -> None:
    """A tank that is called as expected at a named site has the site's verdict beside it, in table and file."""
    folder = review.page.parent
    named = {
        (row["subject"], row["outcome"])
        for row in written_rows(folder, "claims.csv")
        if row["claim"] == "place_below" and row["decision"] == "claimed"
    }
    subjects = [(row["claim"], row["subject"], row["level"], row["reference"], row["outcome"])
                for row in written_rows(folder, "claims.csv")]  # fmt: skip
    assert len(subjects) == len(set(subjects))
    for row in written_rows(folder, "setups.csv"):
        if (row["site_id"], row["outcome"]) in named:
            assert row["place_verdict"] == "below_expected"


def test_every_number_equals_the_cell_it_names(review: ReportResult, page: Seen) -> None:
    folder = review.page.parent
    assert len(page.numbers) > 40
    for number in page.numbers:
        assert cell(folder, number["data-from"], number["data-column"]) == number["value"], number
        shown = number["text"].replace("\u202f", "").replace("\u2212", "-")
        if number["value"].replace(".", "").lstrip("-").isdigit() and shown[:1] in "+-0123456789":
            digits = float("".join(char for char in shown.split(" ")[0] if char in "-.0123456789"))
            assert digits == pytest.approx(float(number["value"]), abs=0.51), number


def test_every_table_row_names_a_row_that_exists(review: ReportResult, page: Seen) -> None:
    folder = review.page.parent
    assert len(page.rows) > 30
    for source in page.rows:
        name, _, row = source.partition("#row=")
        assert 2 <= int(row) <= len(written_rows(folder, name)) + 1


@pytest.mark.parametrize("name", ["effects", "setups", "practices"])
def test_contract_tables_begin_with_their_columns(review: ReportResult, name: str) -> None:
    columns = declared_first(name)
    header = (review.page.parent / "tables" / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0]
    assert header.split(",")[: len(columns)] == columns


@pytest.mark.parametrize("name", ["stage_survival", "batches", "accounting", "exposure", "sites", "methods"])
def test_the_other_tables_are_there(review: ReportResult, name: str) -> None:
    assert (review.page.parent / "tables" / f"{name}.csv").exists()


def test_nothing_is_fetched_and_every_link_leads_somewhere(review: ReportResult, page: Seen) -> None:
    for address in page.addresses:
        assert address.startswith(("#", "tables/", "figures/", "data:,")) or address == "manifest.json", address
        if address.startswith("#") and len(address) > 1:
            assert address[1:] in page.ids
        elif not address.startswith(("#", "data:")):
            assert (review.page.parent / address).exists()
    assert "default-src 'none'" in review.page.read_text(encoding="utf-8")


def test_headings_go_down_one_step_at_a_time(page: Seen) -> None:
    assert page.headings[0] == 1 and page.headings.count(1) == 1
    assert all(after - before <= 1 for before, after in zip(page.headings, page.headings[1:], strict=False))


def test_every_figure_says_what_it_shows_and_links_its_table(review: ReportResult) -> None:
    parts = review.page.read_text(encoding="utf-8").split("<figure>")[1:]
    assert len(parts) == len(review.figures) >= 7
    for part in parts:
        figure = part.split("</figure>")[0]
        alt = figure.split('aria-label="')[1].split('"')[0]
        assert len(alt) > 60 and alt not in figure.split("<figcaption>")[1]
        assert 'href="tables/' in figure and 'href="figures/' in figure
    told = review.page.read_text(encoding="utf-8").replace("\u202f", " ")
    assert "1 below expected, 1 to watch, of 11 judged." in told
    assert "Clear after allowing for all: gravel practice gravel." in told
    assert "delivery to release 82 %" in told


def test_ids_are_unique_even_with_many_figures(page: Seen) -> None:
    assert len(page.ids) == len(set(page.ids))


def test_hostile_ids_stay_text_in_page_and_figures(review: ReportResult) -> None:
    text = review.page.read_text(encoding="utf-8")
    assert text.count("<script") == 1
    assert "alert(&#34;x&#34;)" in text
    for figure in review.figures:
        assert "<script" not in figure.read_text(encoding="utf-8")


def test_same_results_same_bytes(review: ReportResult, tmp_path: Path) -> None:
    write_season(invented.season_results(), tmp_path, invented.uploads(), sites=True, command="broodyear report")
    first = sorted(
        path.relative_to(review.page.parent) for path in review.page.parent.rglob("*") if path.is_file()
    )
    again = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file())
    assert first == again
    assert all((review.page.parent / name).read_bytes() == (tmp_path / name).read_bytes() for name in first)


def test_manifest_names_bytes_rows_settings_and_no_clock(review: ReportResult) -> None:
    folder = review.page.parent
    manifest = json.loads(review.manifest.read_text(encoding="utf-8"))
    for name, digest in manifest["outputs"].items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
    assert {*manifest["outputs"], "manifest.json", RECORD} == {
        path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()
    }
    assert manifest["rows"]["setups"] == 36 == len(written_rows(folder, "setups.csv"))
    assert manifest["generated_from"][0]["file"] == "losses_north.csv"
    assert manifest["settings"]["warm_limit_c"] == 13.0 and manifest["settings"]["same"] == []
    assert manifest["command"] == "broodyear report"
    text = review.manifest.read_text(encoding="utf-8")
    assert "/home/" not in text and "loaded_at" not in text and "2024-07-01" not in text


@pytest.mark.parametrize("tanks", [1, 2, 5])
def test_few_tanks_still_make_a_page(tanks: int, tmp_path: Path) -> None:
    result = write_season(invented.season_results(tanks), tmp_path, invented.uploads(), sites=True)
    assert "What needs action" in action_text(result)


def test_three_hundred_tanks_stay_within_the_budget(tmp_path: Path) -> None:
    results = invented.season_results(300)
    records = results.timelines["T-001"]
    timelines = dict.fromkeys(invented.tank_codes(300)[:8], records)
    result = write_season(replace(results, timelines=timelines), tmp_path, invented.uploads())
    assert result.page.stat().st_size <= SIZE_BUDGET


def test_a_refusal_stands_where_its_table_would_be(tmp_path: Path) -> None:
    why = "only one batch has usable tanks, so nothing can be compared"
    refused = {name: report_table(name, why) for name in ("setups", "effects", "practices", "changes")}
    results = invented.season_results(**refused, timelines={})
    result = write_season(results, tmp_path, invented.uploads(), sites=True)
    assert result.refusals == (why,) * 4
    text = result.page.read_text(encoding="utf-8")
    assert text.count("Only one batch has usable tanks, so nothing can be compared.") >= 5
    assert written_rows(tmp_path, "setups.csv") == []


def test_a_season_without_flags_says_so_and_is_no_acquittal(tmp_path: Path) -> None:
    judged = invented.setups(12)
    calm = report_table("setups", judged.frame.assign(verdict="as_expected"))
    result = write_season(invented.season_results(setups=calm, timelines={}), tmp_path, invented.uploads())
    said = action_text(result)
    assert "A tank without a flag is not thereby shown to be well." in said
    assert "No tank is flagged this season." in result.page.read_text(encoding="utf-8")


def test_site_sheets_compare_nobody(review: ReportResult) -> None:
    assert len(review.sheets) == 6
    text = " ".join(seen(sheet).text for sheet in review.sheets)
    for word in ("worst", "rank", "other sites", "failed", "poor"):
        assert word not in text.lower()
    first = seen(review.sheets[0]).text.replace("\u202f", " ")
    assert "Of 120 live eggs that arrived, 49 fish were left alive" in first
    assert "2 Jan 2024: chiller stopped" in first
    assert "Gravel practice: gravel instead of bare is worth considering. Over all tanks of the programme" in first
    assert "fish more a season" not in text


@pytest.mark.usefixtures("without_drawings")
def test_a_tank_moved_in_mid_season_is_told_on_the_page_and_at_both_sites(tmp_path: Path) -> None:
    moved = {
        "tank_id": "T-001", "site_id": "S-00", "from_site_id": "S-77", "moved_on": dt.date(2024, 1, 9),
        "replaced": "site S-77", "replaced_place": "first.csv, line 2", "stands": "site S-00",
        "stands_place": "again.csv, line 3",
    }  # fmt: skip
    by_incident = {**dict.fromkeys(moved), "tank_id": "T-002", "site_id": "S-00", "moved_on": dt.date(2024, 2, 1),
                   "stands": "site S-00, room office", "stands_place": "first.csv, line 4"}  # fmt: skip
    table = report_table("moved_tanks", pd.DataFrame([moved, by_incident]))
    results = invented.season_results(moved=table, timelines={})
    result = write_season(results, tmp_path, invented.uploads(), sites=True)
    said = seen(result.page).text.replace("\u202f", " ")
    assert (
        "Tank T-001, moved on 9 Jan 2024: taken as site S-00 (again.csv, line 3); before that, site S-77 "
        "(first.csv, line 2)." in said
    )
    assert "Tank T-002, moved on 1 Feb 2024: taken as site S-00, room office (first.csv, line 4)." in said
    assert [sheet.stem for sheet in result.sheets] == [*(f"S-{place:02d}" for place in range(6)), "S-77"]
    here = seen(result.sheets[0]).text.replace("\u202f", " ")
    asked = "Please tell us whether it was moved, when, and where it stood longest."
    assert (
        "An earlier set-up of the season says of this tank site S-77; a later one, site S-00. It was moved on 9 "
        f"Jan 2024. What is said here takes it as site S-00 for the whole season. {asked}" in here
    )
    assert (
        "This tank was moved on 1 Feb 2024. What is said here takes it as site S-00, room office for the whole "
        f"season. {asked}" in here
    )
    before = seen(result.sheets[-1]).text
    assert (
        "Tank T-001 stood here by an earlier set-up and at S-00 by a later one, so its whole season is told on "
        "the sheet of S-00. Please tell us whether and when it was moved." in before
    )


@pytest.mark.usefixtures("without_drawings")
def test_rows_behind_others_under_joined_labels_are_told(tmp_path: Path) -> None:
    one = {
        "table_name": "losses", "row_key": "T-07, 2025-12-01, egg", "differs": "dead 3, read as 5",
        "path": "north.csv", "line": 2, "standing_path": "late.csv", "standing_line": 9,
    }  # fmt: skip
    table = report_table("clashing_rows", pd.DataFrame([{**one, "line": line} for line in range(2, 9)]))
    result = write_season(invented.season_results(clashing_rows=table, timelines={}), tmp_path, invented.uploads())
    said = seen(result.page).text.replace("\u202f", " ")
    assert "put their sum into one row; the first of them, 2 more are in the table:" in said
    assert (
        "Losses of T-07, 2025-12-01, egg: dead 3, read as 5 (north.csv, line 2, behind late.csv, line 9)." in said
    )
    assert "line 7, behind" not in said
    assert len(pd.read_csv(result.page.parent / "tables" / "clashing_rows.csv")) == 7


@pytest.mark.usefixtures("without_drawings")
def test_a_site_sheet_never_asks_to_keep_what_it_asks_to_change(tmp_path: Path) -> None:
    rows = invented.setups(12).frame.assign(verdict="as_expected")
    did_well = rows["tank_id"].isin(["T-001", "T-002"])
    rows.loc[did_well, "observed_pct"] = rows.loc[did_well, "expected_pct"]
    results = invented.season_results(setups=report_table("setups", rows), timelines={})
    sheets = write_season(results, tmp_path, invented.uploads(), sites=True).sheets
    sheet = seen(sheets[0]).text
    kept = sheet.split("Keep")[1].split("Consider")[0]
    assert "Tank T-001: hallway." in kept and "bare" not in kept
    assert "Tank T-002: gravel, classroom." in kept
    main = rows[rows["outcome"] == "delivered_to_release"].set_index("tank_id")
    assert main["observed_pct"]["T-005"] < main["expected_pct"]["T-005"]
    assert "Tank T-005:" not in seen(sheets[2]).text


def test_sheets_are_ready_to_send(review: ReportResult) -> None:
    folder = review.page.parent / "sites"
    with (folder / "letters.csv").open(encoding="utf-8", newline="") as file:
        letters = list(csv.DictReader(file))
    assert [row["site_id"] for row in letters] == [f"S-{place:02d}" for place in range(6)]
    assert [row["file"] for row in letters] == [f"sites/S-{place:02d}.html" for place in range(6)]
    assert letters[0]["subject"] == "Site S-00, season 2023/24"
    text = letters[0]["text"].replace("\u202f", " ")
    assert "Of 120 live eggs that arrived, 49 fish were left alive at the end (41 %)." in text
    assert "Gravel practice: gravel instead of bare is worth considering" in text
    assert "Thank you for the days you looked after them" in text and "<" not in text
    miscounted = "The records have 200 dead counted and 77 left alive of 140 eggs delivered, so one of"
    assert [row["site_id"] for row in letters if miscounted in row["text"]] == ["S-03"]
    assert miscounted in seen(folder / "S-03.html").text
    draft = message_from_bytes((folder / "S-00.eml").read_bytes(), policy=default)
    assert draft["Subject"] == letters[0]["subject"] and draft["X-Unsent"] == "1"
    assert draft["To"] is None and draft["From"] is None and draft["Date"] is None
    assert draft.get_content().replace("\r\n", "\n") == letters[0]["text"]
    index = (folder / "index.html").read_text(encoding="utf-8")
    assert all(f'href="S-{place:02d}.html"' in index for place in range(6)) and 'href="letters.csv"' in index


@pytest.mark.usefixtures("without_drawings")
def test_a_letter_asks_for_no_count_that_was_sent_and_is_kept_out(tmp_path: Path) -> None:
    rows = invented.setups(12).frame
    rows.loc[rows["tank_id"] == "T-001", ["survivors", "observed_pct"]] = None
    row = {"tank_id": "T-001", "table_name": "exits", "file": "releases.csv", "line": 4, "columns": "count"}
    others = [
        {**row, "tank_id": "T-002", "table_name": "losses", "file": "dead.csv", "line": line}
        for line in range(2, 7)
    ]
    results = invented.season_results(
        setups=report_table("setups", rows), timelines={},
        kept_out=report_table("kept_out", pd.DataFrame([row, *others])),
    )  # fmt: skip
    result = write_season(results, tmp_path, invented.uploads(), sites=True)
    said = seen(result.sheets[0]).text
    assert (
        "How many fish left this tank you sent, and it could not be read: line 4 of releases.csv (count). Please "
        "tell us what should stand there." in said
    )
    assert "please send them" not in said
    assert (
        "You sent rows of this tank that could not be read and are in none of these counts: line 2 of dead.csv "
        "(count), line 3 of dead.csv (count), line 4 of dead.csv (count) and 2 more. Please tell us what should "
        "stand there." in said
    )
    nothing = replace(results, kept_out=report_table("kept_out", pd.DataFrame(columns=list(row))))
    asked = seen(write_season(nothing, tmp_path / "b", invented.uploads(), sites=True).sheets[0]).text
    assert "If you still have the counts, please send them" in asked and "could not be read" not in asked


@pytest.mark.usefixtures("without_drawings")
def test_a_sheet_names_the_change_of_a_practice_that_stands_in_no_set_up_column(tmp_path: Path) -> None:
    claim = Claim(ClaimKind.CHANGE, "light_cover", Reason.CLEAR, "yes", "no", "delivered_to_release", 40.0, 10.0,
                  70.0, "fish", 0.001, 0.01, 26, "changes")  # fmt: skip
    bare = pd.DataFrame({"tank_id": ["T-001"], "practice": ["light_cover"], "level": ["no"]})
    results = invented.season_results(
        statements=of_tanks().and_also([claim]), tank_practices=report_table("tank_practices", bare)
    )
    sheets = write_season(results, tmp_path, invented.uploads(), sites=True).sheets
    assert "Light cover: yes instead of no is worth considering" in seen(sheets[0]).text
    assert "is worth considering" not in seen(sheets[1]).text


@pytest.mark.usefixtures("without_drawings")
def test_a_sheet_leaves_out_what_was_compared_and_not_found_to_matter(tmp_path: Path) -> None:
    rows = invented.setups(12).frame
    both = rows["tank_id"] == "T-001"
    rows.loc[both, "circumstances"] = "consistent with 31 h above the warm limit; gravel practice: bare"
    rows.loc[both, "evidence"] = "warm gravel"
    said = []
    for place, reason in enumerate((Reason.TOO_FEW_TANKS, Reason.NOT_CLEAR)):
        compared = of_tanks().and_also([of_practice("gravel_practice", "bare", reason)])
        results = invented.season_results(setups=report_table("setups", rows), statements=compared)
        sheets = write_season(results, tmp_path / str(place), invented.uploads(), sites=True).sheets
        said.append(seen(sheets[0]).text.replace("\u202f", " "))
    assert "is consistent with 31 h above the warm limit; gravel practice: bare; it need not be" in said[0]
    assert "is consistent with 31 h above the warm limit; it need not be the reason" in said[1]


def test_files_of_sheets_are_named_by_site_whatever_it_is_called() -> None:
    names = file_names(["a/b", "a-b", "A-B", "../..", "index", "\u00e9", "x" * 90])
    assert names == ["a-b", "a-b-2", "A-B-3", "site", "index-2", "site-2", "x" * 60]


def test_a_season_that_runs_asks_nobody_what_became_of_the_fish(tmp_path: Path) -> None:
    figures = invented.key_figures(12).frame
    figures.loc[figures["name"] == "tanks_usable", "value"] = 0.0
    running = Running(2024, dt.date(2024, 1, 9), frozenset({"TK-0001", "TK-0002"}))
    results = invented.season_results(
        running=running, visits=report_table("visits", ""), key_figures=report_table("key_figures", figures)
    )
    said = action_text(write_season(results, tmp_path, invented.uploads()))
    assert "no fish has left a tank yet, and the last record is of 9 Jan 2024. If it is over, its tanks" in said
    assert (
        "which still runs (no fish has left a tank, last record 9 Jan 2024)" in said
        and "were left alive" not in said
    )
    assert "no tank stands out." in said


def test_what_is_counted_so_far_is_told_while_a_season_runs(tmp_path: Path) -> None:
    running = Running(2024, dt.date(2024, 4, 9), frozenset({"TK-0001"}))
    said = action_text(write_season(invented.season_results(running=running), tmp_path, invented.uploads()))
    assert (
        "The season is taken to be running still: 1 tank is waited for, and the last record is of 9 Apr 2024."
        " If it is over, these tanks have fallen silent and may have lost their fish."
        " So far 1\u202f260 fish were left alive, from 11 tanks, 82\u202f% of their eggs."
    ).replace("\u202f", " ") in said
    assert (
        "which still runs (1 tank waited for, last record 9 Apr 2024), 12 tanks received" in said
        and "and so far 1 260 were left alive (11 tanks), 82 % of the eggs there." in said
    )


def test_a_share_above_what_all_can_have_been_is_said_to_be(tmp_path: Path) -> None:
    figures = invented.key_figures(12).frame
    figures.loc[figures["name"] == "bound_high_pct", "value"] = 81.0
    results = invented.season_results(key_figures=report_table("key_figures", figures))
    said = action_text(write_season(results, tmp_path, invented.uploads()))
    assert "82 %, which is more than all can have been: the tanks that did not report counted more" in said
    assert "82 % of those in tanks that reported, because the others counted more of theirs dead" in said


def test_a_region_that_sent_nothing_is_named_under_what_was_counted(tmp_path: Path) -> None:
    row = {"season": 2023, "region": "R-1", "missing": "counts_and_temperatures", "sites": 4, "tanks": 5,
           "is_everywhere": False}  # fmt: skip
    table = report_table("missing_regions", pd.DataFrame([row]))
    result = write_season(invented.season_results(missing_regions=table), tmp_path, invented.uploads())
    text = action_text(result)
    said = (
        "Missing from a whole region. So far there is no count of the dead or of fish that left, and no"
        " temperature, from any site of R-1 in 2023/24 (4 sites with eggs): were files left out?"
    )
    assert text.index("What was counted.") < text.index(said)
    assert [line["region"] for line in written_rows(tmp_path, "missing_regions.csv")] == ["R-1"]
