"""Every table a run writes, one model a file. Columns may be added, never renamed.

Rates are fractions; `*_per_100` are comebacks per 100 bleeds; intervals are 95%; rank 1 is the costliest.
"""

from __future__ import annotations

from typing import Any

import pandera.polars as pa
import polars as pl

from schemas.field import schema_field
from schemas.log import TRIAL_UNITS

RULES = (
    "required_missing", "unreadable", "unreadable_row", "out_of_range", "unknown_level", "too_long", "after_as_of",
    "two_contents", "exact_copy", "no_bleed_found",
)  # fmt: skip
ACTIONS = ("row_set_aside", "value_blanked", "duplicate", "unlinked")
RATE_KINDS = (
    "all", "shop", "technician", "brake_model", "fluid", "job_reason", "brake", "hose_route",
)  # fmt: skip
TRIAL_DESIGNS = ("randomised", "before_after", "undeclared", "mixed")
SIGNALS = ("none", "high", "low", "too_few", "in_question")
VERDICTS = ("too_few", "costs_comebacks", "suspected", "no_sign")
HOLDS = ("wrong_fluid", "kit_of_other_kind", "not_firm", "leak")


class OutputTable(pa.DataFrameModel):
    """What the written tables share: their columns, all of them, in this order."""

    class Config:
        strict = True
        ordered = True
        metadata = None


def count(description: str) -> Any:
    return schema_field(description, low=0, required=True)


def fraction(description: str, *, required: bool = False) -> Any:
    return schema_field(description, unit="fraction", low=0, high=1, required=required)


class Intake(OutputTable):
    """Where the rows went: one input file and table a row."""

    file: str = schema_field("as given; book.xlsx#sheet, shop.sqlite#table", required=True)
    table: str = schema_field("the log table it holds", required=True)
    rows_read: int = count("rows read")
    accepted: int = count("rows accepted")
    set_aside: int = count("rows set aside")
    duplicates: int = count("exact copies of an earlier row")
    unlinked: int = count("accepted returns that found no bleed")
    values_blanked: int = count("cells of accepted rows that were blanked")


class SetAside(OutputTable):
    """Why a row was set aside or a value blanked: one reason a row."""

    file: str = schema_field("as in intake", required=True)
    row: int = schema_field(
        "the spreadsheet's row, heading and titles counted; the line in JSON lines; from 1 in Parquet and databases",
        required=True,
        low=1,
    )
    table: str = schema_field("the log table", required=True)
    column: str = schema_field("canonical column; the id for duplicates and conflicts; empty for unlinked")
    heading: str = schema_field("what the file calls it")
    rule: str = schema_field("the rule it broke", levels=RULES, required=True)
    value: str = schema_field("the value as it stood")
    action: str = schema_field("what was done", levels=ACTIONS, required=True)
    message: str = schema_field("in words", required=True)


class Rates(OutputTable):
    """How many come back, one group a row."""

    kind: str = schema_field("which groups are compared", levels=RATE_KINDS, required=True)
    group: str = schema_field("the group", required=True)
    sessions: int = count("accepted bleeds")
    mature: int = count("bleeds followed for the whole window")
    comebacks: int = count("mature bleeds with at least one re-bleed return within the window")
    rate: float = fraction("comebacks / mature")
    rate_lo: float = fraction("Wilson, 95%")
    rate_hi: float = fraction("Wilson, 95%")
    incidence: float = fraction("Aalen–Johansen at the window, all bleeds")
    incidence_lo: float = fraction("95%")
    incidence_hi: float = fraction("95%")
    expected: float = schema_field(
        "comebacks that others had on the same mix of work; empty where there are none to compare with", low=0
    )
    ratio: float = schema_field("comebacks / expected", low=0)
    ratio_lo: float = schema_field("95%, exact, with the chance in both counts", low=0)
    ratio_hi: float = schema_field("95%, exact, with the chance in both counts", low=0)
    shrunk_rate: float = fraction("rate pulled toward the expectation as far as its evidence is thin")
    shrunk_lo: float = fraction("95%")
    shrunk_hi: float = fraction("95%")
    funnel_lo: float = schema_field("ratio that chance alone explains, lower", low=0)
    funnel_hi: float = schema_field("ratio that chance alone explains, upper", low=0)
    p_value: float = fraction("two-sided, widened for overdispersion from ten groups on")
    q_value: float = fraction("after Benjamini–Hochberg within the kind")
    signal: str = schema_field("more or fewer than chance explains", levels=SIGNALS, required=True)
    rank_lo: float = schema_field("lower 95% limit of the rank by shrunk ratio within the kind, 1 the highest", low=1)
    rank_hi: float = schema_field("upper 95% limit of that rank", low=1)


