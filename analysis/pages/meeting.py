"""A sheet for the team meeting: the rate, what changed, one step and one question, on one A4 and without people's names."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from analysis.charts import months_line
from analysis.pages.labels import step_titles, with_missed_titles
from analysis.pages.lead_rates import change_finding, rate_finding, trend_finding
from analysis.pages.question import Finding, chart_specs
from analysis.pages.text import estimate, join_words, observed_share_text, quantity
from analysis.report import Report

RECENT_DAYS = 90
MAX_SHOPS = 6


@dataclass(frozen=True)
class MeetingSheet:
    """What the sheet says: rate and trend, a change, the month chart, one step (None without one) and a question."""

    rate: tuple[Finding, ...]
    change: Finding
    charts: tuple[dict[str, Any], ...]
    step: Finding | None
    question: str


def meeting_sheet(report: Report) -> MeetingSheet:
    """The sheet of an audit; nothing is estimated here."""
    trend = trend_finding(report)
    step = _step_to_discuss(report)
    months = report.months.filter(pl.col("kind") == "all")
    title = "" if step is None else step_titles(report)[step["step"]]
    return MeetingSheet(
        rate=(rate_finding(report), *([trend] if trend else [])),
        change=change_finding(report),
        charts=chart_specs(months_line(report)) if months.get_column("rate").count() else (),
        step=None if step is None else _step_finding(report, step, title),
        question=f"“{title}”: what stops us doing this on every bleed?"
        if title
        else "Which step is the easiest to forget, and why?",
    )


def _step_to_discuss(report: Report) -> dict[str, Any] | None:
    """The missed step that leads to the most comebacks, else the one that goes with most, else the one missed most often."""
    for verdict in ("costs_comebacks", "goes_with_comebacks"):
        steps = report.steps.filter(pl.col("verdict") == verdict).sort("rank")
        if steps.height:
            return with_missed_titles(report, steps).row(0, named=True)
    often = report.steps.filter(pl.col("missed") > 0).sort("share_missed", descending=True)
    return with_missed_titles(report, often).row(0, named=True) if often.height else None


def _step_finding(report: Report, step: dict[str, Any], title: str) -> Finding:
    shares = _recent_shares_text(report, step["step"])
    detail = f"Missed in the last {RECENT_DAYS} days: {shares}." if shares else ""
    if step["verdict"] not in ("costs_comebacks", "goes_with_comebacks"):
        return Finding(
            f"The step missed most often is “{title}”: {observed_share_text(step['missed'], step['recorded'])}.", detail
        )
    prevented = estimate(step["preventable_per_100"], step["lo"], step["hi"])
    if step["verdict"] == "goes_with_comebacks":
        return Finding(
            f"“{step['title']}” goes with more comebacks: {prevented} per 100 bleeds.",
            f"{detail} This log cannot show that it causes them.".strip(),
        )
    return Finding(f"“{step['title']}” accounts for {prevented} comebacks per 100 bleeds.", detail)


def _recent_shares_text(report: Report, step: str) -> str:
    """How often each workshop missed the step lately: `Velmoor 65% of 120 bleeds`."""
    bleeds = report.data.bleeds.select("shop", "age_days", missed=report.data.missed.get_column(step))
    recent = bleeds.filter(pl.col("age_days") < RECENT_DAYS, pl.col("missed").is_not_null())
    shops = recent.group_by(pl.col("shop").fill_null("workshop not recorded")).agg(pl.col("missed").sum(), pl.len())
    largest = shops.sort("len", "shop", descending=[True, False]).head(MAX_SHOPS)
    return join_words(
        [f"{shop} {missed / bleeds:.0%} of {quantity(bleeds, 'bleed')}" for shop, missed, bleeds in largest.iter_rows()]
    )
