"""Every table that a run writes, one model per file.

Rates are fractions; `*_per_100` are comebacks per 100 bleeds; intervals are 95% intervals; rank 1 is the costliest step.
"""

from __future__ import annotations

from typing import Any

import pandera.polars as pa
import polars as pl

from schemas.field import schema_field
from schemas.log import TRIAL_UNITS

RULE_LABELS = {
    "required_missing": "required, but empty",
    "unreadable": "not a valid value",
    "unreadable_row": "row could not be read",
    "out_of_range": "outside its range",
    "unknown_level": "value not recognised",
    "out_of_scope": "not one bicycle brake",
    "too_long": "too long for a name",
    "after_as_of": "after the last day of the log",
    "conflicting_copies": "same ID, conflicting data",
    "exact_copy": "exact duplicate",
    "no_bleed_found": "no earlier bleed of this bike and brake",
}
"""Why a row or value was not accepted, in words, by the rule's name."""
RULES = tuple(RULE_LABELS)
ACTIONS = ("row_set_aside", "value_blanked", "duplicate", "unlinked")
RATE_KINDS = (
    "all", "shop", "technician", "brake_model", "fluid", "job_reason", "brake", "hose_route",
)  # fmt: skip
SIGNALS = ("none", "high", "low", "too_few", "in_question")
VERDICTS = ("too_few", "costs_comebacks", "goes_with_comebacks", "suspected", "no_sign")
MEASURE_OUTCOMES = ("missed", "comebacks", "early_comebacks")
MEASURE_COMPARISONS = ("other_workshops", "before_after", "too_few_days", "too_few")
LEARNER_VERDICTS = ("not_yet", "cleared", "needs_help", "too_few")
SHARE_USED = "used for second checks"
SHARE_FOUND = "share of faults a check finds"
EARLY_SIGNS = ("missed", "reading", "early")
TRIAL_DESIGNS = ("randomised", "before_after", "undeclared", "mixed")
HOLDS = ("wrong_fluid", "wrong_kit", "not_firm", "leak", "long_travel")


CHANGE_KINDS = (
    "recall_opened", "recall_closed", "signal_appeared", "signal_remains", "signal_gone", "change_named", "step_verdict",
    "group_new", "group_gone", "records_missing", "records_changed", "same_bleeds", "newly_followed",
)  # fmt: skip


class OutputTable(pa.DataFrameModel):
    """Base of the written tables: exactly these columns, in this order."""

    class Config:
        strict = True
        ordered = True
        metadata = None


def count(description: str) -> Any:
    """A required count, 0 or more."""
    return schema_field(description, low=0, required=True)


def fraction(description: str, *, required: bool = False) -> Any:
    """A fraction, 0 to 1."""
    return schema_field(description, unit="fraction", low=0, high=1, required=required)


def row_rule(name: str, rule: pl.Expr) -> Any:
    """A rule across the fields of a table; a row in which one of them is empty passes."""

    def check(cls: type, data: pa.PolarsData, rule: pl.Expr) -> pl.LazyFrame:
        return data.lazyframe.select(rule.fill_null(True))

    return pa.dataframe_check(check, name=name, rule=rule)


class Intake(OutputTable):
    """Rows read, one row per input file and table."""

    rows_add_up = row_rule(
        "rows_read = accepted + set_aside + duplicates",
        pl.col("rows_read") == pl.col("accepted") + pl.col("set_aside") + pl.col("duplicates"),
    )

    file: str = schema_field("file as given in the command; book.xlsx#sheet, shop.sqlite#table", required=True)
    table: str = schema_field("table of the log that it contains", required=True)
    rows_read: int = count("rows read")
    accepted: int = count("rows accepted")
    set_aside: int = count("rows rejected")
    duplicates: int = count("duplicates of an earlier row")
    unlinked: int = count("accepted returns that could not be matched to a bleed")
    values_blanked: int = count("values of accepted rows that were blanked")


class SetAside(OutputTable):
    """Rejected rows, blanked values, duplicates and unmatched returns, one row per reason."""

    file: str = schema_field("file, as in intake.csv", required=True)
    row: int = schema_field(
        "row of the spreadsheet, counting headings and titles; line of a JSON Lines file; from 1 in Parquet and databases",
        required=True,
        low=1,
    )
    table: str = schema_field("table of the log", required=True)
    column: str = schema_field("field of the log; the ID for duplicates and conflicts; empty for unmatched returns")
    heading: str = schema_field("heading in the file")
    rule: str = schema_field("the rule it broke", levels=RULES, required=True)
    value: str = schema_field("value as it is in the file")
    action: str = schema_field("what was done with the row or value", levels=ACTIONS, required=True)
    message: str = schema_field("the reason as a sentence", required=True)