class Months(OutputTable):
    """Better or worse, one group and month a row."""

    kind: str = schema_field("all or shop", required=True)
    group: str = schema_field("the group", required=True)
    month: str = schema_field("YYYY-MM of started_at", required=True)
    sessions: int = count("accepted bleeds")
    mature: int = count("bleeds followed for the whole window")
    comebacks: int = count("of the mature ones")
    rate: float = fraction("comebacks / mature")
    centre: float = fraction("expected of the month: the mean level, its work and season")
    lower: float = fraction("lower limit")
    upper: float = fraction("upper limit")
    cusum_up: float = schema_field("case-mix-adjusted CUSUM for worse", low=0)
    cusum_down: float = schema_field("case-mix-adjusted CUSUM for better", low=0)
    signal: str = schema_field("more or fewer than chance explains", levels=SIGNALS, required=True)
    change_began: bool = schema_field("the month the change-point estimate names", required=True)
    step_moved: str = schema_field("the step whose missed share moved with the change")
    cusum_limit: float = schema_field("where the CUSUM for worse signals", low=0)
    cusum_limit_down: float = schema_field("where the CUSUM for better signals", low=0)


class Steps(OutputTable):
    """What each step of the standard costs when missed."""

    step: str = schema_field("step id", required=True)
    title: str = schema_field("the step in words", required=True)
    recorded: int = count("bleeds where it is known")
    missed: int = count("bleeds where it was missed")
    share_missed: float = fraction("of recorded")
    preventable_per_100: float = schema_field("comebacks spared per 100 bleeds if nobody missed it", unit="per 100")
    lo: float = schema_field("95%", unit="per 100")
    hi: float = schema_field("95%", unit="per 100")
    p_value: float = fraction("one-sided")
    q_value: float = fraction("after Benjamini–Hochberg over the steps")
    rank: int = schema_field(
        "1 the costliest: the three most surely near the top, then the others, by preventable_per_100",
        low=1,
    )
    rank_lo: int = schema_field("95%", low=1)
    rank_hi: int = schema_field("95%", low=1)
    survival_estimate: float = schema_field("layer 1: from returns alone", unit="per 100")
    survival_estimate_lo: float = schema_field("95%", unit="per 100")
    survival_estimate_hi: float = schema_field("95%", unit="per 100")
    aipw_per_100: float = schema_field("layer 3: cross-fitted doubly robust on mature bleeds", unit="per 100")
    aipw_lo: float = schema_field("95%", unit="per 100")
    aipw_hi: float = schema_field("95%", unit="per 100")
    e_value: float = schema_field("how strong an unseen cause would have to be", low=1)
    verdict: str = schema_field("what may be said", levels=VERDICTS, required=True)
    crude_difference: float = schema_field("(rate missed − rate met) × share missed × 100", unit="per 100")
    aipw_disagrees: bool = schema_field("the check differs from the headline by more than chance")


class Tolerance(OutputTable):
    """The adjusted risk along a reading."""

    step: str = schema_field("step id", required=True)
    field: str = schema_field("the reading", required=True)
    reading: float = schema_field("value of the reading", required=True)
    bleeds: int = count("bleeds near this reading")
    risk: float = fraction("adjusted risk within the window")
    lo: float = fraction("95%")
    hi: float = fraction("95%")
    tolerance_lo: float = schema_field("the standard's lower limit")
    tolerance_hi: float = schema_field("the standard's upper limit")


class Interactions(OutputTable):
    """Whether a miss does more harm on work that the standard names beforehand, one declared pair a row."""

    step: str = schema_field("step id", required=True)
    title: str = schema_field("the step in words", required=True)
    field: str = schema_field("field of the work", required=True)
    level: str = schema_field("its level", required=True)
    missed_there: int = count("bleeds on that work with the step missed")
    missed_elsewhere: int = count("bleeds on other work with the step missed")
    ratio_there: float = schema_field("hazard ratio of a miss on that work", low=0)
    ratio_there_lo: float = schema_field("95%", low=0)
    ratio_there_hi: float = schema_field("95%", low=0)
    ratio_elsewhere: float = schema_field("hazard ratio of a miss on other work", low=0)
    ratio_elsewhere_lo: float = schema_field("95%", low=0)
    ratio_elsewhere_hi: float = schema_field("95%", low=0)
    p_value: float = fraction("that the two ratios are equal")
    q_value: float = fraction("false discovery held over the declared pairs")
    verdict: str = schema_field("what may be said", levels=("differs", "no_sign", "too_few"), required=True)


class WhatIf(OutputTable):
    """What would be spared if some steps were never missed."""

    scenario: str = schema_field("scenario", required=True)
    steps: str = schema_field("step ids, space between", required=True)
    preventable_per_100: float = schema_field("comebacks spared", unit="per 100")
    lo: float = schema_field("95%", unit="per 100")
    hi: float = schema_field("95%", unit="per 100")
    comebacks_per_year: float = schema_field("comebacks spared a year")
    minutes_per_year: float = schema_field("bench minutes spared a year", unit="min")
    parts_per_year: float = schema_field("parts spared a year", unit="currency")


