"""How many bleeds come back, and since when it is better or worse."""

from __future__ import annotations

import polars as pl

from analysis.charts import cusum_lines, incidence_curve, months_line
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table, titled
from analysis.pages.findings import change_sentence, rate_sentence
from analysis.report import Report


def how_many(report: Report) -> Question:
    """The rate, honestly counted."""
    details = []
    if report.weibull is not None:
        shape = words.amount(report.weibull.shape, report.weibull.shape_lo, report.weibull.shape_hi)
        details.append(f"Over time, {report.weibull.words} (shape {shape}; 1 would be the same risk every day).")
    unlinked = int(report.intake.get_column("unlinked").sum())
    if unlinked:
        details.append(f"{words.count(unlinked, 'return')} found no bleed in the log and could not be counted.")
    if not report.log.comebacks_given:
        details.append(
            "No table of returns was given: returns are those that a later job's reason tells; a lower bound."
        )
    return Question(
        id="rate",
        question="How many bleeds come back, honestly counted?",
        answer=rate_sentence(report),
        action="Quote the rate with its interval; a bleed that is still young is no success yet.",
        points=tuple(details),
        charts=drawn(incidence_curve(report.incidence, report.window_days)) if len(report.incidence) else (),
        table=page_table(
            report.rates.filter(pl.col("kind") == "all"),
            "All bleeds",
            {"sessions": "bleeds", "mature": "followed", "comebacks": "came back", "rate": "rate %", "rate_lo": "from %",
             "rate_hi": "to %", "incidence": "all bleeds, young ones too %", "incidence_lo": "from %", "incidence_hi": "to %"},
            "tables/rates.csv",
        ),
        method=(
            "A bleed is followed for the window when the last day of the log is at least that many days after it. The rate "
            "has a Wilson interval; the curve is Aalen–Johansen, with a later bleed of the same brake as a competing end."
        ),
    )  # fmt: skip


def since_when(report: Report) -> Question:
    """Better or worse, and since when."""
    shops = report.months.filter(pl.col("kind") == "shop")
    flagged = report.months.filter(pl.col("change_began"))
    overall = report.months.filter(pl.col("kind") == "all")
    charts = [titled(months_line(overall), "all workshops")]
    for (group,), own in shops.group_by("group", maintain_order=True):
        if shops.n_unique("group") > 1:
            charts.append(titled(months_line(own), str(group)))
        if own.get_column("change_began").any():
            charts.append(titled(cusum_lines(own), f"{group}: when the evidence gathered"))
    return Question(
        id="months",
        hint=(
            "Grey: where a month lies by chance; dashed: the mean; a triangle: this month, or the run of months up to it, is "
            "beyond chance; hollow: not followed for the whole window yet."
        ),
        question="Better or worse, and since when?",
        answer=change_sentence(report),
        action="Look at what changed in that month: people, kits, fluid, the procedure." if len(flagged) else "Keep watching; a single high month within the limits is no reason to change anything.",
        charts=drawn(*charts[:8]) if overall.get_column("rate").count() else (),
        table=page_table(
            report.months,
            "Month by month",
            {
                "group": "group", "month": "month", "sessions": "bleeds", "mature": "followed", "comebacks": "came back",
                "rate": "rate %", "lower": "lower limit %", "upper": "upper limit %", "signal": "signal",
                "change_began": "change began",
            },
            "tables/months.csv",
        ),
        method=(
            "The limits of a month are three-sigma limits around the mean of all months followed to their end, wider where "
            "months vary more than chance; they are not adjusted for the mix of work. The running sums are: each bleed counts "
            "against what the same work gave in the first third of those months, and a sum signals where chance alone would "
            "bring it once in five years. Once a month or a sum signals, a maximum-likelihood change-point test over the "
            "months (adjusted for the work) names the month the change began, if chance would do as much in at most 5 of 100 "
            "such logs. Months whose bleeds are not all followed for the window are drawn hollow and raise no signal."
        ),
    )  # fmt: skip