class Rates(OutputTable):
    """Comeback rates, one row per group."""

    counts_fit = row_rule(
        "comebacks <= mature <= sessions",
        (pl.col("comebacks") <= pl.col("mature")) & (pl.col("mature") <= pl.col("sessions")),
    )

    kind: str = schema_field("kind of group", levels=RATE_KINDS, required=True)
    group: str = schema_field("the group", required=True)
    sessions: int = count("bleeds")
    mature: int = count("bleeds followed for the whole window")
    comebacks: int = count("of these, bleeds that came back within the window")
    rate: float = fraction("comebacks / mature")
    rate_lo: float = fraction("95% interval (Wilson)")
    rate_hi: float = fraction("95% interval (Wilson)")
    incidence: float = fraction("cumulative incidence at the end of the window, all bleeds (Aalen–Johansen)")
    incidence_lo: float = fraction("95% interval")
    incidence_hi: float = fraction("95% interval")
    expected: float = schema_field(
        "comebacks expected for the same mix of work, estimated from others' bleeds; empty if there are no others",
        low=0,
    )
    ratio: float = schema_field("comebacks / expected", low=0)
    ratio_lo: float = schema_field("95% interval, conditional binomial: allows for chance in both counts", low=0)
    ratio_hi: float = schema_field("95% interval, conditional binomial: allows for chance in both counts", low=0)
    shrunk_rate: float = fraction(
        "indirectly standardised rate: the ratio, adjusted towards 1 when data are few (empirical Bayes), times the rate of all bleeds"
    )
    shrunk_lo: float = fraction("95% credible interval")
    shrunk_hi: float = fraction("95% credible interval")
    funnel_lo: float = schema_field("lower funnel limit of the ratio: the range expected by chance", low=0)
    funnel_hi: float = schema_field("upper funnel limit of the ratio", low=0)
    p_value: float = fraction("two-sided p-value; allows for overdispersion if there are ten groups or more")
    q_value: float = fraction(
        "Benjamini–Hochberg adjusted p-value among groups of this kind, in the round that flagged it or the last one"
    )
    signal: str = schema_field("a statistically clear difference, and its direction", levels=SIGNALS, required=True)
    rank_lo: float = schema_field(
        "lower end of the 95% credible interval of the rank among groups of this kind, by adjusted ratio; 1 is the highest ratio",
        low=1,
    )
    rank_hi: float = schema_field("upper end of that interval", low=1)


class Lots(OutputTable):
    """Lots, kits and other groups that the workshop records, one row per group; an empty group is all of that kind together."""

    kind: str = schema_field("field that defines the groups", required=True)
    group: str = schema_field("lot, kit or other group; empty for all of them together")
    first_used: pl.Date = schema_field("date of its first bleed in the log", required=True)
    last_used: pl.Date = schema_field("date of its last bleed in the log", required=True)
    days_in_use: int = schema_field("days from the first to the last bleed, inclusive", unit="d", low=1, required=True)
    shops: str = schema_field("workshops that used it, separated by commas")
    sessions: int = count("bleeds")
    mature: int = count("bleeds followed for the whole window")
    comebacks: int = count("of these, bleeds that came back within the window")
    rate: float = fraction("comebacks / mature")
    rate_lo: float = fraction("95% interval (Wilson)")
    rate_hi: float = fraction("95% interval (Wilson)")
    returned: int = count("bleeds that came back so far, at any age")
    expected: float = schema_field(
        "comebacks expected so far for the same work, steps, technician, workshop and time", low=0
    )
    ratio: float = schema_field("returned / expected", low=0)
    ratio_lo: float = schema_field("95% interval, conditional binomial: allows for chance in both counts", low=0)
    ratio_hi: float = schema_field("95% interval, conditional binomial: allows for chance in both counts", low=0)
    funnel_lo: float = schema_field("lower funnel limit of the ratio: the range expected by chance", low=0)
    funnel_hi: float = schema_field("upper funnel limit of the ratio", low=0)
    shrunk_ratio: float = schema_field("ratio adjusted towards 1 when data are few (empirical Bayes)", low=0)
    p_value: float = fraction("one-sided p-value for more comebacks than expected")
    q_value: float = fraction(
        "Benjamini–Hochberg adjusted p-value over both comparisons of all groups and the changes with age"
    )
    air_ratio: float = schema_field("hazard ratio implied by the air in the stand readings of its bleeds", low=0)
    air_lo: float = schema_field("95% interval", low=0)
    air_hi: float = schema_field("95% interval", low=0)
    air_p_value: float = fraction("one-sided p-value for more air than expected")
    air_q_value: float = fraction("Benjamini–Hochberg adjusted p-value, together with q_value")
    signal: str = schema_field(
        "whether it clearly has more comebacks, or more air in the stand readings", levels=SIGNALS, required=True
    )
    age_ratio: float = schema_field("hazard ratio for each 100 days since the first bleed with it", low=0)
    age_lo: float = schema_field("95% interval", low=0)
    age_hi: float = schema_field("95% interval", low=0)
    age_q_value: float = fraction(
        "Benjamini–Hochberg adjusted p-value of age_ratio, all groups together, together with q_value"
    )