class Technique(OutputTable):
    """Misses against peers on the same work, one technician and step a row."""

    technician: str = schema_field("technician", required=True)
    step: str = schema_field("step id", required=True)
    recorded: int = count("bleeds where it is known")
    missed: int = count("bleeds where it was missed")
    share: float = fraction("of recorded")
    peer_share: float = fraction("what the same work predicts for peers")
    excess: float = schema_field("share above peers, partially pooled", low=-1, high=1)
    lo: float = schema_field("95%", low=-1, high=1)
    hi: float = schema_field("95%", low=-1, high=1)
    preventable: float = schema_field("comebacks a year that the excess costs")
    coach_rank: int = schema_field("1 to practise first", low=1)
    preventable_lo: float = schema_field("95%, of the excess and of what a miss costs together")
    preventable_hi: float = schema_field("95%, of the excess and of what a miss costs together")
    p_value: float = fraction("of no difference from everyone on the same work, two-sided")
    q_value: float = fraction("after control of false discoveries over all technicians and steps")
    clear: bool = schema_field("q_value at most 0.05 and an interval without 0")


class CoachingEffect(OutputTable):
    """Did a coaching work."""

    technician: str = schema_field("who was coached", required=True)
    step: str = schema_field("step id", required=True)
    coached_on: pl.Date = schema_field("the day", required=True)
    missed_before: float = fraction("share missed in the half year up to a quarter before")
    missed_after: float = fraction("share missed in the half year after")
    change: float = schema_field("change against peers (difference in differences)", low=-2, high=2)
    lo: float = schema_field("95%", low=-2, high=2)
    hi: float = schema_field("95%", low=-2, high=2)
    peers_change: float = schema_field("peers' change over the same days", low=-1, high=1)
    p_value: float = fraction("of no change against peers, two-sided")
    q_value: float = fraction("after control of false discoveries over all coachings")
    clear: bool = schema_field("q_value at most 0.05")
    recorded_before: int = schema_field("bleeds where it is known, before", low=0)
    recorded_after: int = schema_field("bleeds where it is known, after", low=0)
    comebacks_change: float = schema_field("the same of the comeback rate, where there are enough", low=-2, high=2)
    comebacks_lo: float = schema_field("95%", low=-2, high=2)
    comebacks_hi: float = schema_field("95%", low=-2, high=2)


class Risk(OutputTable):
    """The risk of each bleed, with its reasons."""

    session_id: str = schema_field("bleed", required=True)
    risk: float = fraction("of a re-bleed return within the window", required=True)
    risk_lo: float = fraction("95%")
    risk_hi: float = fraction("95%")
    reason_1: str = schema_field("strongest reason, in words")
    reason_2: str = schema_field("next")
    reason_3: str = schema_field("next")
    out_of_time: bool = schema_field("the model knew only outcomes known before this bleed", required=True)
    in_sample_risk: float = fraction("the saved model's risk", required=True)
    on_worklist: bool = schema_field("among the highest recent risks the shop can check", required=True)


class SecondChecks(OutputTable):
    """What checking a share of the bleeds a second time would catch and save."""

    share: float = fraction("share of bleeds checked", required=True)
    checks_per_week: float = schema_field("checks a week", low=0)
    threshold: float = fraction("risk from which a bleed is checked")
    caught_per_100_comebacks: float = schema_field("comebacks among the checked, per 100", low=0, high=100)
    precision: float = fraction("comebacks among the checked")
    net_benefit: float = schema_field("net benefit per bleed at that threshold")
    minutes_saved: float = schema_field("bench minutes saved a year, the checks paid for", unit="min")
    caught_lo: float = schema_field("of caught_per_100_comebacks, 95%", low=0, high=100)
    caught_hi: float = schema_field("of caught_per_100_comebacks, 95%", low=0, high=100)
    minutes_saved_lo: float = schema_field("95%", unit="min")
    minutes_saved_hi: float = schema_field("95%", unit="min")


class ModelQuality(OutputTable):
    """How good the risk model is, against simple rules."""

    metric: str = schema_field("metric", required=True)
    value: float = schema_field("out of time")
    lo: float = schema_field("95%")
    hi: float = schema_field("95%")
    baseline: float = schema_field("the same metric for the baseline")
    baseline_name: str = schema_field("which baseline")


