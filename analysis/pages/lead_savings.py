"""What comebacks cost in a year, and what fixing the costliest steps would save."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.boards import money_per_year
from analysis.charts import missed_bars, step_bars, what_if_bars
from analysis.pages.labels import field_label, field_labels, missed_title, with_missed_titles
from analysis.pages.question import Finding, Question, chart_specs, page_table, with_title
from analysis.pages.text import (
    estimate,
    estimate_or_none_seen,
    interval,
    join_words,
    observed_share_text,
    quantity,
)
from analysis.report import Report

STEP_COLUMNS = {
    "title": "what went wrong", "missed": "missed", "recorded": "recorded", "share_missed": "share missed %",
    "preventable_per_100": "comebacks prevented per 100", "lo": "95% low", "hi": "95% high", "q_value": "q",
    "direct_per_100": "direct effect per 100", "crude_difference": "unadjusted estimate per 100", "e_value": "E-value",
    "e_value_lo": "E-value (95% low)", "benchmark": "benchmark", "times_benchmark": "times the benchmark",
    "verdict": "verdict",
}  # fmt: skip

FLOOR = {"q_value": 0.002}
"""Smaller values are those of all draws agreeing, however many were made."""
MANY_TIMES = 10
BENCHMARK_PLURALS = {
    "shop": "workshops",
    "technician": "technicians",
    "brake_model": "brake models",
    "job_reason": "reasons for the job",
    "bike_kind": "kinds of bike",
    "brake": "front and rear brakes",
    "fluid": "fluids",
    "fluid_required": "required fluids",
}
WORKLOAD = {"bleeds_that_day": "workload (bleeds per day)"}
OBSERVATION = "This is observational evidence, not an experiment: it assumes that no unrecorded cause leads to both the missed step and the comeback."


def step_finding(report: Report) -> Finding:
    """The missed steps that cost most comebacks, or the most often missed ones where too little is known."""
    costly = with_missed_titles(report, report.steps.filter(pl.col("verdict") == "costs_comebacks").sort("rank")).head(
        3
    )
    if costly.height:
        first = costly.row(0, named=True)
        text = (
            f"The missed step that leads to the most comebacks is “{first['title']}”. It accounts "
            f"for about {first['preventable_per_100']:.1f} comebacks per 100 bleeds."
        )
        details = [f"“{row['title']}” {_prevented_text(row)}" for row in costly.iter_rows(named=True)]
        return Finding(text, f"Comebacks prevented per 100 bleeds (95% interval): {join_words(details)}. {OBSERVATION}")
    linked = report.steps.filter(pl.col("verdict") == "goes_with_comebacks").sort("rank").head(3)
    if linked.height:
        details = [
            f"“{row['title']}” {_prevented_text(row)}"
            for row in with_missed_titles(report, linked).iter_rows(named=True)
        ]
        return Finding(
            "Some missed steps go with more comebacks; this log cannot show that they cause them.",
            f"Difference per 100 bleeds (95% interval): {join_words(details)}. {OBSERVATION}",
        )
    missed = report.steps.filter(pl.col("share_missed").is_not_null()).sort("share_missed", descending=True).head(3)
    often = [
        f"“{missed_title(report, step)}”, in {observed_share_text(misses, recorded)}"
        for step, misses, recorded in missed.select("step", "missed", "recorded").iter_rows()
    ]
    ranked = report.steps.get_column("preventable_per_100").count()
    text = (
        "No missed step clearly leads to comebacks."
        if ranked
        else "Too few comebacks to say which missed steps lead to them."
    )
    return Finding(text, f"Most often missed: {'; '.join(often) or 'none recorded'}.")


def robustness_points(report: Report) -> list[str]:
    """How strong an unrecorded cause would have to be to explain the three costliest steps away."""
    costly = report.steps.filter(pl.col("verdict") == "costs_comebacks", pl.col("benchmark").is_not_null()).sort("rank")
    return [
        f"“{row['title']}”: an unrecorded cause would need {_times_text(row['times_benchmark'])} the distorting effect "
        f"of the recorded differences {_differences_text(row['benchmark'])} to leave no clear effect of the step."
        for row in with_missed_titles(report, costly.head(3)).iter_rows(named=True)
    ]


def _differences_text(benchmark: str) -> str:
    """`between technicians`, `in hose length`."""
    plural = BENCHMARK_PLURALS.get(benchmark)
    return f"between {plural}" if plural else f"in {WORKLOAD.get(benchmark) or field_label(benchmark)}"


def _times_text(value: float) -> str:
    return f"{value:.1f} times" if value < MANY_TIMES else f"more than {MANY_TIMES} times"


def _prevented_text(row: dict[str, Any]) -> str:
    return estimate(row["preventable_per_100"], row["lo"], row["hi"])


def saving_question(report: Report) -> Question:
    """What fixing the costliest steps would save."""
    ranked = with_missed_titles(report, report.steps.sort("rank", "step", nulls_last=True))
    chart = step_bars(ranked) if ranked.get_column("preventable_per_100").count() else missed_bars(ranked)
    costly = report.steps.filter(pl.col("verdict") == "costs_comebacks").height
    joint = report.what_if.filter(pl.col("steps").str.contains(" ") & pl.lit(costly > 1))
    charts = [chart] + ([with_title(what_if_bars(joint), "Fixing several steps")] if len(joint) else [])
    return Question(
        id="steps",
        question="What would never missing the worst steps save?",
        answer=step_finding(report),
        points=tuple(_scenario_text(row) for row in joint.head(1).iter_rows(named=True)),
        figures=tuple(_scenario_text(row) for row in joint[1:3].iter_rows(named=True)),
        action="Deal with the top one or two first." if costly else "",
        fold_charts=True,
        charts=chart_specs(*charts),
        table=page_table(
            ranked.with_columns(field_labels("benchmark")), "Steps of the procedure", STEP_COLUMNS, "tables/steps.csv", FLOOR
        ),
        method=(
            "Comebacks prevented per 100 bleeds if nobody missed the step again, adjusted for the kind of work, the technician, "
            "the other steps and readings taken before the step, never for what was seen after it. Later steps that respond to what "
            "the mechanic sees (carry on until no bubbles show) are allowed to change too; the direct effect holds them "
            "fixed. This is observational evidence, not an experiment, and assumes no unrecorded cause of both the miss and the "
            "comeback. “Leads to comebacks” requires that no test shows such a cause, and that an unrecorded cause as strong as any recorded group "
            "(kind of work, technician, workshop, workload, calendar time) could not explain the direct effect away; otherwise, or where no group "
            "could be compared, the miss “goes with comebacks”. Tick: unadjusted estimate (not corrected for the kind of "
            "work). The first three are the most certain; the rest are in order of the estimate."
            + (f" Ranked {report.combined_estimate}." if report.combined_estimate else "")
            + "".join(f" {text}" for text in robustness_points(report))
        ),
    )  # fmt: skip


def _scenario_text(row: dict[str, Any]) -> str:
    """`If the two costliest steps were never missed: 2.3 fewer comebacks per 100 bleeds (…), about …`."""
    return (
        f"If {row['condition']}: {row['preventable_per_100']:.1f} fewer comebacks per 100 bleeds "
        f"({interval(row['lo'], row['hi'])}): about {quantity(round(row['comebacks_per_year']), 'comeback')} and "
        f"{quantity(round(row['minutes_per_year'] / 60), 'bench hour')} a year."
    )


def cost_finding(report: Report) -> Finding:
    """What comebacks cost a year."""
    if report.costs.is_empty():
        return Finding("Too few comebacks to say what they cost.")
    row = report.costs.row(0, named=True)
    text, money = f"Comebacks take about {quantity(round(row['minutes_per_year'] / 60), 'bench hour')} a year.", ""
    if report.currency:
        text += f" Time and parts together cost {_money_text(money_per_year(report), report.currency)}."
        money = (
            f"{row['minutes_per_year']:,.0f} minutes at {report.standard.minute_cost:g} {report.currency} a minute, and parts for "
            f"{_money_text(row['parts_per_year'], report.currency)}. "
        )
    return Finding(
        text,
        f"{money}{estimate(row['comebacks_per_year'], row['comebacks_lo'], row['comebacks_hi'])} comebacks a year in "
        f"{quantity(round(report.bleeds_per_year), 'bleed')}.",
    )


def _money_text(value: float, currency: str) -> str:
    return f"{value:,.0f} {currency}".rstrip()


def cost_question(report: Report) -> Question:
    """What comebacks cost a year, by cause."""
    currency = report.currency
    return Question(
        id="costs",
        question="What do comebacks cost?",
        answer=cost_finding(report),
        action="Weigh the cost of a fix against this." if len(report.costs) else "",
        table=page_table(
            _yearly_costs(report),
            "Yearly cost by cause, with 95% intervals (causes overlap, so they cannot be added together)",
            {
                "cause": "cause", "comebacks": "comebacks a year", "minutes": "bench minutes a year",
                "parts": f"parts a year, {currency}" if currency else "parts a year",
            },
            "tables/costs.csv",
        ),
        method=(
            "The rate of the last year followed in full, times the bleeds in a year. Minutes and parts are as recorded on returns, otherwise the defaults of the "
            "procedure. The intervals are those of the number of comebacks; a lower bound below zero means it may cost nothing."
        ),
    )  # fmt: skip


def _yearly_costs(report: Report) -> pl.DataFrame:
    """Comebacks, minutes and parts with their limits as text, in the order of the table."""
    rows = [
        {
            "cause": row["cause"],
            **{name: _yearly_amount_text(row, row[f"{name}_per_year"]) for name in ("comebacks", "minutes", "parts")},
        }
        for row in report.costs.iter_rows(named=True)
    ]
    return pl.DataFrame(rows, schema=["cause", "comebacks", "minutes", "parts"], orient="row")


def _yearly_amount_text(row: dict[str, Any], value: float) -> str:
    """A yearly amount with the limits of the comebacks, scaled to it."""
    per_comeback = value / row["comebacks_per_year"] if row["comebacks_per_year"] else 0.0
    lo, hi = (None if row[name] is None else row[name] * per_comeback for name in ("comebacks_lo", "comebacks_hi"))
    return estimate_or_none_seen(value, lo, hi)
