"""Changes in a workshop and whether misses and comebacks fell after them."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import coaching_changes
from analysis.pages.question import Finding, Question, chart_specs, page_table
from analysis.pages.text import followed_by_text, percentage_points, quantity
from analysis.report import Report

AXIS_TITLE = "change in the share of bleeds\n(left: fewer)"
ALL_SHOPS = "all workshops"
OUTCOMES = {"comebacks": "comebacks", "early_comebacks": "comebacks within 30 days"}
COMPARISONS = {
    "other_workshops": "other workshops",
    "before_after": "before/after only",
    "too_few_days": "before/after only: too short a log to know how much workshops vary anyway",
    "too_few": "too few bleeds",
}


def measure_question(report: Report) -> Question:
    """What each change in a workshop changed."""
    rows = _label_effects(report)
    measured = rows.filter(pl.col("change").is_not_null())
    chart = measured.select(
        "change", "lo", "hi", missed_before="before", missed_after="after", p_value=pl.col("p_value").fill_null(1.0),
        label=pl.format("{}, {}: {}", "what", "place", "result"),
    )  # fmt: skip
    return Question(
        id="measures",
        question="Did our changes help?",
        answer=_measures_finding(rows, measured),
        points=tuple(_effect_text(row) for row in measured.iter_rows(named=True)),
        action=(
            "Keep what clearly helped. Where nothing is clear yet, wait for more bleeds before you change something else."
            if measured.height
            else "Write down the first day of each change: six months on both sides show what it did."
        ),
        charts=chart_specs(coaching_changes(chart, AXIS_TITLE, "share of bleeds after a change")) if measured.height else (),
        table=page_table(
            rows,
            "Changes in a workshop",
            {
                "began_on": "since", "what": "change", "place": "workshop", "result": "outcome", "before": "before %",
                "bleeds_before": "of bleeds", "after": "after %", "bleeds_after": "of bleeds", "change": "change %",
                "lo": "95% low %", "hi": "95% high %", "against": "compared with", "q_value": "q",
            },
            "tables/measure_effects.csv",
        ),
        method=(
            "The share in the six months after, minus that in the six months ending three months before, minus the change in workshops without it over the same period. The three months "
            "before are left out, because a bad quarter is often why something is changed and would pass anyway. Workshops also "
            "change on their own: the interval allows for the differences seen on days when no change was made. With one workshop, or a "
            "change in all of them, it is before and after only: something else may have changed on the same day. “Clearly” "
            "controls the false discovery rate at 5% over all changes. It is observational evidence, not an experiment."
        ),
    )  # fmt: skip


def _label_effects(report: Report) -> pl.DataFrame:
    step = pl.format("“{}”", pl.col("step").replace(report.standard.missed_titles))
    result = pl.when(pl.col("outcome") == "missed").then(step).otherwise(pl.col("outcome").replace(OUTCOMES))
    return report.measure_effects.with_columns(
        place=pl.col("shop").fill_null(ALL_SHOPS), result=result, against=pl.col("comparison").replace(COMPARISONS)
    )


def _measures_finding(rows: pl.DataFrame, measured: pl.DataFrame) -> Finding:
    changes = rows.select("began_on", "what", "shop").n_unique()
    better = measured.filter(pl.col("clear").fill_null(False), pl.col("change") < 0)
    number = better.select("began_on", "what", "shop").n_unique()
    text = followed_by_text(number, changes, "change", "a clear improvement")
    alone = measured.filter(pl.col("comparison") != "other_workshops").select("began_on", "what").n_unique()
    detail = f"{quantity(alone, 'change')} could only be compared before and after." if alone else ""
    return Finding(text, detail)


def _effect_text(row: dict[str, Any]) -> str:
    change = percentage_points(row["change"], row["lo"], row["hi"])
    change += " against the other workshops" if row["comparison"] == "other_workshops" else " (before/after only)"
    return (
        f"{row['what']} ({row['place']}, {row['began_on']}): {_outcome_words(row)}. {row['result'][:1].upper()}{row['result'][1:]}: "
        f"{row['before']:.1%} of {quantity(row['bleeds_before'], 'bleed')} before, {row['after']:.1%} of "
        f"{row['bleeds_after']:,} after; change {change}."
    )


def _outcome_words(row: dict[str, Any]) -> str:
    if row["comparison"] == "before_after":
        return "before/after only: no conclusion possible"
    if row["comparison"] == "too_few_days":
        return "too short a log to know how much workshops vary anyway: no conclusion possible"
    if not row["clear"]:
        return "no clear change"
    return "clearly fewer" if row["change"] < 0 else "clearly more"
