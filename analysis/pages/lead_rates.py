"""The comeback rate and its changes over time."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import (
    cusum_lines,
    incidence_curve,
)
from analysis.pages.labels import missed_title
from analysis.pages.lead_signs import (
    first_sign_findings,
    months_since_year_zero,
    sign_finding,
    sign_name,
    signs_near_month,
)
from analysis.pages.question import Finding, Question, chart_specs, page_table, with_title
from analysis.pages.text import (
    estimate,
    join_words,
    month_name,
    observed_share_text,
    percent,
    percent_interval,
    percent_range,
    percentage_points,
    quantity,
)
from analysis.report import Report

MAX_MONTH_CHARTS = 8
ALL_SHOPS = "All workshops together"
NO_RETURNS = "Add the table of returns (bike, brake, date, complaint) to the exports."


def rate_finding(report: Report) -> Finding:
    """The share of followed bleeds that came back, with its interval and denominator."""
    row = report.rates.filter(pl.col("kind") == "all").row(0, named=True)
    if not report.has_returns:
        return Finding("Comeback rate unknown: no returns were read.", NO_RETURNS)
    if not row["mature"]:
        return Finding(f"Too early for a comeback rate: no bleed has been followed for {report.window_days} days yet.")
    detail = (
        f"{row['comebacks']:,} of {quantity(row['mature'], 'bleed')}; 95% interval "
        f"{percent_range(row['rate_lo'], row['rate_hi'])}."
    )
    return Finding(f"{percent(row['rate'])} of bleeds came back within {report.window_days} days.", detail)


def rate_question(report: Report) -> Question:
    """The comeback rate."""
    return Question(
        id="rate",
        question="What is our comeback rate?",
        answer=rate_finding(report),
        action=_rate_action(report),
        points=tuple(_rate_points(report)),
        figures=tuple(_rate_figures(report)),
        charts=chart_specs(incidence_curve(report.incidence, report.window_days)) if len(report.incidence) else (),
        table=page_table(
            report.rates.filter(pl.col("kind") == "all"),
            "All bleeds",
            {"sessions": "bleeds", "mature": "followed", "comebacks": "came back", "rate": "rate %", "rate_lo": "95% low %",
             "rate_hi": "95% high %", "incidence": "with recent bleeds %", "incidence_lo": "95% low %", "incidence_hi": "95% high %"},
            "tables/rates.csv",
        ),
        method=(
            f"A bleed counts as followed if its returns were recorded for at least {report.window_days} days after it. The rate "
            "has a Wilson interval. The curve is the Aalen–Johansen cumulative incidence; a later bleed of the same brake is a "
            "competing event."
        ),
    )  # fmt: skip


def _rate_action(report: Report) -> str:
    """How to use the rate; without one there is nothing to quote."""
    row = report.rates.filter(pl.col("kind") == "all").row(0, named=True)
    if not report.has_returns:
        return "Add the returns, then audit again."
    return "Quote the rate with its interval; do not count a recent bleed as good yet." if row["mature"] else ""


def _rate_figures(report: Report) -> list[str]:
    """The rate with recent bleeds, whether comebacks come early or late, and returns without a bleed."""
    row, lines = report.rates.filter(pl.col("kind") == "all").row(0, named=True), []
    recent = row["sessions"] - row["mature"]
    if row["incidence"] is not None and recent:
        lines.append(
            f"Allowing for the {quantity(recent, 'bleed')} not followed for all {report.window_days} days: "
            f"{percent_interval(row['incidence'], row['incidence_lo'], row['incidence_hi'])}."
        )
    if report.weibull is not None:
        shape = estimate(report.weibull.shape, report.weibull.shape_lo, report.weibull.shape_hi)
        lines.append(f"{report.weibull.interpretation}. Weibull shape {shape}.")
    unlinked = int(report.intake.get_column("unlinked").sum())
    if unlinked:
        verb = "is" if unlinked == 1 else "are"
        lines.append(f"{quantity(unlinked, 'return')} could not be matched to a bleed and {verb} not counted.")
    return lines


def _rate_points(report: Report) -> list[str]:
    if report.log.has_comebacks_table:
        return []
    return [
        "No table of returns was read. Only returns given as the reason for a later job are counted, so the true rate is probably higher."
    ]


def trend_finding(report: Report) -> Finding | None:
    """Whether the last year differs from the year before; None where the log has no two years, or no return was read."""
    years = report.years
    if years is None or not report.has_returns:
        return None
    now, before, lo, hi = years.now, years.before, float(years.limits.lo), float(years.limits.hi)
    state = "has not clearly changed from" if lo <= 0 <= hi else f"is clearly {'up' if lo > 0 else 'down'} on"
    change = percentage_points(now.rate - before.rate, lo, hi)
    return Finding(
        f"The comeback rate {state} the year before.",
        f"{change}, 95% interval. Bled {now.days}: {observed_share_text(now.comebacks, now.bleeds)}. The year before: "
        f"{observed_share_text(before.comebacks, before.bleeds)}. Not adjusted for the kind of work.",
    )


def change_finding(report: Report) -> Finding:
    """Which group got better or worse and since when, or that no change is clear."""
    if not report.months.get_column("centre").count():
        if (report.months.get_column("signal") == "in_question").any():
            return Finding(
                "Whether things got better or worse cannot be judged until it is known on which days returns were recorded."
            )
        return Finding("Too few comebacks to say whether things got better or worse.")
    changes = _drop_overall_changes_due_to_one_workshop(report.months.filter("change_began"))
    if changes.is_empty() and (early := first_sign_findings(report)):
        return Finding(" ".join(one.text for one in early), " ".join(one.detail for one in early))
    if changes.is_empty():
        return _undated_signals_finding(report.months.filter(pl.col("signal").is_in(["high", "low"])))
    findings = [_dated_change_finding(report, row) for row in changes.iter_rows(named=True)]
    return Finding(" ".join(one.text for one in findings), " ".join(one.detail for one in findings))


def _undated_signals_finding(signals: pl.DataFrame) -> Finding:
    """Months outside their limits although no date of a change is clear."""
    if signals.is_empty():
        return Finding("No clear change: every month is within its control limits.")
    groups = [
        f"{ALL_SHOPS if kind == 'all' else group} ({join_words([month_name(m) for m in own.sort('month').get_column('month')])})"
        for (kind, group), own in signals.group_by("kind", "group", maintain_order=True)
    ]
    return Finding("Some months are outside their limits, but no lasting change can be dated.", f"{'; '.join(groups)}.")


def _drop_overall_changes_due_to_one_workshop(changes: pl.DataFrame) -> pl.DataFrame:
    """The changes without one of all workshops together that a workshop's own change of that step and time explains."""
    shops, overall = changes.filter(pl.col("kind") != "all"), changes.filter(pl.col("kind") == "all")
    explained = [
        not shops.filter(
            pl.col("step_moved").eq_missing(step),
            (months_since_year_zero(pl.col("month")) - months_since_year_zero(pl.lit(month))).abs() <= 1,
        ).is_empty()
        for month, step in overall.select("month", "step_moved").iter_rows()
    ]
    return pl.concat([overall.filter(~pl.Series(explained, dtype=pl.Boolean)), shops])


