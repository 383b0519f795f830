"""The service lead's page: call back now, how many come back, better or worse, where it differs, what it costs."""

from __future__ import annotations

import polars as pl

from analysis.charts import (
    cusum_lines,
    holds_by_day,
    incidence_curve,
    missed_bars,
    months_line,
    rate_dots,
    ratio_dots,
    second_check_curve,
    step_bars,
    what_if_bars,
)
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table, titled
from analysis.pages.findings import (
    HOLD_WORDS,
    KIND_WORDS,
    change_sentence,
    cost_sentence,
    difference_sentence,
    holds_sentence,
    rate_sentence,
    signals,
    step_sentence,
)
from analysis.report import Report

STEP_COLUMNS = {
    "title": "step", "missed": "missed", "recorded": "of recorded", "share_missed": "share %",
    "preventable_per_100": "spared per 100", "lo": "from", "hi": "to", "q_value": "q",
    "naive_difference": "raw difference per 100", "e_value": "an unseen cause would need (E-value)", "verdict": "verdict",
}  # fmt: skip
OF_THE_WORK = ("brake_model", "fluid", "job_reason", "brake", "hose_route")


def lead_questions(report: Report) -> list[Question]:
    """The lead's questions in order of urgency, answered from the report."""
    return [
        _holds(report), _how_many(report), _months(report), _where(report), _steps(report), _worklist(report), _costs(report)
    ]  # fmt: skip


def _holds(report: Report) -> Question:
    beside = report.log.sessions.select(
        "session_id", "bike_id", "brake", "shop", pl.col("started_at").dt.date().alias("day")
    )
    held = report.holds.join(beside, on="session_id", how="left", maintain_order="left").with_columns(
        hold=pl.col("rule").replace(HOLD_WORDS),
        state=pl.when("open").then(pl.lit("to be called back")).otherwise(pl.lit("closed by a later bleed")),
    )
    still = held.filter("open")
    columns = {
        "session_id": "bleed", "day": "day", "shop": "workshop", "bike_id": "bike", "brake": "brake", "hold": "hold",
        "found": "found", "required": "required",
    }  # fmt: skip
    return Question(
        id="holds",
        question="What must be called back now, whatever the statistics say?",
        answer=holds_sentence(report),
        action=" ".join(["Before anything else:", *dict.fromkeys(still.get_column("action"))]) if len(still) else "",
        charts=drawn(holds_by_day(held.select("day", "hold", "session_id", "shop", "state"))) if len(held) else (),
        table=page_table(still.sort("day", "session_id", descending=[True, False]), "Bleeds on hold, newest first", columns, "tables/holds.csv"),
        open_table=bool(len(still)),
        method=(
            "A hold is a rule, not an estimate: fluid of the wrong kind, a kit of the other family, a lever released not "
            "firm, a leak seen. A hold closes when a later bleed of the same brake broke no rule."
        ),
    )  # fmt: skip


def _how_many(report: Report) -> Question:
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


def _months(report: Report) -> Question:
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
            "Each month's rate stands within the limits that chance alone explains for its mix of work. Months whose bleeds "
            "are not all followed for the window are drawn hollow and raise no signal. A change is told by a running sum of "
            "comebacks beyond those expected, and its month by where that sum began to climb."
        ),
    )  # fmt: skip


