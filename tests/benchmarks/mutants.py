"""Lines that decide a claim, each with a change that makes it decide wrongly, and the tests that must see it.

A mutant is a module, what stands there once, and what is put in its place: another sign, another threshold, a
condition that is gone. The tests of an area stand in the order in which they are quick.
"""

from __future__ import annotations

from typing import NamedTuple


class Mutant(NamedTuple):
    """module: below analysis/broodyear; before: stands there exactly once; tests: below tests."""

    module: str
    before: str
    after: str
    tests: tuple[str, ...]


CLAIMS = ("test_claims.py",)
FAMILY = ("survival/test_multiplicity.py", "survival/practices/test_deciding.py")
PRACTICES = (
    "survival/practices/test_coding.py",
    "survival/practices/test_deciding.py",
    "survival/practices/test_effects.py",
    "setups/test_practices.py",
)
SPREADS = ("survival/test_small_sample.py",)
SITES = ("setups/test_site_verdicts.py",)
SCREEN = ("setups/test_site_verdicts.py", "setups/test_screen.py", "setups/test_sites.py", "setups/test_traps.py")
CHANGES = ("setups/test_practices.py",)
REGIONS = ("regions/test_compare.py", "regions/test_connectivity.py")
SCORES = ("development/test_model_claims.py", "development/test_scoring.py")
TRIALS = ("trials/test_randomisation.py", "trials/test_analysis.py")