def _dated_change_finding(report: Report, row: dict[str, Any]) -> Finding:
    """`Velmoor got worse in August 2025: 5.7% came back before, 12.2% since.`"""
    own = report.months.filter(pl.col("kind") == row["kind"], pl.col("group") == row["group"])
    before, since = own.filter(pl.col("month") < row["month"]), own.filter(pl.col("month") >= row["month"])
    counts = [(int(part["comebacks"].sum()), int(part["mature"].sum())) for part in (before, since)]
    rates = [back / bleeds if bleeds else None for back, bleeds in counts]
    name = ALL_SHOPS if row["kind"] == "all" else row["group"]
    if rates[0] is None or rates[1] is None:
        return Finding(f"{name} changed in {month_name(row['month'])}.")
    if rates[1] > rates[0] and (signs := signs_near_month(report, row["group"], row["month"])):
        return _change_finding_by_signs(report, row, counts, signs)
    way = "worse" if rates[1] > rates[0] else "better"
    text = f"{name} has been {way} since {month_name(row['month'])}: {percent(rates[0])} came back before, {percent(rates[1])} since."
    detail = f"{observed_share_text(*counts[0])} before, {observed_share_text(*counts[1])} since."
    step = _moved_step_finding(report, row)
    return Finding(f"{text} {step.text}".strip(), f"{detail} {step.detail}".strip())