class LotBleeds(OutputTable):
    """Bleeds of every lot, kit or other group that clearly has more comebacks, one row per bleed."""

    kind: str = schema_field("field that defines the groups", required=True)
    group: str = schema_field("lot, kit or other group", required=True)
    session_id: str = schema_field("bleed", required=True)
    bike_id: str = schema_field("bike", required=True)
    brake: str = schema_field("which brake: front or rear", required=True)
    shop: str = schema_field("workshop")
    technician: str = schema_field("technician", required=True)
    bled_on: pl.Date = schema_field("date of the bleed", required=True)
    came_back_after: int = schema_field("days to its comeback; empty if none so far", unit="d", low=0)
    latest: bool = schema_field("whether it is the latest bleed of that brake", required=True)


class Months(OutputTable):
    """Comeback rates by month, one row per group and month."""

    counts_fit = row_rule(
        "comebacks <= mature <= sessions",
        (pl.col("comebacks") <= pl.col("mature")) & (pl.col("mature") <= pl.col("sessions")),
    )

    kind: str = schema_field("all, or one workshop (shop)", required=True)
    group: str = schema_field("the group", required=True)
    month: str = schema_field("month of the bleed, YYYY-MM", required=True)
    sessions: int = count("bleeds")
    mature: int = count("bleeds followed for the whole window")
    comebacks: int = count("of these, bleeds that came back within the window")
    rate: float = fraction("comebacks / mature")
    centre: float = fraction("rate expected in that month, given its work and the season")
    lower: float = fraction("lower control limit")
    upper: float = fraction("upper control limit")
    cusum_up: float = schema_field("case-mix-adjusted CUSUM for a rise", low=0)
    cusum_down: float = schema_field("case-mix-adjusted CUSUM for a fall", low=0)
    signal: str = schema_field("a statistically clear difference, and its direction", levels=SIGNALS, required=True)
    change_began: bool = schema_field("whether a change is estimated to have begun in this month", required=True)
    step_moved: str = schema_field("step whose share missed changed at the same time")
    measure: str = schema_field("changes in the workshop that began in this month")
    cusum_limit: float = schema_field("signal limit of the CUSUM for a rise", low=0)
    cusum_limit_down: float = schema_field("signal limit of the CUSUM for a fall", low=0)
    change_p_value: float = schema_field(
        "p-value for the change that began in this month, adjusted for the number of groups", low=0, high=1
    )


class EarlySigns(OutputTable):
    """Changes of level in missed steps, stand readings and early comebacks, one row per workshop and sign."""

    shop: str = schema_field("workshop", required=True)
    sign: str = schema_field(
        "what changed: missed steps, stand readings or early comebacks", levels=EARLY_SIGNS, required=True
    )
    subject: str = schema_field("step ID, name of the reading, or number of days for early comebacks", required=True)
    month: str = schema_field("first month at the new level, YYYY-MM", required=True)
    before: int = count("bleeds with the indicator before that month")
    before_of: int = count("bleeds before that month for which it is known")
    since: int = count("bleeds with the indicator in that month or later")
    since_of: int = count("bleeds in that month or later for which it is known")
    worse: bool = schema_field("whether the share rose", required=True)
    p_value: float = fraction("p-value adjusted over months (Bonferroni) and over all signs in the log (Holm)")