class Holds(OutputTable):
    """Bleeds to call back now, whatever the statistics say."""

    session_id: str = schema_field("bleed", required=True)
    rule: str = schema_field("which hold", levels=HOLDS, required=True)
    observed: str = schema_field("what the log says", required=True)
    required: str = schema_field("what it should say", required=True)
    action: str = schema_field("what to do", required=True)
    open: bool = schema_field("false where a later bleed of that brake broke no rule", required=True)
    priority: int = schema_field("1 is what can harm soonest", required=True, low=1, high=5)
    days_since: int = schema_field("days from the bleed to the as-of date", required=True, unit="d")
    returned_on: pl.Date = schema_field("first day that brake came back after the bleed")


class Credibility(OutputTable):
    """Can the log be believed, one technician and test a row."""

    technician: str = schema_field("technician", required=True)
    test: str = schema_field("test", required=True)
    field: str = schema_field("field tested")
    n: int = count("entries tested")
    statistic: float = schema_field("test statistic")
    p_value: float = fraction("p-value")
    q_value: float = fraction("after false-discovery control over all tests")
    flag: bool = schema_field("a reason to talk, not a verdict", required=True)
    example_sessions: str = schema_field("bleeds to look at, space between")
    ranking_tau: float = schema_field(
        "of a flag: Kendall's tau between the steps by return with and without this technician's entries",
        low=-1,
        high=1,
    )
    ranking_holds: bool = schema_field(
        "of a flag: without them no step's cost by return leaves its interval, and the costliest stays so"
    )


class Costs(OutputTable):
    """What comebacks cost a year, by cause."""

    cause: str = schema_field("cause", required=True)
    comebacks_per_year: float = schema_field("comebacks a year")
    minutes_per_year: float = schema_field("bench minutes a year", unit="min")
    parts_per_year: float = schema_field("parts a year", unit="currency")
    comebacks_lo: float = schema_field("of comebacks_per_year, 95%; below nothing where a step may cost none")
    comebacks_hi: float = schema_field("of comebacks_per_year, 95%")


class Trial(OutputTable):
    """A trial in the log, one arm a row."""

    trial: str = schema_field("trial", required=True)
    arm: str = schema_field("arm", required=True)
    bleeds: int = count("bleeds")
    comebacks: int = count("comebacks within the window")
    rate: float = fraction("comebacks / mature bleeds")
    difference: float = schema_field("against the first arm", low=-1, high=1)
    lo: float = schema_field("95%", low=-1, high=1)
    hi: float = schema_field("95%", low=-1, high=1)
    p_value: float = fraction("two-sided; a permutation of units where whole units were randomised")
    design: str = schema_field(
        "how it can be read: only a randomised one is tested", levels=TRIAL_DESIGNS, required=True
    )
    unit: str = schema_field("what was randomised", levels=TRIAL_UNITS)
    units: int = schema_field("how many of them, with a bleed followed for the window", low=0)


class Gauge(OutputTable):
    """Where a reading's spread comes from."""

    source: str = schema_field("source of spread", required=True)
    sd: float = schema_field("standard deviation, in the reading's unit", low=0)
    lo: float = schema_field("95%", low=0)
    hi: float = schema_field("95%", low=0)
    share_of_total: float = fraction("of the total standard deviation")
    share_of_tolerance: float = schema_field("six standard deviations over the tolerance", low=0)


class GaugeNoise(OutputTable):
    """What measuring takes from a reading, by how many readings of one technician are averaged."""

    readings: int = count("readings averaged")
    reliability: float = fraction("of what an exact reading would tell about comebacks", required=True)
    lo: float = fraction("95%")
    hi: float = fraction("95%")
    sample_size_ratio: float = schema_field("how many times the bleeds an exact reading would need", low=1)


class Prove(OutputTable):
    """The audit held against known truth."""

    measure: str = schema_field("measure", required=True)
    sessions: int = count("bleeds in each workshop")
    workshops: int = count("simulated workshops")
    value: float = schema_field("value")
    lo: float = schema_field("95%")
    hi: float = schema_field("95%")
    share: bool = schema_field("the measure is a share of workshops or steps")
    aim: str = schema_field("what it should be")
    target_min: float = schema_field("the aim as a number: not below")
    target_max: float = schema_field("the aim as a number: not above")
    met: bool = schema_field("the interval reaches into the aim")
    upper_bound: float = schema_field("the most that any reader of the log could reach, or the true risks themselves")


AUDIT_TABLES: dict[str, type[OutputTable]] = {
    "intake": Intake,
    "set_aside": SetAside,
    "rates": Rates,
    "months": Months,
    "steps": Steps,
    "tolerance": Tolerance,
    "interactions": Interactions,
    "what_if": WhatIf,
    "technique": Technique,
    "coaching": CoachingEffect,
    "risk": Risk,
    "second_checks": SecondChecks,
    "model": ModelQuality,
    "holds": Holds,
    "credibility": Credibility,
    "costs": Costs,
    "trial": Trial,
}
OTHER_TABLES: dict[str, type[OutputTable]] = {"gauge": Gauge, "gauge_noise": GaugeNoise, "prove": Prove}
