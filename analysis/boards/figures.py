"""The five figures that open the lead's board, as text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from analysis.report import Report
from analysis.rounds import (
    RECENT_DAYS,
    SAFETY_CHECKS,
    TO_MEASURE,
    open_recalls,
    unrecorded_safety_checks,
    worthwhile_second_checks,
)


@dataclass(frozen=True)
class KeyFigure:
    """One figure: what it is, its value, and a second line with interval or count."""

    label: str
    value: str
    detail: str = ""

    def __str__(self) -> str:
        return f"{self.label}: {self.value}" + (f" ({self.detail})" if self.detail else "")


def lead_figures(report: Report) -> tuple[KeyFigure, ...]:
    """Brakes to recall, the comeback rate, its cost, checks worth doing today, what two fixed steps would save."""
    return (
        _recall_figure(report),
        _rate_figure(report),
        _cost_figure(report),
        _check_figure(report),
        _saving_figure(report),
    )


def _recall_figure(report: Report) -> KeyFigure:
    label, recalls = "Brakes to recall", open_recalls(report)
    unrecorded = unrecorded_safety_checks(report.log)
    if len(unrecorded) == len(SAFETY_CHECKS):
        return KeyFigure(label, "not known", "no fluid, kit, hard pull, leak or lever travel is recorded")
    certain = recalls.filter(~TO_MEASURE)
    brakes, recent = certain.height, certain.filter(~pl.col("older")).height
    others = recalls.height - brakes
    words = [f"{recent} bled in the last {RECENT_DAYS} days"] if brakes else []
    words += [f"{others:,} more to measure again"] if others else []
    words += [f"not recorded: {', '.join(unrecorded)}"] if unrecorded else []
    return KeyFigure(label, f"{brakes:,}", "; ".join(words) or "none")


def _rate_figure(report: Report) -> KeyFigure:
    label = f"Came back within {report.window_days} days"
    if not report.has_returns:
        return KeyFigure(label, "no rate", "no returns were read")
    row = report.rates.filter(pl.col("kind") == "all").row(0, named=True)
    if not row["mature"]:
        return KeyFigure(label, "too early", f"no bleed followed for {report.window_days} days")
    interval = f"{100 * row['rate_lo']:.1f}–{100 * row['rate_hi']:.1f}%"
    change = ""
    if years := report.years:
        change = f"; bled {years.now.days} {100 * years.now.rate:.1f}%, the year before {100 * years.before.rate:.1f}%"
    return KeyFigure(label, f"{100 * row['rate']:.1f}%", f"{interval}{change}")


def _cost_figure(report: Report) -> KeyFigure:
    label = "Bench hours lost a year"
    if report.costs.is_empty() or not report.has_returns:
        return KeyFigure(label, "not known", "too early to say" if report.has_returns else "no returns were read")
    row, currency = report.costs.row(0, named=True), report.currency
    detail = f"{_comebacks_text(row)} ({row['comebacks_lo']:.0f}–{row['comebacks_hi']:.0f})"
    if currency:
        detail += f"; {money_per_year(report):,.0f} {currency} for time and parts"
    return KeyFigure(label, f"{row['minutes_per_year'] / 60:,.0f} h", detail)


def _comebacks_text(row: dict[str, Any]) -> str:
    number = round(row["comebacks_per_year"])
    return f"{number:,} {'comeback' if number == 1 else 'comebacks'}"


def money_per_year(report: Report) -> float:
    """What a year's comebacks cost: bench minutes at the procedure's price of a minute, and parts."""
    row = report.costs.row(0, named=True)
    return float(row["parts_per_year"] + row["minutes_per_year"] * report.standard.minute_cost)


def _check_figure(report: Report) -> KeyFigure:
    label = "Checks worth doing today"
    if report.risk.is_empty():
        return KeyFigure(label, "no list", "too few comebacks to estimate risks")
    worthwhile = worthwhile_second_checks(report).height
    return KeyFigure(label, f"{worthwhile:,}", f"risk above {100 * report.break_even_risk:.0f}%, not counting recalls")


def _saving_figure(report: Report) -> KeyFigure:
    """What never missing the two costliest of the steps that clearly lead to comebacks would save, or the only one."""
    costly = report.steps.filter(pl.col("verdict") == "costs_comebacks").sort("rank").get_column("step").head(2)
    label = (
        "Never missing the costliest step would save"
        if len(costly) == 1
        else "Never missing the two costliest steps would save"
    )
    if costly.is_empty():
        estimated = report.steps.get_column("preventable_per_100").count() > 0
        return KeyFigure(
            label, "not known", "no step clearly leads to comebacks" if estimated else "too few comebacks to say"
        )
    row = report.what_if.filter(pl.col("steps") == " ".join(costly)).row(0, named=True)
    yearly = row["comebacks_per_year"] / row["preventable_per_100"] if row["preventable_per_100"] else 0.0
    titles = report.standard.missed_titles
    names = " and ".join(f"“{titles.get(step, step)}”" for step in costly)
    return KeyFigure(
        label,
        f"about {row['minutes_per_year'] / 60:,.0f} h a year",
        f"{_comebacks_text(row)} ({yearly * row['lo']:.0f}–{yearly * row['hi']:.0f}): {names}",
    )