class Steps(OutputTable):
    """What missing each step of the procedure costs in comebacks, one row per step."""

    counts_fit = row_rule("missed <= recorded", pl.col("missed") <= pl.col("recorded"))

    step: str = schema_field("step ID", required=True)
    title: str = schema_field("step title", required=True)
    recorded: int = count("bleeds with the step recorded")
    missed: int = count("of these, bleeds with the step missed")
    share_missed: float = fraction("missed / recorded")
    preventable_per_100: float = schema_field(
        "comebacks prevented per 100 bleeds if the step were never missed", unit="per 100"
    )
    lo: float = schema_field("95% credible interval", unit="per 100")
    hi: float = schema_field("95% credible interval", unit="per 100")
    direct_per_100: float = schema_field("direct effect: with later steps at their observed values", unit="per 100")
    direct_lo: float = schema_field("95% credible interval", unit="per 100")
    direct_hi: float = schema_field("95% credible interval", unit="per 100")
    p_value: float = fraction(
        "posterior probability that always doing the step would prevent no comebacks; not a frequentist p-value"
    )
    q_value: float = fraction(
        "Benjamini–Hochberg applied to p_value, but at least 0.5 unless survival_estimate is more than one standard error above zero: a rule for choosing, with no guarantee that the false discovery rate is controlled"
    )
    rank: int = schema_field(
        "1 comes first: the three most certain to be near the top, then the others by preventable_per_100",
        low=1,
    )
    rank_lo: int = schema_field("95% credible interval", low=1)
    rank_hi: int = schema_field("95% credible interval", low=1)
    survival_estimate: float = schema_field("estimate from returns only (g-computation)", unit="per 100")
    survival_estimate_lo: float = schema_field("95% interval", unit="per 100")
    survival_estimate_hi: float = schema_field("95% interval", unit="per 100")
    aipw_per_100: float = schema_field(
        "doubly robust check (cross-fitted AIPW) on fully followed bleeds", unit="per 100"
    )
    aipw_lo: float = schema_field("95% interval", unit="per 100")
    aipw_hi: float = schema_field("95% interval", unit="per 100")
    e_value: float = schema_field(
        "E-value: strength of unmeasured confounding that would explain the estimate away", low=1
    )
    e_value_lo: float = schema_field("E-value of the lower limit; 1 where the interval includes zero", low=1)
    robustness_value: float = fraction(
        "share of the residual variance of both misses and comebacks that an unmeasured confounder must explain to move the lower limit of the direct effect to zero"
    )
    benchmark: str = schema_field(
        "benchmark covariate (work, technician, workshop, workload, calendar time): the recorded one that would distort this estimate most, for comparison with an unrecorded cause; empty if not assessed"
    )
    times_benchmark: float = schema_field(
        "how many times the benchmark's bias it would take to move the lower limit of the direct effect to zero (at most 99; empty if not assessed)",
        low=0,
    )
    calibrated_p: float = fraction(
        "two-sided p-value calibrated against returns for pads, noise, drag or worn parts; empty with fewer than 40 of them"
    )
    verdict: str = schema_field("conclusion", levels=VERDICTS, required=True)
    crude_difference: float = schema_field(
        "crude population attributable risk: (rate if missed − rate if done) × share missed × 100", unit="per 100"
    )
    aipw_disagrees: bool = schema_field("the doubly robust check clearly differs from the main estimate")


class Tolerance(OutputTable):
    """Adjusted risk at each value of a measured reading (dose-response)."""

    step: str = schema_field("step ID", required=True)
    field: str = schema_field("field that holds the reading", required=True)
    reading: float = schema_field("value of the reading", required=True)
    pooled: str = schema_field(
        "readings pooled in this row, such as `6+` or `2–3`; empty for one value or a smooth curve"
    )
    bleeds: int = count("bleeds with a reading near this value")
    risk: float = fraction("adjusted risk of a comeback within the window")
    lo: float = fraction("95% interval")
    hi: float = fraction("95% interval")
    tolerance_lo: float = schema_field("procedure's lower limit")
    tolerance_hi: float = schema_field("procedure's upper limit")
    p_value: float = fraction("p-value for the whole curve not being flat; the same in every row of a curve")
    q_value: float = fraction("Benjamini–Hochberg adjusted p-value over the curves")


class Interactions(OutputTable):
    """Whether a miss does more harm on certain kinds of job, one row per interaction listed in the procedure."""

    step: str = schema_field("step ID", required=True)
    title: str = schema_field("step title", required=True)
    field: str = schema_field("field that describes the work", required=True)
    level: str = schema_field("value of that field", required=True)
    missed_there: int = count("bleeds on that kind of job with the step missed")
    missed_elsewhere: int = count("bleeds on other jobs with the step missed")
    ratio_there: float = schema_field("hazard ratio of a miss on that work", low=0)
    ratio_there_lo: float = schema_field("95% interval", low=0)
    ratio_there_hi: float = schema_field("95% interval", low=0)
    ratio_elsewhere: float = schema_field("hazard ratio of a miss on other work", low=0)
    ratio_elsewhere_lo: float = schema_field("95% interval", low=0)
    ratio_elsewhere_hi: float = schema_field("95% interval", low=0)
    p_value: float = fraction("p-value for a difference between the two ratios")
    q_value: float = fraction("Benjamini–Hochberg adjusted p-value over all rows")
    verdict: str = schema_field("conclusion", levels=("differs", "no_sign", "too_few"), required=True)


class WhatIf(OutputTable):
    """What would be prevented if some steps were missed less often."""

    scenario: str = schema_field("what would change", required=True)
    condition: str = schema_field("the same as a condition: “the two costliest steps were never missed”", required=True)
    steps: str = schema_field("step IDs, separated by spaces", required=True)
    preventable_per_100: float = schema_field("comebacks prevented per 100 bleeds", unit="per 100")
    lo: float = schema_field("95% credible interval", unit="per 100")
    hi: float = schema_field("95% credible interval", unit="per 100")
    comebacks_per_year: float = schema_field("comebacks prevented per year")
    minutes_per_year: float = schema_field("bench minutes saved per year", unit="min")
    parts_per_year: float = schema_field("cost of parts saved per year", unit="currency")