def _where(report: Report) -> Question:
    kinds = [kind for kind in KIND_WORDS if report.rates.filter(pl.col("kind") == kind).get_column("rate").count()]
    fair = bool(report.rates.get_column("expected").count())
    charts = []
    for kind in kinds:
        own = report.rates.filter(pl.col("kind") == kind)
        compared = fair and kind in ("shop", "technician", "brake_model")
        draw = ratio_dots if compared else rate_dots
        charts.append(titled(draw(own, KIND_WORDS[kind]), f"by {KIND_WORDS[kind]}"))
    columns = {
        "kind": "kind", "group": "group", "mature": "followed", "comebacks": "came back", "rate": "rate %",
        "expected": "expected from the same work", "ratio": "came back / expected", "ratio_lo": "from", "ratio_hi": "to",
        "shrunk_rate": "shrunk rate %", "q_value": "q", "signal": "signal",
    }  # fmt: skip
    told = [
        f"{row['group']} ({KIND_WORDS[row['kind']]}): {row['comebacks']} of {words.count(row['mature'], 'bleed')} came back, "
        f"{'more' if row['signal'] == 'high' else 'fewer'} than the rest of the work explains."
        for row in signals(report, OF_THE_WORK).iter_rows(named=True)
    ]
    return Question(
        id="where",
        question="Where and with whom is it really different?",
        answer=difference_sentence(report),
        points=tuple(told),
        action=(
            "Talk to people about work, not about ranks: where intervals overlap there is no order to speak of. No league table."
        ),
        charts=drawn(*charts),
        table=page_table(report.rates.filter(pl.col("kind") != "all"), "Rates by group", columns, "tables/rates.csv"),
        method=(
            "Raw rates have Wilson intervals. Expected comebacks come from a model of the work alone, fitted without the "
            "group; exact Poisson limits on the ratio; a signal needs more than chance explains, after counting how many "
            "groups were compared, and weighs returns at any age."
        ),
    )


def _steps(report: Report) -> Question:
    ranked = report.steps.sort("rank", "step", nulls_last=True)
    chart = step_bars(ranked) if ranked.get_column("preventable_per_100").count() else missed_bars(ranked)
    charts = [chart] + ([titled(what_if_bars(report.what_if), "what if")] if len(report.what_if) else [])
    points = [
        f"{row['scenario']}: {words.amount(row['preventable_per_100'], row['lo'], row['hi'])} spared per 100 bleeds, "
        f"about {row['comebacks_per_year']:.0f} comebacks and {row['minutes_per_year'] / 60:.0f} bench hours a year"
        for row in report.what_if.filter(pl.col("steps").str.contains(" ")).head(3).iter_rows(named=True)
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


def _worklist(report: Report) -> Question:
    chosen = report.risk.filter("on_worklist").sort("risk", "session_id", descending=[True, False])
    check = report.standard.second_check
    if report.risk.is_empty():
        return Question(
            id="worklist",
            question="Which bleeds deserve a second check before they leave?",
            answer="Which bleeds are at risk is too few to tell in this log: no risk is given.",
            action="Check by the standard: every bleed ends with a hard pull.",
        )
    beside = report.log.sessions.select(
        "session_id", "bike_id", "brake", "shop", "technician", pl.col("started_at").dt.date().alias("day")
    )
    columns = {
        "session_id": "bleed", "day": "day", "shop": "workshop", "bike_id": "bike", "brake": "brake", "risk": "risk %",
        "risk_lo": "from %", "risk_hi": "to %", "reason_1": "because", "reason_2": "and", "reason_3": "and also",
    }  # fmt: skip
    saved = report.second_checks.filter(pl.col("minutes_saved").is_not_null()).sort("minutes_saved", descending=True)
    points = [
        f"Checking {row['share']:.0%} of bleeds ({row['checks_per_week']:.0f} a week) would catch "
        f"{row['caught_per_100_comebacks']:.0f} of 100 comebacks; one check in {1 / row['precision']:.0f} meets one."
        for row in saved.head(1).iter_rows(named=True)
        if row["precision"]
    ]
    return Question(
        id="worklist",
        question="Which bleeds deserve a second check before they leave?",
        answer=(
            f"{words.count(chosen.height, 'bleed')} of the last {check.worklist_days} days, the highest risks that "
            f"{check.per_week:g} checks a week have time for."
        ),
        points=tuple(points),
        action="Check these first. A low risk is no clearance: every bleed ends with a hard pull.",
        charts=drawn(second_check_curve(report.second_checks)) if len(report.second_checks) else (),
        table=page_table(chosen.join(beside, on="session_id", how="left", maintain_order="left"), "Worklist", columns, "tables/risk.csv"),
        open_table=bool(chosen.height),
        method="Each risk comes from bleeds before it alone; how good such risks are stands on the analyst's page.",
    )  # fmt: skip


def _costs(report: Report) -> Question:
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
