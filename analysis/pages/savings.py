"""What comebacks cost, and what fixing the costliest steps would save."""

from __future__ import annotations

import polars as pl

from analysis.charts import missed_bars, step_bars, what_if_bars
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table, titled
from analysis.pages.findings import cost_sentence, step_sentence
from analysis.report import Report

STEP_COLUMNS = {
    "title": "step", "missed": "missed", "recorded": "of recorded", "share_missed": "share %",
    "preventable_per_100": "spared per 100", "lo": "from", "hi": "to", "q_value": "q",
    "naive_difference": "raw difference per 100", "e_value": "an unseen cause would need (E-value)", "verdict": "verdict",
}  # fmt: skip


def what_fixing_saves(report: Report) -> Question:
    """What fixing the costliest steps would save."""
    ranked = report.steps.sort("rank", "step", nulls_last=True)
    chart = step_bars(ranked) if ranked.get_column("preventable_per_100").count() else missed_bars(ranked)
    joint = report.what_if.filter(pl.col("steps").str.contains(" "))
    charts = [chart] + ([titled(what_if_bars(joint), "several steps together")] if len(joint) else [])
    points = [
        f"{row['scenario'][:1].upper()}{row['scenario'][1:]}: {words.amount(row['preventable_per_100'], row['lo'], row['hi'])} spared per 100 bleeds, "
        f"about {row['comebacks_per_year']:.0f} comebacks and {row['minutes_per_year'] / 60:.0f} bench hours a year"
        for row in joint.head(3).iter_rows(named=True)
    ]
    return Question(
        id="steps",
        question="What would fixing the costliest steps save?",
        answer=step_sentence(report),
        points=tuple(points),
        action="Start with the first one or two; they are worth more than a general reminder.",
        charts=drawn(*charts),
        table=page_table(ranked, "Steps of the standard", STEP_COLUMNS, "tables/steps.csv"),
        method=(
            "Spared comebacks per 100 bleeds if nobody missed the step again, adjusted for the work, the person and the other "
            "steps, never for what was seen afterwards. It is observation, not experiment; the grey tick is the raw "
            "difference, which also blames a step for the work it is skipped in."
            + (f" Ranked {report.headline}." if report.headline else "")
        ),
    )


def what_comebacks_cost(report: Report) -> Question:
    """What comebacks cost a year."""
    return Question(
        id="costs",
        question="What do comebacks cost?",
        answer=cost_sentence(report),
        action="Hold a fix against these figures: what it takes in minutes, and what it spares.",
        table=page_table(
            report.costs,
            "A year's cost by cause (causes do not add up)",
            {
                "cause": "cause", "comebacks_per_year": "comebacks a year", "minutes_per_year": "bench minutes a year",
                "parts_per_year": f"parts a year, {report.standard.currency}",
            },
            "tables/costs.csv",
        ),
        method="The rate times bleeds a year; minutes and parts as the returns tell them, else as the shop's standard says.",
    )  # fmt: skip