class Technique(OutputTable):
    """Recent misses compared with peers doing similar work, one row per technician and step."""

    counts_fit = row_rule("missed <= recorded", pl.col("missed") <= pl.col("recorded"))

    technician: str = schema_field("technician", required=True)
    step: str = schema_field("step ID", required=True)
    recorded: int = count("bleeds with the step recorded")
    missed: int = count("of these, bleeds with the step missed")
    share: float = fraction("missed / recorded")
    peer_share: float = fraction("share missed by peers doing similar work")
    excess: float = schema_field("share missed minus that of peers, partially pooled", unit="fraction", low=-1, high=1)
    lo: float = schema_field("95% credible interval", low=-1, high=1)
    hi: float = schema_field("95% credible interval", low=-1, high=1)
    preventable: float = schema_field("comebacks per year linked to the excess")
    coach_rank: int = schema_field("coaching priority; 1 is first", low=1)
    preventable_lo: float = schema_field(
        "95% credible interval, from the uncertainty of the excess and of the cost of a miss"
    )
    preventable_hi: float = schema_field(
        "95% credible interval, from the uncertainty of the excess and of the cost of a miss"
    )
    p_value: float = fraction("two-sided p-value for a difference from peers doing similar work")
    q_value: float = fraction("Benjamini–Hochberg adjusted p-value over all technicians and steps")
    clear: bool = schema_field("q_value at most 0.05 and an interval that excludes zero")
    since: pl.Date = schema_field("first day counted: the last 12 months or 150 bleeds, or since the improvement")
    improved_since: pl.Date = schema_field("day from which the technician clearly missed the step less often")
    share_before: float = fraction("share missed before that day")
    recorded_before: int = schema_field("bleeds with the step recorded before that day", low=0)
    beyond_shop: bool = schema_field(
        "whether it is also missed more often than by colleagues in the same workshop and quarter "
        "(Mantel–Haenszel, 95%); empty if there are no colleagues"
    )


class CoachingEffect(OutputTable):
    """What changed after coaching, one row per session."""

    technician: str = schema_field("technician who was coached", required=True)
    step: str = schema_field("step ID", required=True)
    coached_on: pl.Date = schema_field("date of the session", required=True)
    missed_before: float = fraction("share missed in the six months ending three months before the session")
    missed_after: float = fraction("share missed in the six months after the session")
    change: float = schema_field(
        "change compared with peers (difference in differences)", unit="fraction", low=-2, high=2
    )
    lo: float = schema_field("95% interval", low=-2, high=2)
    hi: float = schema_field("95% interval", low=-2, high=2)
    peers_change: float = schema_field("change in peers over the same period", unit="fraction", low=-1, high=1)
    p_value: float = fraction("two-sided p-value for a change compared with peers")
    q_value: float = fraction("Benjamini–Hochberg adjusted p-value over all sessions")
    clear: bool = schema_field("q_value at most 0.05")
    recorded_before: int = schema_field("bleeds with the step recorded, before", low=0)
    recorded_after: int = schema_field("bleeds with the step recorded, after", low=0)
    comebacks_change: float = schema_field(
        "change in the comeback rate compared with peers, if there are enough bleeds", unit="fraction", low=-2, high=2
    )
    comebacks_lo: float = schema_field("95% interval", low=-2, high=2)
    comebacks_hi: float = schema_field("95% interval", low=-2, high=2)


class MeasureEffects(OutputTable):
    """What changed after a change in a workshop, one row per change and outcome."""

    began_on: pl.Date = schema_field("first day of the change", required=True)
    what: str = schema_field("what changed", required=True)
    shop: str = schema_field("workshop; empty for all")
    step: str = schema_field("ID of the step concerned")
    outcome: str = schema_field("what is compared", levels=MEASURE_OUTCOMES, required=True)
    comparison: str = schema_field("what it is compared with", levels=MEASURE_COMPARISONS, required=True)
    before: float = fraction("share in the six months ending three months before the change")
    after: float = fraction("share in the six months after it")
    bleeds_before: int = schema_field("bleeds before", low=0)
    bleeds_after: int = schema_field("bleeds after", low=0)
    change: float = schema_field(
        "change, minus that of the other workshops over the same days if there are any", low=-2, high=2
    )
    lo: float = schema_field("95% interval", low=-2, high=2)
    hi: float = schema_field("95% interval", low=-2, high=2)
    others_change: float = schema_field("change in the other workshops", low=-1, high=1)
    p_value: float = fraction("two-sided p-value for a change compared with the other workshops")
    q_value: float = fraction("Benjamini–Hochberg adjusted p-value over all rows")
    clear: bool = schema_field("q_value at most 0.05; empty if there are no other workshops")


