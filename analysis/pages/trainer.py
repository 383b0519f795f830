"""The trainer's page: costly steps, tolerances, coaching cards, the effect of coaching, and unusual records."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import polars as pl

from analysis.charts import missed_bars, step_bars, step_board, tolerance_curve
from analysis.charts.theme import reading_words
from analysis.pages.labels import (
    COSTLY_VERDICTS,
    field_label,
    field_labels,
    largest_cost_text,
    missed_title,
    quoted_misses,
    reading_text,
    step_titles,
    with_missed_titles,
)
from analysis.pages.lead_savings import robustness_points, step_finding
from analysis.pages.question import Finding, Question, chart_specs, page_table, with_title
from analysis.pages.text import join_words, percent, percent_interval, quantity
from analysis.pages.trainer_cards import card_question
from analysis.pages.trainer_coaching import coaching_question, credibility_question
from analysis.pages.trainer_learners import learner_question
from analysis.report import Report
from schemas import reading_label

CLEAR_Q = 0.05


def trainer_questions(report: Report) -> list[Question]:
    """The trainer's questions, most urgent first, answered from the report."""
    return [
        _step_question(report),
        _tolerance_question(report),
        card_question(report),
        *([] if report.learners.is_empty() else [learner_question(report)]),
        coaching_question(report),
        credibility_question(report),
    ]


def _step_question(report: Report) -> Question:
    ranked = with_missed_titles(report, report.steps.sort("rank", "step", nulls_last=True))
    has_costs = bool(ranked.get_column("preventable_per_100").count())
    technique = with_missed_titles(report, report.technique)
    costly = report.steps.filter(pl.col("verdict").is_in(COSTLY_VERDICTS)).height
    return Question(
        id="steps",
        question="Which missed steps lead to the most comebacks?",
        answer=step_finding(report),
        points=tuple(_step_points(report)),
        figures=tuple(robustness_points(report)),
        action="Demonstrate the steps that clearly lead to comebacks when missed; use the jobs on the cards as examples." if costly else "",
        hint="Click a step (or pick one below) to see how each technician compares with peers." if has_costs and technique.get_column("excess").count() else "",
        charts=_step_charts(ranked, technique),
        table=page_table(
            ranked,
            "Steps of the procedure, three estimates",
            {
                "title": "what went wrong", "missed": "missed", "recorded": "recorded", "share_missed": "share missed %",
                "preventable_per_100": "comebacks prevented per 100", "lo": "95% low", "hi": "95% high",
                "survival_estimate": "from comebacks only", "survival_estimate_lo": "95% low", "survival_estimate_hi": "95% high",
                "aipw_per_100": "doubly robust check", "aipw_lo": "95% low", "aipw_hi": "95% high", "rank_lo": "rank, 95% low",
                "rank_hi": "rank, 95% high", "times_benchmark": "times the benchmark", "verdict": "verdict",
            },
            "tables/steps.csv",
        ),
        method=(
            "Three estimates. From comebacks only: a model of the time to a comeback. The main estimate also uses stand readings "
            "(lever travel, pump-up, bubbles) where they predict comebacks. The doubly robust check is cross-fitted on bleeds "
            "with complete follow-up. All three are observational, not experimental, and assume no unrecorded cause. The first "
            "three steps are the most certain; the rest are in order of their estimates; where rank intervals overlap, the order is not certain. "
            "“Leads to comebacks” requires an interval above zero, q at most 0.05 over all steps (a rule for choosing, which does "
            "not guarantee a rate of false alarms), the estimate from comebacks only to agree in direction, no sign of an unrecorded "
            "cause, and a direct effect that an unrecorded cause as strong as any recorded group (kind of work, technician, workshop, "
            "workload, calendar time) could not explain away; otherwise the miss “goes with comebacks”. “Suspected” means an "
            "interval above zero, not confirmed."
        ),
    )  # fmt: skip


def _step_charts(ranked: pl.DataFrame, technique: pl.DataFrame) -> tuple[dict[str, Any], ...]:
    """What each step costs, with the technicians where they can be compared; how often it is missed where no cost is known."""
    if ranked.get_column("preventable_per_100").count():
        compared = technique.get_column("excess").count()
        return chart_specs(step_board(ranked, technique) if compared else step_bars(ranked))
    return chart_specs(missed_bars(ranked)) if ranked.get_column("share_missed").count() else ()


def _step_points(report: Report) -> list[str]:
    points = []
    disagreeing = report.steps.filter(pl.col("aipw_disagrees")).get_column("step").to_list()
    if disagreeing:
        points.append(
            f"The doubly robust check disagrees on {join_words(quoted_misses(report, disagreeing))}: do not rely on that figure."
        )
    harmless = report.steps.filter(pl.col("verdict") == "no_sign", pl.col("rank").is_not_null()).sort(
        "share_missed", descending=True
    )
    often = [
        f"“{missed_title(report, step)}”, in {percent(misses / recorded)} of bleeds: costs {largest_cost_text(hi)}"
        for step, misses, recorded, hi in harmless.head(2).select("step", "missed", "recorded", "hi").iter_rows()
    ]
    if often:
        points.append(
            f"Often missed without a clear cost: {'; '.join(often)}. Keep the steps: a cost cannot be ruled out."
        )
    return points