_CHANGES: tuple[tuple[str, tuple[str, ...], tuple[tuple[str, str], ...]], ...] = (
    ("claims.py", CLAIMS, (
        ("if p_family > CLAIMED_AT", "if p_family >= CLAIMED_AT"),
        ("ONE_AT = 0.05, 0.10", "ONE_AT = 0.10, 0.10"),
        ("ONE_AT = 0.05, 0.10", "ONE_AT = 0.05, 0.50"),
        ("p_without_one > CLAIMED", "p_without_one < CLAIMED"),
        ('"hangs_on_one_tank", _NO', '"hangs_on_one_tank", _YES'),
        ("low > 0.0 or high < 0.0", "low >= 0.0 or high < 0.0"),
        ("low > 0.0 or high < 0.0", "low > 0.0 and high < 0.0"),
        ("if math.isnan(p_family):", "if False:"),
        ("self.decision is Decision.CLAIMED", "self.decision is not Decision.CANNOT_TELL"),
        ('"depends_on_silent",\n        _NO', '"depends_on_silent",\n        _YES'),
        ('"watch", _NO', '"watch", _YES'),
        ('"never_share_batch", _UNKNOWN', '"never_share_batch", _NO'),
    )),
    ("statistics/multiplicity.py", FAMILY, (
        ("most = np.minimum(len(present) * given[present], 1.0)", "most = given[present]"),
        (".max(axis=0)", ".min(axis=0)"),
        ("beyond < FEWEST_BEYOND", "beyond > FEWEST_BEYOND"),
        ("size - np.clip(", "size + np.clip("),
        ("LIMIT = 0.786", "LIMIT = 7.86"),
        ("np.maximum.accumulate(left * ascending)", "np.maximum.accumulate(ascending)"),
        ("count / np.arange(1, count + 1)", "count / np.arange(count, 0, -1)"),
        ("np.minimum(families * given, 1.0)", "np.minimum(given, 1.0)"),
        ("np.maximum(given, np.where(", "np.minimum(given, np.where("),
        ("np.isnan(gates), 1.0, gates", "np.isnan(gates), 0.0, gates"),
        ("asked = np.isfinite(given).sum(axis=0)", "asked = 1.0"),
        ("np.maximum(given, np.fmin", "np.minimum(given, np.fmin"),
        ("np.fmin.reduce(in_order, axis=0)", "np.fmax.reduce(in_order, axis=0)"),
    )),
    ("survival/practices/findings.py", PRACTICES, (
        ("if first is not Reason.CLEAR:", "if first is Reason.CLEAR:"),
        ("    if disagrees:", "    if False:"),
        ("return Reason.DEPENDS_ON_SILENT if turns", "return Reason.CLEAR if turns"),
        ("        if self.refused is not None:\n            return self.refused\n", ""),
        ("if main else None, outcomes)", "if main else None, 1)"),
        ("first.p_family if first else np.nan", "first.p_family if first else 0.0"),
        ("np.fmax(one.p_without", "np.fmin(one.p_without"),
        ("if not one.p_value <= CLAIMED_AT", "if one.p_value <= CLAIMED_AT"),
        ("single_step(np.fmax(without, p_values), correlation)", "without"),
        ("one if one.outcome == main_outcome else", "one if one.outcome != main_outcome else"),
        ("int(np.isfinite(p_family).sum())", "1"),
        ("_lost * self.points <= 0.0", "_lost * self.points < 0.0"),
        ("_lost * self.points <= 0.0", "_lost * self.points > 0.0"),
        ("lost - self.critical", "lost + self.critical"),
        ("(1.0 - share) * averages", "share * averages"),
        ("kept[0] - kept[1]", "kept[1] - kept[0]"),
        ('is_silent = ~rows.given["is_used"] & rows', 'is_silent = rows.given["is_used"] & rows'),
        ("> DIFFERS_BY * self.error", "< DIFFERS_BY * self.error"),
        ("self.within.log_odds * self.log_odds < 0.0", "self.within.log_odds * self.log_odds > 0.0"),
        ("self.within.p_between < DIFFERS_BELOW", "self.within.p_between > DIFFERS_BELOW"),
        ("apart and (opposite or", "apart and (opposite and"),
        ("return apart and", "return"),
        ("wider.coefficients - direction @ model", "wider.coefficients + direction @ model"),
        ("elif not factor.shares_batches(level):", "elif False:"),
        ('"estimate": "difference_points"', '"estimate": "difference_low"'),
        ("{True: ClaimKind.TEMPERATURE_DIFFERS, False:", "{False: ClaimKind.TEMPERATURE_DIFFERS, True:"),
        ('others["p_value"] > CLAIMED_AT', 'others["p_value"] < CLAIMED_AT'),
        ("& (self.reason is Reason.CLEAR)", "& True"),
    )),
    ("survival/practices/model.py", PRACTICES, (
        ("    groups = _beyond(columns, groups)\n", ""),
        ("marks)).max() > ESTIMABLE", "marks)).max() < ESTIMABLE"),
    )),
    ("survival/practices/model.py", PRACTICES, (
        ("small_sample=True, spread_prior=True)", "small_sample=True)"),
    )),
    ("survival/mixed/fit.py", SPREADS, (
        ("OffZero if spread_prior else Restricted", "Restricted"),
    )),
    ("survival/mixed/laplace.py", SPREADS, (
        ("RATE = 1.0", "RATE = 5.0"),
        ("(RATE - 1.0 / sds)", "RATE"),
        ("(1.0 / sds - 0.5 * RATE)", "0.0"),
        ("(1.0 / sds - 0.5 * RATE)", "(1.0 / sds + 0.5 * RATE)"),
    )),
    ("survival/result.py", PRACTICES, (
        ("100.0 * (first.survival - second.survival)", "100.0 * (second.survival - first.survival)"),
        ("first.gradient - second.gradient", "first.gradient + second.gradient"),
        ("if error > 0.0 else np.nan, degrees)", "if error > 0.0 else np.nan, np.inf)"),
        ("self.points + side * self.critical", "self.points - side * self.critical"),
        ("side * self.critical * self.points_error", "side * self.points_error"),
    )),
    ("survival/practices/factors.py", PRACTICES, (
        ("had < FEWEST_TANKS,", "had <= FEWEST_TANKS,"),
        ('counts["batches"] < fewest_batches', 'counts["batches"] <= fewest_batches'),
        ("self.parts.get(level) == self.parts.get(self.reference)", "True"),
        ("return len(self.compared) > 1", "return len(self.compared) > 2"),
        ("with_it * TANKS_PER_COEFFICIENT > len(used)", "with_it * TANKS_PER_COEFFICIENT < len(used)"),
    )),
    ("setups/site_verdicts.py", SITES, (
        ("q_value <= FALSE_DISCOVERY_RATE", "q_value >= FALSE_DISCOVERY_RATE"),
        ("own_p <= WATCH_SITE_P", "p_values <= WATCH_SITE_P"),
        ("own_p <= WATCH_SITE_P", "own_p <= 0.05"),
        ("1.0), score)", "1.0), -score)"),
        ("root / np.sqrt(_variance(number, _others_correlation(root, number)))", "root"),
        ("> -SET_ASIDE", "> -99.0"),
        (" - tried * kept[:, None]) / left", ") / left"),
        ("(seasons >= FEWEST_SEASONS)", "(seasons > FEWEST_SEASONS)"),
        ("(seasons >= FEWEST_SEASONS) & ~is_unknown", "seasons >= FEWEST_SEASONS"),
        ("several.sum() >= FEWEST_SITES", "several.sum() > FEWEST_SITES"),
        ("np.clip(self.score, -LARGEST_SCORE, LARGEST_SCORE)", "self.score"),
        ('Decision.NOT_CLAIMED: "as_expected"', 'Decision.NOT_CLAIMED: "below_expected"'),
    )),
    ("survival/tank_frame.py", ("survival/test_dead_counted.py",), (
        (".where(dead_believed(tanks))", ""),
        ("counts.where(own).sum", "counts.sum"),
        ("counted > MISCOUNTED * eggs", "counted > eggs"),
    )),
    ("setups/screen.py", (*SCREEN, "setups/test_uncounted.py"), (
        ("is_judged = is_used | (q_value <= FALSE_DISCOVERY_RATE)", "is_judged = is_used"),
        ("is_judged = is_used | (q_value <= FALSE_DISCOVERY_RATE)", "is_judged = is_used | (p_value <= 0.5)"),
        ('rows["p_value"].where(rows["is_used"]), families', 'rows["p_value"], families'),
        ('low = rows["z_score"] < 0.0', 'low = rows["z_score"] > 0.0'),
        ('rows["q_value"] <= FALSE_DISCOVERY_RATE', 'rows["q_value"] >= FALSE_DISCOVERY_RATE'),
        ('outside = low & (rows["p_value"] <= WATCH_P)', 'outside = rows["p_value"] <= WATCH_P'),
        ("one.sites, together[name]", "one.sites, p_values[name]"),
        ("carried = low & (", "carried = ("),
        ("with_site = low & ", "with_site = "),
        ("outside | carried | with_site", "outside | carried"),
        ("outside | carried | with_site", "outside | with_site"),
        ("found & low", "found"),
        ("on_watch & outside, on_watch & carried", "on_watch & carried, on_watch & outside"),
        ("Reason.WATCH, Reason.AT_POOR_PLACE,", "Reason.AT_WATCHED_PLACE, Reason.AT_POOR_PLACE,"),
        ('.where((rows["unjudged"] == "")', '.where((rows["unjudged"] != "")'),
        ('rows[~rows["is_used"] & (rows["eggs"]', 'rows[(rows["eggs"]'),
        ("own.isin(batches) & dead", "dead"),
        (' & ~exceeds_eggs(dead, missing["eggs"])', ""),
        ("found & ~low & exceeds_eggs", "~low & exceeds_eggs"),
        ("exceeds_eggs(counted_dead(rows) + ", "exceeds_eggs("),
        ('(missing["eggs"] - dead)', 'missing["eggs"]'),
        ('rows.groupby(["outcome", "season"], dropna=False)', 'rows.groupby(["outcome"], dropna=False)'),
        ("two_sided_p(score, fit.freedom)", "two_sided_p(score, fit.freedom) / 2.0"),
        ("eggs * (expected - shrunken[0])", "eggs * (shrunken[0] - expected)"),
        ('used["eggs"].to_numpy() < FEWEST_EGGS', 'used["eggs"].to_numpy() > FEWEST_EGGS'),
        ("minlength=1)[batch] < 2", "minlength=1)[batch] < 1"),
        ('rows["site_reason"] == Reason.WATCH', 'rows["site_reason"] == Reason.NOT_CLEAR'),
        ("len(used) < FEWEST_TANKS", "len(used) <= FEWEST_TANKS"),
        ('rows[name].astype(float) - rows["expected_pct"]', 'rows["expected_pct"] - rows[name].astype(float)'),
        ('rows["unjudged"] != "", rows["watch_reason"])', 'rows["unjudged"] != "", "")'),
        ('"above_expected": ClaimKind.TANK_ABOVE', '"above_expected": ClaimKind.TANK_BELOW'),
        ('rows["unjudged"].where(rows["unjudged"] != "", rows["watch_reason"])', 'rows["watch_reason"]'),
    )),
    ("reports/season/visits.py", ("reports/test_season_page.py",), (
        ("split()} - idle", "split()}"),
        ("level=claim.sides[0]", "level=claim.sides[1]"),
        ("    if worse:", "    if False:"),
        ("claim.decision is not Decision.NOT_CLAIMED}", "False}"),
    )),
    ("reports/season/results.py", ("reports/test_season_page.py",), (
        ("and not worse & {claim.level, claim.reference}", ""),
        ("worse = {claim.sides[0]", "worse = {claim.sides[1]"),
    )),
    ("setups/screen_model.py", ("setups/test_screen_model.py",), (
        ("max(state.tank_sd, _told_from_zero(state))", "state.tank_sd"),
        ("np.sqrt(2.0 / max(EFFICIENCY", "(2.0 / max(EFFICIENCY"),
    )),
    ("setups/predictive.py", SCREEN, (
        ("FALSE_DISCOVERY_RATE = 0.10", "FALSE_DISCOVERY_RATE = 0.30"),
        ("WATCH_P = 0.05", "WATCH_P = 0.20"),
    )),
    ("setups/sites.py", SCREEN, (
        ('"estimate": "difference_points"', '"estimate": "difference_low"'),
        ("every[~pd", "every[pd"),
    )),
    ("setups/advice.py", CHANGES, (
        ('effect["difference_points"] > 0.0', 'effect["difference_points"] < 0.0'),
        ("practice.is_less_care(proposed, present)", "practice.is_less_care(present, proposed)"),
        ("practice.is_less_care(proposed, present)", "False"),
        ("eggs / 100.0 if reason is Reason.CLEAR else np.nan", "eggs / 100.0"),
        ('gain = abs(effect["shrunken_points"])', 'gain = abs(effect["difference_points"])'),
        ("fish * (gain - half_width)", "fish * low"),
        ('is_known & (effects["outcome"] == MAIN_OUTCOME)', "is_known"),
        ("colder - warmer", "warmer - colder"),
        ('rows["season"] == rows["season"].max()', 'rows["season"] == rows["season"].min()'),
        ("[::side]", "[::-side]"),
    )),
    ("statistics/crossed.py", ("survival/practices/test_diagnostics.py",), (
        ("weight * (1.0 - weight * self.factor", "weight * (1.0 + weight * self.factor"),
        ("log_odds - pull * self.left / alone", "log_odds + pull * self.left / alone"),
        ("np.hypot(error, pull / np.sqrt(alone))", "error"),
        ("np.argmin(ratio)", "np.argmax(ratio)"),
        ("np.abs(pull) > ESTIMABLE, 0.0, np.inf", "np.abs(pull) > ESTIMABLE, np.inf, np.inf"),
    )),
    ("regions/compare.py", REGIONS, (
        ('if not row["separable"]:', "if False:"),
        ('if row["sites_usable"] == 1:', 'if row["sites"] == 1:'),
        ('row["within_batch_points"] < 0.0\n', 'row["within_batch_points"] > 0.0\n'),
        ('disagrees, row["silence_undoes"])', "disagrees, False)"),
        ("p_values[:] = over_outcomes(p_values.T).T", "pass"),
        (', row["p_without_one_tank"],', ", 0.0,"),
        ('table.loc[list(part.regions), "p_family"].min()', 'table.loc[list(part.regions), "p_family"].max()'),
        ('CLEAR if is_clear else Reason(first["reason"])', 'NOT_CLEAR if is_clear else Reason(first["reason"])'),
        ("single_step(p_values, block_diag(*blocks)) if blocks", "p_values if blocks"),
        ('"estimate": "within_batch_points",', '"estimate": "difference_points",'),
        ('table["comparable_with"] != ""', 'table["comparable_with"] == ""'),
        ("if one.is_claimed and one.estimate < 0.0", "if one.estimate < 0.0"),
        ("if one.is_claimed and one.estimate < 0.0", "if one.is_claimed"),
        ("raw - regions[f", "raw + regions[f"),
        ('for end in ("", "_high", "_low")', 'for end in ("", "_low", "_high")'),
        ("is_mostly = (high < 0.0) & (part <= MOSTLY * raw)", "is_mostly = high < 0.0"),
        ("is_mostly = (high < 0.0) & (part", "is_mostly = (part"),
        ('regions["decision"] == "cannot_tell"', 'regions["decision"] == ""'),
        ('batches["difference_points"] < 0.0', 'batches["difference_points"] > 0.0'),
        ("here.get(one, 0.0) > there[one]", "here.get(one, 0.0) < there[one]"),
        (" and share[one] < mean", ""),
        ("Reason.NEVER_SHARE_BATCH if np.isnan(p) else", "Reason.NOT_CLEAR if np.isnan(p) else"),
        ('holm(table["p_value"].to_numpy(dtype=float))', "1.0"),
    )),
    ("regions/part.py", REGIONS, (
        ("response[rows.index] - log_odds[code]", "response[rows.index] + log_odds[code]"),
        ("* lost <= 0.0", "* lost > 0.0"),
        ("survival * (1.0 - silent", "survival * (0.0 + silent"),
        ("(against @ within.log_odds) / delta_errors(against, covariance)", "(against @ within.log_odds)"),
        ("wider.coefficients[:size] - plain.coefficients", "plain.coefficients - wider.coefficients[:size]"),
    )),
    ("survival/practices/levels.py", PRACTICES + REGIONS, (
        ("critical_values(degrees), 100.0 * contrast", "critical_values(degrees), -100.0 * contrast"),
    )),
    ("development/scoring/model_claims.py", SCORES, (
        ("Reason.STOCKS_DIFFER if _is_opposed(stocks) else", "Reason.STOCKS_DIFFER if False else"),
        ("{-1.0, 1.0} <= signs", "signs <= {-1.0, 1.0}"),
        ('in stocks if one["reason"] is Reason.CLEAR or', "in stocks if True or"),
        ('    if is_own(row["model"]):', "    if False:"),
        ('counted = _family([row for row in of_all if not is_own(row["model"])])', "counted = _family(of_all)"),
        ("sum()), holm(p_values)", "sum()), p_values"),
        ('    if row["unscored"]:', "    if False:"),
        ('row["bias_high"] < 0.0 and', 'row["bias_high"] < 0.0 or'),
        ("if excludes_zero(low, high) and", "if False and"),
        ('TOO_FEW_BATCHES if row["batches"] < FEWEST_BATCHES else clear',
         'TOO_FEW_BATCHES if row["batches"] > FEWEST_BATCHES else clear'),
        ('clear_or_not(found[model]["p_family"])', "Reason.NOT_CLEAR"),
        ('_reason(row)} for row in _family', '_reason({**row, "p_family": row["p_value"]})} for row in _family'),
    )),
    ("development/scoring/score_cells.py", SCORES, (
        ('"bias_days": -float(error', '"bias_days": float(error'),
        ('"bias_low": -high,', '"bias_low": low,'),
        ("HOUR_OF_LOOKING_DAYS = 1.0", "HOUR_OF_LOOKING_DAYS = 0.0"),
        ("np.isclose(looks, np.round(looks), atol=1e-6)", "np.isfinite(looks)"),
        ('if cell["sites"] < FEWEST_SITES:', 'if cell["sites"] < 1:'),
        ("elif sites_of(records, is_used) < FEWEST_SITES:", "elif sites_of(records, is_used) < 1:"),
        ('"" if shift is None else str(Reason.LOOKS_TOO_FAR_APART)', '""'),
        ("why_not = str(Reason.SPREADS_UNKNOWN)", 'why_not = ""'),
        ("records.batch[is_used])) >= FEWEST_BATCHES", "records.batch[is_used])) >= 1"),
        ("if batches < FEWEST_BATCHES_OF_STOCK:", "if batches < 1:"),
        ("has_few_sites, hour = sites_of(records, is_fit) < FEWEST_SITES", "has_few_sites, hour = False"),
        ('if not cell["tanks"] and outside:', "if False:"),
    )),
    ("development/scoring/comparisons.py", SCORES, (
        ("against.errors - model.errors", "model.errors - against.errors"),
        ("0.0 if is_own(name) else hour", "0.0"),
        ("predicted = held.predicted_day + earlier", "predicted = held.predicted_day - earlier"),
        ("_limits(error, len(masks))", "_limits(error, 0)"),
        ("[-1.0, 1.0]", "[1.0, -1.0]"),
        ("by_hand = is_hand[is_in]", "by_hand = (~is_hand)[is_in]"),
    )),
    ("development/scoring/cross_validation.py", SCORES, (
        ("held.is_tested | is_own(model)", "held.is_tested | True"),
    )),
    ("trials/analysis.py", TRIALS, (
        ('one["reference_tanks"]) < FEWEST_PER_LEVEL', 'one["reference_tanks"]) < 1'),
        ("Reason.ASSIGNED if clear else Reason.NOT_CLEAR", "Reason.NOT_CLEAR if clear else Reason.ASSIGNED"),
        (' or not math.isfinite(one["difference_low"])', ""),
        ("treated == worst", "treated != worst"),
        ("reason_of(one, float(p))", 'reason_of(one, one["p_value"])'),
        ("p_family <= CLAIMED_AT and ", ""),
    )),
    ("trials/randomisation.py", TRIALS, (
        ("drawn >= abs(found.observed + planted) - SAME", "drawn <= abs(found.observed + planted) - SAME"),
        ("observed=float(level @ centred / weight)", "observed=float(-level @ centred / weight)"),
        ("(of_second > 0) & (of_second < number)", "(of_second > 0)"),
    )),
)  # fmt: skip

MUTANTS = [
    Mutant(module, before, after, tests) for module, tests, changes in _CHANGES for before, after in changes
]