def _change_finding_by_signs(
    report: Report, row: dict[str, Any], counts: list[tuple[int, int]], signs: list[dict[str, Any]]
) -> Finding:
    """A change dated by what moved first, with the date of everything that moved."""
    first, month = sign_finding(report, signs[0]), month_name(row["month"])
    moved = [(one["month"], sign_name(report, one)) for one in signs]
    moved = sorted([*moved, (row["month"], f"returns within {report.window_days} days")], key=lambda pair: pair[0])
    dates = "; ".join(f"{what}, {month_name(when)}" for when, what in moved)
    before, since = (percent(back / bleeds) for back, bleeds in counts)
    return Finding(
        f"{first.text} Comebacks rose in {month}: {before} before, {since} since.",
        f"{first.detail} Comebacks: {observed_share_text(*counts[0])} before, {observed_share_text(*counts[1])} since. "
        f"Approximate months: {dates}.",
    )


def _moved_step_finding(report: Report, row: dict[str, Any]) -> Finding:
    """The step whose share of misses moved with the change, before and since."""
    if not row["step_moved"]:
        return Finding("")
    missed = report.data.missed.get_column(row["step_moved"])
    bleeds = report.data.bleeds.select("month", "shop").with_columns(missed=missed)
    own = bleeds if row["kind"] == "all" else bleeds.filter(pl.col("shop").fill_null("not recorded") == row["group"])
    parts = (own.filter(pl.col("month") < row["month"]), own.filter(pl.col("month") >= row["month"]))
    counts = [(int(rows.sum()), len(rows)) for rows in (part.get_column("missed").drop_nulls() for part in parts)]
    if not all(recorded for _, recorded in counts):
        return Finding("")
    before, since = (misses / recorded for misses, recorded in counts)
    if before == since:
        return Finding("")
    title = missed_title(report, row["step_moved"])
    return Finding(
        f"In the same period “{title}” went from {before:.0%} to {since:.0%} of bleeds.",
        f"“{title}”: {observed_share_text(*counts[0])} before, {observed_share_text(*counts[1])} since.",
    )


def change_question(report: Report) -> Question:
    """Better or worse, and since when."""
    overall = report.months.filter(pl.col("kind") == "all")
    has_limits = report.months.get_column("centre").count() > 0
    changed = has_limits and (report.months.get_column("change_began").any() or first_sign_findings(report))
    return Question(
        id="months",
        question="Better or worse, and when did it start?",
        answer=change_finding(report),
        action=(
            "Ask what changed there that month: people, kits, fluid, the procedure."
            if changed
            else "Keep watching. One high month within its limits is no reason to change anything."
            if has_limits
            else ""
        ),
        fold_charts=True,
        charts=chart_specs(*_month_charts(report)) if overall.get_column("rate").count() else (),
        table=page_table(
            report.months,
            "Month by month",
            {
                "group": "group", "month": "month", "sessions": "bleeds", "mature": "followed", "comebacks": "came back",
                "rate": "rate %", "lower": "lower control limit %", "upper": "upper control limit %", "signal": "signal",
                "change_began": "change began",
            },
            "tables/months.csv",
        ),
        method=(
            "The board above shows each month with its control limits. Each month with complete follow-up is compared with the average rate for similar work, with a yearly "
            "seasonal term once there are at least 18 such months; limits are widened where months vary more than random variation would explain. Each CUSUM "
            "adds up the evidence that the odds have doubled or halved since the first third of those months. Where nothing "
            "has changed, 8 logs in 100 will still show a triangle somewhere, in either direction, and at most 5 in 100 will "
            "report a change. A triangle, or “clearly more” in the table, on a month inside its limits means that the CUSUM has passed its own limit. A change is dated by maximum likelihood. Missed steps, high stand readings (above the 90th percentile for "
            "that model) and returns within 14 and 30 days are each dated separately, unadjusted; the headline reports whichever moved "
            "first. The comebacks of a workshop whose returns are possibly incomplete are never flagged."
        ),
    )  # fmt: skip


def _month_charts(report: Report) -> list[Any]:
    """The CUSUM of each group that changed; the board has the months themselves."""
    changed = report.months.filter("change_began").unique(["kind", "group"], maintain_order=True)
    charts = []
    for kind, group in changed.select("kind", "group").iter_rows():
        own = report.months.filter(pl.col("kind") == kind, pl.col("group") == group)
        charts.append(with_title(cusum_lines(own), f"{ALL_SHOPS if kind == 'all' else group}: CUSUM"))
    return charts[:MAX_MONTH_CHARTS]