class Learners(OutputTable):
    """Technicians who started during the log, compared with experienced peers doing similar work; sign-off is the trainer's decision."""

    technician: str = schema_field("technician", required=True)
    started_on: pl.Date = schema_field("first day in the workshop, or first bleed in the log", required=True)
    first_day_known: bool = schema_field(
        "whether the first day is recorded; if not, the first bleed is used", required=True
    )
    bleeds: int = count("bleeds since then")
    recorded: int = schema_field("steps recorded in them", low=0)
    missed: int = schema_field("of these, steps missed", low=0)
    share_missed: float = fraction("missed / recorded")
    peer_share: float = fraction("share missed by experienced peers doing similar work")
    ratio: float = schema_field("missed / misses expected from experienced peers", low=0)
    ratio_lo: float = schema_field("95% interval", low=0)
    ratio_hi: float = schema_field("95% interval", low=0)
    recent_ratio: float = schema_field("the same ratio over the last 50 bleeds", low=0)
    recent_lo: float = schema_field("95% interval", low=0)
    recent_hi: float = schema_field("95% interval", low=0)
    comebacks: int = schema_field("bleeds that came back within the window", low=0)
    expected_comebacks: float = schema_field("comebacks expected for the same mix of work", low=0)
    comebacks_lo: float = schema_field("95% interval of comebacks / expected_comebacks", low=0)
    comebacks_hi: float = schema_field("95% interval of comebacks / expected_comebacks", low=0)
    verdict: str = schema_field("conclusion", levels=LEARNER_VERDICTS, required=True)
    cleared_after: int = schema_field(
        "bleeds after which they were shown to miss less than 1.5 times as many steps as peers", low=1
    )
    cleared_on: pl.Date = schema_field("day of that bleed")
    usual_bleeds: float = schema_field(
        "bleeds after which half of all technicians as good as their peers would be cleared", low=1
    )
    most_bleeds: float = schema_field(
        "bleeds after which nine in ten technicians as good as their peers would be cleared", low=1
    )
    step: str = schema_field("step missed most often relative to peers in the last 50 bleeds")
    step_missed: int = schema_field("misses of it in the last 50 bleeds", low=0)
    step_recorded: int = schema_field("of these bleeds, those with it recorded", low=0)
    step_peer_share: float = fraction("share missed by experienced peers doing similar work")
    example_sessions: str = schema_field("recent bleeds that missed it, separated by spaces")


class LearnerCurves(OutputTable):
    """Learning-curve CUSUM, one row per learner and bleed."""

    technician: str = schema_field("technician", required=True)
    bleed_no: int = schema_field("bleed number since the first day", low=1, required=True)
    session_id: str = schema_field("bleed", required=True)
    bled_on: pl.Date = schema_field("date of the bleed", required=True)
    missed: int = count("steps missed")
    expected: float = schema_field("misses expected from experienced peers doing similar work", low=0, required=True)
    cusum: float = schema_field("evidence of being as good as peers", low=0, required=True)
    cusum_limit: float = schema_field(
        "limit at which it shows fewer than 1.5 times the misses of peers", low=0, required=True
    )
    help_cusum: float = schema_field("evidence of missing 1.5 times as many steps as peers", low=0, required=True)
    help_limit: float = schema_field("limit at which it shows that help is needed", low=0, required=True)


class Risk(OutputTable):
    """Risk of a comeback, one row per bleed."""

    session_id: str = schema_field("bleed", required=True)
    risk: float = fraction("estimated risk of a comeback within the window", required=True)
    risk_lo: float = fraction("95% interval")
    risk_hi: float = fraction("95% interval")
    reason_1: str = schema_field("main reason")
    reason_2: str = schema_field("second reason")
    reason_3: str = schema_field("third reason")
    out_of_time: bool = schema_field(
        "whether the risk comes from a model fitted only to outcomes known before this bleed", required=True
    )
    in_sample_risk: float = fraction("risk from the saved model, which was fitted to this bleed too", required=True)
    on_worklist: bool = schema_field(
        "whether it is among the recent bleeds that the workshop has time to check and whose risk makes a check worth the time",
        required=True,
    )


class SecondChecks(OutputTable):
    """What a second check of the riskiest bleeds would cover and save, one row per share of bleeds."""

    share: float = fraction(
        "share of bleeds at or above the threshold; those that came back before the list was made are not checked",
        required=True,
    )
    checks_per_week: float = schema_field("checks per week", low=0)
    threshold: float = fraction("risk at or above which a bleed is checked (threshold probability)")
    caught_per_100_comebacks: float = schema_field(
        "sensitivity of the list: comebacks among the bleeds checked, per 100 comebacks", low=0, high=100
    )
    precision: float = fraction("precision (positive predictive value): share of the checked bleeds that came back")
    net_benefit: float = schema_field(
        "net benefit per bleed (decision curve) of checking those that have not come back when the list is made"
    )
    minutes_saved: float = schema_field("bench minutes saved per year, net of checking time", unit="min")
    caught_lo: float = schema_field("95% interval of caught_per_100_comebacks", low=0, high=100)
    caught_hi: float = schema_field("95% interval of caught_per_100_comebacks", low=0, high=100)
    minutes_saved_lo: float = schema_field("95% interval", unit="min")
    minutes_saved_hi: float = schema_field("95% interval", unit="min")


class ModelQuality(OutputTable):
    """Quality of the risk model and of simple rules, one row per metric and comparison."""

    metric: str = schema_field("metric", required=True)
    value: float = schema_field("value on later bleeds (fitted to earlier data only)")
    lo: float = schema_field("95% interval")
    hi: float = schema_field("95% interval")
    baseline: float = schema_field("the same metric for the simple rule")
    baseline_name: str = schema_field("name of the simple rule")


