"""Readers' words for groups, levels, steps and tables; the glossary; the cautions. No page shows a column name."""

from __future__ import annotations

import math

import polars as pl

from analysis.report import Report
from schemas import field_label, log_fields
from schemas.log import FLUID_NAMES

CAUTIONS = (
    "Brakes are safety-critical parts. These figures are statistics about work, not an inspection of any brake: a low risk is not a pass.",
    "Never mix mineral oil and DOT fluid. Dispose of used fluid through a licensed facility.",
    "The maker's instructions, local rules and a qualified mechanic come first, and every bleed ends with a hard pull of the lever and a check for leaks.",
    "A flag against a name is a reason to talk, not a verdict.",
)
"""Shown on every page, sheet and worklist, and at the end of a run."""

GLOSSARY = (
    ("bleed", "one bleed of one brake, front or rear"),
    ("pass", "fluid pushed from one syringe to the other and back again, once"),
    (
        "comeback",
        "a bike that returned with a soft lever, long lever travel or air in the brake, not for worn parts or pads, nor for a "
        "leak alone unless the procedure counts leaks; rates count those within the window",
    ),
    ("window", "the number of days each bleed is followed"),
    ("followed", "bled long enough ago that the whole window has passed"),
    ("recall", "a bike called back at once, whatever the statistics say"),
    ("stand readings", "lever travel, pump-up and bubbles, as read with the bike in the work stand"),
    (
        "pump-up",
        "how much shorter the lever travel gets after five quick pulls, mm; often air, also worn pads or sticking pistons",
    ),
    (
        "reference lever travel",
        "the lever travel of that model without air: from the brakes table, otherwise from the shortest fifth of its firm "
        "levers; what is “usual” in a recall is the median of firm levers of that model, which is longer",
    ),
    ("procedure", "the shop's written list of steps, with the limits each reading must meet"),
    (
        "95% interval",
        "95% confidence interval: a range calculated so that 95 in 100 such ranges contain the true figure; for adjusted "
        "rates, ranks, steps, scenarios and technicians' differences from peers a credible interval: the figure is in it with 95% probability, given the model and its prior",
    ),
    ("expected", "comebacks for the same mix of work done by the other technicians or workshops here"),
    (
        "adjusted rate",
        "the overall rate times comebacks / expected for the work the group did (indirect standardisation), moved towards the average when "
        "it has few bleeds",
    ),
    (
        "statistically clear",
        "a difference that chance alone would rarely give, after allowing for multiple comparisons",
    ),
    ("points", "percentage points: 36% against 20% is 16 points more"),
    ("unadjusted estimate", "the same figure before adjusting for the kind of work"),
    (
        "q",
        "false discovery rate: among results flagged at this q or below, the share expected to be false alarms; for steps a "
        "rule for choosing, without that guarantee",
    ),
    ("control limits", "the range in which months usually stay when only chance is at work"),
    (
        "CUSUM",
        "a running score that rises with each month more like a changed rate than an unchanged one (log-likelihood ratio) "
        "and starts again at 0; shows a lasting change early",
    ),
    (
        "Weibull shape",
        "below 1, comebacks come early and tail off, as workmanship faults often do, and as a mix of high and low risks does; above 1, they come late, as wear often does",
    ),
    (
        "E-value",
        "how strongly an unrecorded cause would have to be linked with both the missed step and the comeback to explain "
        "the figure away (unmeasured confounding)",
    ),
    ("risk", "the chance of a comeback within the window, as estimated from earlier bleeds; not an inspection"),
    ("tested on later bleeds", "predicted by a model that was fitted only to earlier data"),
    ("AUC", "the chance that a bleed that came back was given a higher risk than one that did not; 0.5 is a coin toss"),
    ("log loss", "minus the logarithm of the probability given to what happened, on average; lower is better"),
    ("calibration slope", "1 means predictions are spread correctly; below 1 they are too extreme"),
    ("drift", "predictions becoming too high or too low over time"),
    ("net benefit", "comebacks covered by checks, minus the cost of unnecessary checks"),
    ("comebacks prevented per 100", "how many fewer comebacks in 100 bleeds if the step were never missed"),
    (
        "unrecorded cause",
        "something not recorded that makes both a missed step and a comeback likelier (unmeasured confounder); the figures "
        "assume there is none",
    ),
    (
        "times the benchmark",
        "how many times the distorting effect of the recorded group under “benchmark” an unrecorded cause would need to leave no "
        "clear effect; empty: not assessed",
    ),
    (
        "doubly robust check",
        "a second estimate; right in large samples provided that at least one of its two models is right, no cause is "
        "unrecorded, and for every kind of bleed the step is sometimes met and sometimes missed",
    ),
)
"""At most 40 terms."""

