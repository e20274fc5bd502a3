"""Everything the annual review of one season shows, worked out elsewhere and gathered here; and the claims of its
page: which are stated where, and in which order."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from broodyear.claims import Claim, ClaimKind, Decision, Reason
from broodyear.errors import BroodyearError
from broodyear.figures.timeline import TankRecords
from broodyear.reports.numbers import MAIN_OUTCOME, NOTHING, known
from broodyear.reports.sentences import Statements, state
from broodyear.reports.tables import ReportTable, Traced, tables_of
from broodyear.settings import Settings
from broodyear.survival.running import Running

#: Verdicts that ask for attention, the most urgent first.
_URGENCY = {"below_expected": 0, "watch": 1}


@dataclass(frozen=True, kw_only=True)
class SeasonRecords:
    """Tables of one season's review that wait for no fit, each written to tables/<name>.csv.

    statements: claims of sites and tanks in words; key_figures: name, value, unit,
    meaning, for numbers of the page that stand in no other table;
    timelines: records of the tanks whose season is drawn, by tank; running: the season's last record and the tanks
    waited for, where it is taken to run still.
    """

    season: int
    settings: Settings
    statements: Statements
    setups: ReportTable
    sites: ReportTable
    site_seasons: ReportTable
    tank_practices: ReportTable
    stage_survival: ReportTable
    losses: ReportTable
    trend: ReportTable
    batches: ReportTable
    accounting: ReportTable
    not_reported: ReportTable
    taken_as_lost: ReportTable
    missing_regions: ReportTable
    too_many_dead: ReportTable
    large_losses: ReportTable
    mixed_batches: ReportTable
    exposure: ReportTable
    events: ReportTable
    uploads: ReportTable
    findings: ReportTable
    kept_out: ReportTable
    moved: ReportTable
    clashing_rows: ReportTable
    detectable: ReportTable
    funnel: ReportTable
    screen: ReportTable
    key_figures: ReportTable
    trials: ReportTable
    timelines: Mapping[str, TankRecords] = field(default_factory=dict)
    running: Running | None = None

    @property
    def waiting(self) -> frozenset[str]:
        """Tanks that owe no word yet on what became of their fish."""
        return self.running.tanks if self.running else frozenset()

    def figure(self, name: str, kind: str) -> Traced | str:
        """A key figure in the words of `kind`; a dash when it is not known."""
        found = self.key_figures.rows(name=name)
        return self.key_figures.at(found[0], "value", kind) if found else NOTHING

    def bare(self, name: str) -> float:
        """A key figure as a number, for choosing; 0 when it is not known."""
        found = self.key_figures.rows(name=name)
        return float(self.key_figures.value(found[0], "value")) if found else 0.0

    def has_figure(self, name: str) -> bool:
        """Whether a key figure is known."""
        found = self.key_figures.rows(name=name)
        return bool(found) and known(self.key_figures.value(found[0], "value"))


@dataclass(frozen=True, kw_only=True)
class SeasonResults(SeasonRecords):
    """The records of a season with what the fits of all practices say. statements: every claim, in words; visits:
    whom to visit for them."""

    visits: ReportTable
    effects: ReportTable
    methods: ReportTable
    practices: ReportTable
    changes: ReportTable
    fits: ReportTable
    model_checks: ReportTable
    residuals: ReportTable
    influence: ReportTable
    inflation: ReportTable
    normality: ReportTable

    @property
    def tables(self) -> tuple[ReportTable, ...]:
        """Every table, the claims first."""
        return self.statements.table, *tables_of(self)


def attempt(work: Callable[[], Any]) -> Any:
    """What `work` gives, or the sentence with which it refused."""
    try:
        return work()
    except BroodyearError as error:
        return str(error)


def main_rows(setups: ReportTable) -> list[int]:
    """Rows that judge the whole stay, from delivery to release."""
    return setups.rows(outcome=MAIN_OUTCOME) if len(setups) else []


def visiting_order(setups: ReportTable) -> list[int]:
    """Rows of judged tanks, most urgent first."""

    def urgency(row: int) -> tuple[Any, ...]:
        fish = setups.value(row, "fish_below_expected")
        lost = -float(fish) if known(fish) else 0.0
        return _URGENCY.get(str(setups.value(row, "verdict")), 2), lost, str(setups.value(row, "tank_id"))

    judged = [row for row in main_rows(setups) if str(setups.value(row, "verdict")) != "too_few_records"]
    return sorted(judged, key=urgency)


def flagged_rows(setups: ReportTable) -> list[int]:
    """Rows of tanks below expected or to watch, most urgent first."""
    return [row for row in visiting_order(setups) if str(setups.value(row, "verdict")) in _URGENCY]


#: Reasons for which a tank is named on the page.
_NAMED = (Reason.CLEAR, Reason.COUNTED_AT_MOST, Reason.WATCH, Reason.AT_POOR_PLACE, Reason.AT_WATCHED_PLACE)
COMPARED = (ClaimKind.PRACTICE_DIFFERS, ClaimKind.TEMPERATURE_DIFFERS)


def stated(places: Iterable[Claim], tanks: Iterable[Claim], batches: Iterable[Claim] = ()) -> Statements:
    """The claims of sites, then of tanks, then of batches; the page states the named and the watched sites, the
    named tanks, and whatever else is claimed: tanks that did better, single stages, and batches."""
    return state(
        [
            *(_placed(claim, "action", claim.reason is Reason.WATCH) for claim in places),
            *(_placed(claim, "tanks", claim.reason in _NAMED) for claim in tanks),
            *(replace(claim, section="batches" if _says_something(claim) else "") for claim in batches),
        ]
    )


def _says_something(claim: Claim) -> bool:
    """Whether a batch is told apart; of two, that one is better says what is said of the other."""
    return claim.is_claimed and not (claim.reference and claim.estimate > 0.0)


def _placed(claim: Claim, section: str, is_named: bool) -> Claim:
    if claim.outcome == MAIN_OUTCOME and (is_named or claim.is_claimed):
        return replace(claim, section=section)
    return replace(claim, section="tanks") if claim.is_claimed else claim


def clear_besides(statements: Statements) -> list[int]:
    """Rows of what is claimed of tanks and sites beside the tanks and sites that are below over the whole stay."""
    kinds = ClaimKind.PLACE_BELOW, ClaimKind.TANK_BELOW, ClaimKind.TANK_ABOVE
    found = statements.rows(*kinds, decision=Decision.CLAIMED)
    below = statements.rows(*kinds[:2], outcome=MAIN_OUTCOME)
    return [row for row in found if row not in below]


def named_sites(statements: Statements) -> list[int]:
    """Rows of the sites that are below expected over their seasons."""
    return statements.rows(ClaimKind.PLACE_BELOW, outcome=MAIN_OUTCOME, decision=Decision.CLAIMED)


def poor_batches(statements: Statements) -> list[int]:
    """Rows of the batches that did worse than the typical ones: over the whole stay, or at hatch where that does
    not say so."""
    found = statements.rows(ClaimKind.BATCH_DIFFERS, decision=Decision.CLAIMED)
    worse = [row for row in found if statements.claim(row).estimate < 0.0]
    whole = [row for row in worse if statements.claim(row).outcome == MAIN_OUTCOME]
    named = statements.subjects(whole)
    return [*whole, *(row for row in worse if statements.claim(row).subject not in named)]


def watched_sites(statements: Statements) -> list[int]:
    """Rows of the sites that are low over their seasons without being clear among all."""
    return statements.rows(ClaimKind.PLACE_BELOW, outcome=MAIN_OUTCOME, reason=Reason.WATCH)


def sites_judged(statements: Statements) -> int:
    """How many sites were compared over their seasons."""
    return most_compared(statements, statements.rows(ClaimKind.PLACE_BELOW, outcome=MAIN_OUTCOME))


def most_compared(statements: Statements, rows: Iterable[int]) -> int:
    """How many were compared together, of the largest family among some claims."""
    return max((claim.comparisons for claim in statements.found(rows)), default=0)


def sites_of_several_seasons(statements: Statements) -> int:
    """How many sites have seasons enough to be judged, where there are too few such sites to judge any."""
    return len(statements.rows(ClaimKind.PLACE_BELOW, outcome=MAIN_OUTCOME, reason=Reason.TOO_FEW_SITES))


def named_tanks(statements: Statements) -> dict[str, int]:
    """Row of the claim of each tank that the page names, by tank."""
    found = statements.rows(ClaimKind.TANK_BELOW, outcome=MAIN_OUTCOME)
    return {statements.claim(row).subject: row for row in found if statements.claim(row).reason in _NAMED}


def unnamed_losses(large_losses: ReportTable, statements: Statements) -> list[int]:
    """Rows of the large losses of tanks that no claim names, most of the eggs lost first."""
    named = named_tanks(statements)
    rows = [row for row in range(len(large_losses)) if str(large_losses.value(row, "tank_id")) not in named]
    return sorted(rows, key=lambda row: -float(large_losses.value(row, "lost_pct")))


def comparisons(statements: Statements) -> tuple[int, list[int]]:
    """How many contrasts of practices and temperature were compared for the whole stay, and the rows claimed."""
    found = statements.rows(*COMPARED, outcome=MAIN_OUTCOME)
    return most_compared(statements, found), statements.parted(found)[0]


def worth_a_trial(statements: Statements) -> Claim | None:
    """The contrast of gravel practices that a split delivery would tell most about: the least unclear one, of none
    that is found the worse in any outcome."""
    claims = statements.found(statements.rows(ClaimKind.PRACTICE_DIFFERS, subject="gravel_practice"))
    worse = {claim.sides[0] for claim in claims if claim.is_claimed}
    open_ones = [
        claim
        for claim in claims
        if claim.outcome == MAIN_OUTCOME
        and claim.reason is Reason.NOT_CLEAR
        and not worse & {claim.level, claim.reference}
    ]
    return min(open_ones, key=lambda claim: claim.p_value, default=None)


def single_stages(statements: Statements) -> list[int]:
    """Rows of the sites that are below expected at a stage and not over the whole stay."""
    whole = statements.subjects(named_sites(statements))
    found = statements.rows(ClaimKind.PLACE_BELOW, decision=Decision.CLAIMED)
    return [row for row in found if statements.claim(row).subject not in whole]


def sites_beside_regions(statements: Statements) -> list[str]:
    """The sites that are low over their seasons, at a stage of them or on watch: those that may be low with their
    region."""
    return statements.subjects([*named_sites(statements), *single_stages(statements), *watched_sites(statements)])


def region_of(records: SeasonRecords, site: str) -> str:
    """The region of a site, blank where it is not among those judged."""
    rows = records.sites.rows(site_id=site)
    return str(records.sites.value(rows[0], "region")) if rows else ""