class Comparison(ModelQuality):
    """Quality of the risk model (`rebleed`) and of other classifiers on the same bleeds; empty if no other was given."""

    classifier: str = schema_field("classifier that the value belongs to", required=True)


CLOSED_BY = ("re_bled", "elsewhere", "firm", "later_bleed", "came_back")


class Holds(OutputTable):
    """Bleeds that broke a recall rule, still open or closed; one row per bleed and rule."""

    session_id: str = schema_field("bleed", required=True)
    rule: str = schema_field("rule that was broken", levels=HOLDS, required=True)
    observed: str = schema_field("recorded value", required=True)
    required: str = schema_field("required value", required=True)
    action: str = schema_field("what to do", required=True)
    open: bool = schema_field(
        "false once closed: by a recall carried out; by a later bleed of that brake that broke no rule, or only the long-travel rule if it shows that this fault was fixed; for long travel, also by the brake coming back",
        required=True,
    )
    closed_by: str = schema_field(
        "what closed it: the reported outcome, a later bleed of the brake, or its return; empty if open",
        levels=CLOSED_BY,
    )
    priority: int = schema_field("order of urgency; 1 is the most urgent", required=True, low=1, high=6)
    days_since: int = schema_field("days from the bleed to the last day of the log", required=True, unit="d")
    returned_on: pl.Date = schema_field("first return of that brake after the bleed")


class Credibility(OutputTable):
    """Tests for unusual recording patterns, one row per technician and test."""

    technician: str = schema_field("technician", required=True)
    test: str = schema_field("name of the test", required=True)
    field: str = schema_field("field tested")
    n: int = count("entries tested")
    statistic: float = schema_field("test statistic")
    p_value: float = fraction("p-value")
    q_value: float = fraction("Benjamini–Hochberg adjusted p-value over all tests")
    flag: bool = schema_field("a reason to talk, not a verdict", required=True)
    example_sessions: str = schema_field("bleeds to look at, separated by spaces")
    ranking_tau: float = schema_field(
        "for a flag: Kendall's tau between the step rankings with and without this technician",
        low=-1,
        high=1,
    )
    ranking_holds: bool = schema_field(
        "for a flag: without this technician every step stays within its interval and the costliest stays first"
    )


class Costs(OutputTable):
    """What comebacks cost per year, one row per cause."""

    cause: str = schema_field("cause", required=True)
    comebacks_per_year: float = schema_field("comebacks per year")
    minutes_per_year: float = schema_field("bench minutes per year", unit="min")
    parts_per_year: float = schema_field("cost of parts per year", unit="currency")
    comebacks_lo: float = schema_field("95% interval of comebacks_per_year; below zero if the step may cost nothing")
    comebacks_hi: float = schema_field("95% interval of comebacks_per_year")


class Trial(OutputTable):
    """Trials in the log, one row per arm."""

    trial: str = schema_field("trial", required=True)
    arm: str = schema_field("arm", required=True)
    bleeds: int = count("bleeds")
    comebacks: int = count("comebacks within the window")
    rate: float = fraction("comebacks / bleeds followed for the whole window")
    difference: float = schema_field("difference from the first arm", unit="fraction", low=-1, high=1)
    lo: float = schema_field("95% interval", low=-1, high=1)
    hi: float = schema_field("95% interval", low=-1, high=1)
    p_value: float = fraction("two-sided p-value; a permutation test if whole units were randomised")
    design: str = schema_field("trial design; only a randomised trial is tested", levels=TRIAL_DESIGNS, required=True)
    unit: str = schema_field("unit of randomisation", levels=TRIAL_UNITS)
    units: int = schema_field("units with a bleed followed for the whole window", low=0)


class Changes(OutputTable):
    """What changed since an earlier audit, one row per change; empty without `--since`."""

    kind: str = schema_field("kind of change", levels=CHANGE_KINDS, required=True)
    subject_kind: str = schema_field("what it is about: bleed, step, field, all, or a kind of group", required=True)
    subject: str = schema_field("the group, bleed, step or field", required=True)
    state_before: str = schema_field("signal, verdict or rule in the earlier audit")
    state_now: str = schema_field("the same now; for a closed recall, what closed it")
    before: float = schema_field("figure in the earlier audit (a rate, a ratio or a count)")
    now: float = schema_field("the same figure now")
    lo: float = schema_field("95% interval of the figure now")
    hi: float = schema_field("95% interval of the figure now")
    look: int = schema_field("number of this audit in its series, counted from the first", low=1, required=True)
    confirmed: bool = schema_field(
        "whether it is clear after allowing for the audits so far; empty where there is nothing to test"
    )
    note: str = schema_field("details: who, how many, based on what")


