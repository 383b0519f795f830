"""What comebacks cost, and what fixing the costliest steps would save."""

from __future__ import annotations

from typing import Any

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
            "difference, which also blames a step for the work it is skipped in. The first three are those most surely near the "
            "top; the others stand by their figure." + (f" Ranked {report.headline}." if report.headline else "")
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
            _in_plain_words(report.costs),
            "A year's cost by cause, with 95% limits (causes do not add up)",
            {
                "cause": "cause", "comebacks": "comebacks a year", "minutes": "bench minutes a year",
                "parts": f"parts a year, {report.standard.currency}",
            },
            "tables/costs.csv",
        ),
        method=(
            "The rate times bleeds a year; minutes and parts as the returns tell them, else as the shop's standard says. The "
            "limits are those of the number of comebacks; below nothing means that the step may cost none."
        ),
    )  # fmt: skip


def _in_plain_words(costs: pl.DataFrame) -> pl.DataFrame:
    """Comebacks, minutes and parts with their limits in words, in the order of the table."""
    told = [
        {
            "cause": row["cause"],
            **{name: _of_a_year(row, row[f"{name}_per_year"]) for name in ("comebacks", "minutes", "parts")},
        }
        for row in costs.iter_rows(named=True)
    ]
    return pl.DataFrame(told, schema=["cause", "comebacks", "minutes", "parts"], orient="row")


def _of_a_year(row: dict[str, Any], value: float) -> str:
    """One amount; its limits are those of the comebacks, times what one of them takes."""
    one = value / row["comebacks_per_year"] if row["comebacks_per_year"] else 0.0
    lo, hi = (None if row[name] is None else row[name] * one for name in ("comebacks_lo", "comebacks_hi"))
    return words.no_less_than_none(value, lo, hi)