TABLE_LABELS = {
    "sessions": "bleeds",
    "comebacks": "returns",
    "passes": "passes",
    "technicians": "technicians",
    "coaching": "coaching",
    "measures": "changes in a workshop",
    "brakes": "brake models",
    "actions": "recalls and second checks",
}
LEVEL_LABELS = {
    **FLUID_NAMES,
    "external": "external",
    "internal": "internal",
}
JOB_PHRASES = {
    "scheduled": "scheduled jobs",
    "soft_lever": "soft-lever jobs",
    "dirty_fluid": "dirty-fluid jobs",
    "new_hose": "new-hose jobs",
    "new_brake": "new-brake jobs",
    "leak_repair": "leak repairs",
    "comeback": "comeback jobs",
    "other": "other jobs",
}
KINDS_WITH_LEVELS = ("fluid", "hose_route", "job_reason", "brake")
KIND_LABELS = {
    "shop": "workshop",
    "technician": "technician",
    "brake_model": "brake model",
    "fluid": "fluid",
    "job_reason": "reason for the job",
    "brake": "front/rear",
    "hose_route": "hose routing",
}
COSTLY_VERDICTS = ("costs_comebacks", "goes_with_comebacks", "suspected")
"""Verdicts on a step with some evidence that missing it costs comebacks."""
SMALL_COST = 0.2
"""Comebacks per 100 bleeds. A step is of low priority only if a larger cost is ruled out. Common practice, no source."""


def reading_text(field: str, value: float, pooled: str | None = None) -> str:
    """A value of a reading with its unit: `70% full` for a syringe, else `31 mm`; `pooled` readings as `6+`."""
    entry = log_fields().get(field)
    unit = entry.unit if entry else ""
    if pooled:
        return f"{pooled} {'of a full one' if unit == 'fraction' else unit}".strip()
    if unit == "fraction":
        return f"{100 * value:.0f}% full"
    return f"{value:g} {unit}".strip()


def level_label(level: str) -> str:
    """A level of a listed field in a mechanic's words: `DOT 5.1`, `leak repair`."""
    return LEVEL_LABELS.get(level, level.replace("_", " "))


def group_phrase(kind: str, group: str) -> str:
    """A group as a sentence names it: `front brakes`, `external hoses`, `jobs done for a comeback`, `DOT 4`, `Velmoor`."""
    if kind not in KINDS_WITH_LEVELS:
        return group
    label = level_label(group)
    phrases = {"brake": f"{label} brakes", "hose_route": f"{label} hoses"}
    if kind == "job_reason":
        return JOB_PHRASES.get(group, f"jobs with the reason “{label}”")
    return phrases.get(kind, label)


def with_group_labels(rates: pl.DataFrame) -> pl.DataFrame:
    """Groups that are levels of a listed field, labelled; names of people, workshops and models are unchanged."""
    labels = pl.col("group").map_elements(level_label, return_dtype=pl.String)
    return rates.with_columns(group=pl.when(pl.col("kind").is_in(KINDS_WITH_LEVELS)).then(labels).otherwise("group"))


def field_labels(column: str) -> pl.Expr:
    """A column of field names, labelled."""
    return pl.col(column).map_elements(field_label, return_dtype=pl.String)


def step_titles(report: Report) -> dict[str, str]:
    """Each step's title (done right) by its id."""
    return {step.id: step.title for step in report.standard.steps}


def missed_title(report: Report, step: str) -> str:
    """What went wrong when this step is missed; the id of a step that the standard lacks."""
    return report.standard.missed_titles.get(step, step)


def done_title(report: Report, step: str) -> str:
    """The step done right, for what is missed, practised or improved; the id of a step that the standard lacks."""
    return step_titles(report).get(step, step)


def quoted_misses(report: Report, steps: list[str]) -> list[str]:
    """Missed steps in quotation marks, for a sentence."""
    return [f"“{missed_title(report, step)}”" for step in steps]


def largest_cost_text(hi: float) -> str:
    """The largest cost that a 95% interval does not rule out, rounded up."""
    bound = max(math.ceil(round(10 * hi, 6)), 1) / 10
    return f"at most {bound:.1f} comebacks per 100 bleeds (upper 95% limit)"


def with_missed_titles(report: Report, table: pl.DataFrame) -> pl.DataFrame:
    """A table of steps with a column `title` that says what went wrong."""
    return table.with_columns(title=pl.col("step").replace(report.standard.missed_titles))