def _tolerance_question(report: Report) -> Question:
    titles = step_titles(report)
    curves = [
        with_title(tolerance_curve(own, reading_label(str(field))), titles.get(str(step), str(step)))
        for (step, field), own in report.tolerance.group_by("step", "field", maintain_order=True)
    ]
    differing = _differing_readings(report)
    answer = Finding("Too few comebacks to judge any limit.")
    if curves:
        text = (
            f"Comeback risk clearly changes with {len(differing)} of {quantity(len(curves), 'reading')}: "
            f"{'; '.join(_differing_labels(report, differing))}."
            if differing
            else f"For none of the {quantity(len(curves), 'reading')} does comeback risk clearly change with the value."
        )
        answer = Finding(text)
    table = report.tolerance.with_columns(
        field_labels("field"), pl.col("step").replace(titles), reading=reading_words()
    )
    return Question(
        id="tolerance",
        question="Are our limits in the right place?",
        fold_charts=True,
        answer=answer,
        points=(*_one_more(report, set(differing)), *_curve_disagreement_points(report, set(differing))),
        figures=tuple(f"{words}." for words in differing.values()),
        action="If risk is still falling well inside a limit, consider a trial of a tighter one." if differing else "",
        charts=chart_specs(*curves),
        table=page_table(
            table,
            "Comeback risk by reading",
            {
                "step": "step", "field": "field", "reading": "reading", "bleeds": "bleeds at about this value", "risk": "risk %",
                "lo": "95% low %", "hi": "95% high %", "q_value": "q",
            },
            "tables/tolerance.csv",
        ),
        method=(
            "The adjusted risk within the window at each value of the reading (dose-response curve), from comebacks only; rare values are pooled with the nearest on the same side of the limit (“6+”: 6 or more). One "
            "test for each curve; the false discovery rate over all curves is controlled at 5%. The estimate for a step compares met with missed at the "
            "limit and also uses stand readings, so it can see what the curve cannot. A flat curve does not show that a limit is "
            "unnecessary. The maker's limits come first in any case."
        ),
    )  # fmt: skip


def _curve_disagreement_points(report: Report, differing: set[str]) -> tuple[str, ...]:
    """Steps on which the dose-response curve and the step's estimate say different things, and what to do."""
    on_chart = report.steps.filter(pl.col("step").is_in(sorted(set(report.tolerance.get_column("step")))))
    verdicts = on_chart.sort("rank", "step", nulls_last=True).select("step", "verdict").rows()
    costly = [step for step, verdict in verdicts if verdict in COSTLY_VERDICTS and step not in differing]
    harmless = [step for step, verdict in verdicts if verdict == "no_sign" and step in differing]
    points = []
    if costly:
        points.append(
            f"{join_words(quoted_misses(report, costly))}: linked with comebacks, but the risk does not clearly change with the reading. The "
            "curve uses comebacks only and is less sensitive than the step estimate. Keep the limit."
        )
    if harmless:
        points.append(
            f"{join_words(quoted_misses(report, harmless))}: risk changes with the reading, but being outside the limit shows no clear "
            "cost. The curve may be a false alarm: keep the limit unless a trial says otherwise."
        )
    return tuple(points)


def _one_more(report: Report, differing: set[str]) -> list[str]:
    """What one more than the least number asked for goes with, where a count has a lower limit only."""
    points = []
    for (step,), own in report.tolerance.group_by("step", maintain_order=True):
        least = own.item(0, "tolerance_lo")
        if step not in differing or least is None or own.item(0, "tolerance_hi") is not None:
            continue
        rows = {
            row["reading"]: row for row in own.drop_nulls(["lo", "hi"]).iter_rows(named=True) if row["pooled"] is None
        }
        if least in rows and least + 1 in rows:
            risks = [
                percent_interval(*(rows[one][name] for name in ("risk", "lo", "hi"))) for one in (least, least + 1)
            ]
            label = field_label(own.item(0, "field"))
            points.append(
                f"With {least + 1:g} {label}, {risks[1]} come back; with {least:g}, {risks[0]} (adjusted for the work)."
            )
    return points


def _differing_labels(report: Report, differing: Iterable[str]) -> list[str]:
    fields = (
        report.tolerance.filter(pl.col("step").is_in(list(differing))).get_column("field").unique(maintain_order=True)
    )
    return [reading_label(str(one)) for one in fields]


def _differing_readings(report: Report) -> dict[str, str]:
    """Readings whose curve is clearly not flat: the step, and its highest and lowest risk in words."""
    differing = {}
    titles = report.standard.missed_titles
    for (step,), own in report.tolerance.group_by("step", maintain_order=True):
        curve = own.filter(pl.col("lo").is_not_null(), pl.col("hi").is_not_null(), pl.col("q_value") <= CLEAR_Q)
        if curve.is_empty():
            continue
        high = curve.sort("lo", "reading", descending=[True, False]).row(0, named=True)
        low = curve.sort("hi", "reading").row(0, named=True)
        risks = [
            f"{percent_interval(row['risk'], row['lo'], row['hi'])} at {reading_text(row['field'], row['reading'], row['pooled'])}"
            for row in (high, low)
        ]
        differing[str(step)] = f"“{titles.get(str(step), str(step))}”: {risks[0]}, {risks[1]}"
    return differing