class Predictions(OutputTable):
    """Predictions of an earlier audit compared with what happened since; empty without `--since`."""

    round: int = schema_field("number of this pair of audits; empty for all pairs together", low=1)
    from_day: pl.Date = schema_field("last day of the earlier audit", required=True)
    to_day: pl.Date = schema_field("last day of this audit", required=True)
    group: str = schema_field(
        "all, a tenth (decile) of predicted risk from tenth 1 (lowest) to tenth 10, or check list", required=True
    )
    bleeds: int = count("bleeds that had neither come back nor been re-bled by the earlier audit")
    expected: float = schema_field(
        "comebacks predicted for the days between, up to its return, next bleed, recall or second check, or the end of the window",
        low=0,
        required=True,
    )
    expected_se: float = schema_field("standard error of the expected number, from the model", low=0, required=True)
    observed: int = count("comebacks on those days")
    faults_found: int = count("faults found in second checks (check list only); not included in the ratio")
    ratio: float = schema_field("observed / expected", low=0)
    ratio_lo: float = schema_field("95% interval", low=0)
    ratio_hi: float = schema_field("95% interval", low=0)
    look: int = schema_field("number of looks at these predictions so far", low=1, required=True)
    signal: str = schema_field(
        "more or fewer comebacks than predicted, after allowing for the looks so far", levels=SIGNALS, required=True
    )


class ActionResults(OutputTable):
    """Outcomes of recalls and second checks."""

    measure: str = schema_field("kind and outcome, or what is estimated", required=True)
    number: int = count("number")
    total: int = count("out of")
    value: float = schema_field("share", unit="fraction", low=0, high=1)
    lo: float = schema_field("95% interval", unit="fraction", low=0, high=1)
    hi: float = schema_field("95% interval", unit="fraction", low=0, high=1)
    note: str = schema_field("what it means")


class Gauge(OutputTable):
    """Variance components of a gauge study, one row per source."""

    source: str = schema_field("source of variation", required=True)
    sd: float = schema_field("standard deviation, in the unit of the reading", low=0)
    lo: float = schema_field("95% interval", low=0)
    hi: float = schema_field("95% interval", low=0)
    share_of_total: float = fraction("share of study variation: standard deviation over the total")
    share_of_tolerance: float = schema_field("precision-to-tolerance ratio: six standard deviations / tolerance", low=0)


class GaugeNoise(OutputTable):
    """Information lost to measurement error, by number of readings averaged (same technician)."""

    readings: int = count("readings averaged")
    reliability: float = fraction("information kept, as a share of that in an exact reading", required=True)
    lo: float = fraction("95% interval")
    hi: float = fraction("95% interval")
    sample_size_ratio: float = schema_field("bleeds needed, as a multiple of those needed with an exact reading", low=1)


class Prove(OutputTable):
    """Validation on simulated workshops, one row per measure."""

    measure: str = schema_field("measure", required=True)
    sessions: int = count("bleeds in each workshop")
    workshops: int = count("simulated workshops")
    value: float = schema_field("value")
    lo: float = schema_field("95% interval")
    hi: float = schema_field("95% interval")
    share: bool = schema_field("whether the value is a share of workshops or steps")
    aim: str = schema_field("target as text")
    target_min: float = schema_field("minimum of the target")
    target_max: float = schema_field("maximum of the target")
    met: bool = schema_field("whether the result is consistent with the target (its interval overlaps it)")
    upper_bound: float = schema_field("best achievable value, if the true risks were known")


class ProcedureTrial(OutputTable):
    """Last year's bleeds judged against a new procedure, one row per step and workshop, plus one per step for all workshops."""

    step: str = schema_field("step ID in the new procedure", required=True)
    shop: str = schema_field("workshop; empty for all of them together")
    recorded: int = count("bleeds of the last year with the step recorded")
    met: int = count("of these, bleeds that would have met the new procedure")
    met_now: int = schema_field("bleeds that met the current procedure; empty for a new step", low=0)


AUDIT_TABLES: dict[str, type[OutputTable]] = {
    "intake": Intake,
    "set_aside": SetAside,
    "rates": Rates,
    "lots": Lots,
    "lot_bleeds": LotBleeds,
    "months": Months,
    "early_signs": EarlySigns,
    "steps": Steps,
    "tolerance": Tolerance,
    "interactions": Interactions,
    "what_if": WhatIf,
    "technique": Technique,
    "coaching": CoachingEffect,
    "measure_effects": MeasureEffects,
    "learners": Learners,
    "learner_curves": LearnerCurves,
    "risk": Risk,
    "second_checks": SecondChecks,
    "model": ModelQuality,
    "comparison": Comparison,
    "holds": Holds,
    "credibility": Credibility,
    "costs": Costs,
    "trial": Trial,
    "changes": Changes,
    "predictions": Predictions,
    "action_results": ActionResults,
}
OTHER_TABLES: dict[str, type[OutputTable]] = {
    "gauge": Gauge,
    "gauge_noise": GaugeNoise,
    "prove": Prove,
    "procedure_trial": ProcedureTrial,
}
