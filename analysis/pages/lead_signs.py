"""What moved first in a workshop, in words: missed steps, stand readings or early comebacks, each with its month."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.pages.labels import missed_title
from analysis.pages.question import Finding
from analysis.pages.text import capitalised, month_name, observed_share_text
from analysis.report import Report
from schemas import field_label

SIGN_MONTHS = 6
"""Months between an early sign and a change of the comeback rate that belong together."""
KINDS = ("missed", "reading", "early")


def first_sign_findings(report: Report, kinds: tuple[str, ...] = KINDS) -> list[Finding]:
    """What got worse first in each workshop, one finding for each workshop; no comebacks where their recording is in question."""
    unsure = (pl.col("sign") == "early") & pl.col("shop").is_in(list(report.data.in_question))
    signs = report.early_signs.filter("worse", pl.col("sign").is_in(kinds), ~unsure).sort("month", "p_value")
    return [sign_finding(report, own.row(0, named=True)) for _, own in signs.group_by("shop", maintain_order=True)]


def signs_near_month(report: Report, shop: str, month: str) -> list[dict[str, Any]]:
    """What got worse in a workshop within half a year of a month, in order."""
    own = report.early_signs.filter(
        "worse",
        pl.col("shop") == shop,
        (months_since_year_zero(pl.col("month")) - months_since_year_zero(pl.lit(month))).abs() <= SIGN_MONTHS,
    )
    return own.sort("month", "p_value").to_dicts()


def sign_finding(report: Report, row: dict[str, Any]) -> Finding:
    """`Velmoor got worse in July 2025, when “Kit not purged” went from 13% to 66% of bleeds.`"""
    before, since = row["before"] / row["before_of"], row["since"] / row["since_of"]
    what, change = sign_name(report, row), f"from {before:.0%} to {since:.0%} of bleeds"
    in_question = row["shop"] in report.data.in_question
    return Finding(
        f"At {row['shop']}, {what} went {change} in {month_name(row['month'])}."
        if in_question
        else f"{row['shop']} got worse in {month_name(row['month'])}, when {what} went {change}.",
        f"{capitalised(what)}: {observed_share_text(row['before'], row['before_of'])} before, "
        f"{observed_share_text(row['since'], row['since_of'])} since.",
    )


def sign_name(report: Report, row: dict[str, Any]) -> str:
    """`“Kit not purged”`, `high pump-up` or `returns within 30 days`."""
    if row["sign"] == "missed":
        return f"“{missed_title(report, row['subject'])}”"
    return (
        f"high readings: {field_label(row['subject'])}"
        if row["sign"] == "reading"
        else f"returns within {row['subject']} days"
    )


def months_since_year_zero(month: pl.Expr) -> pl.Expr:
    """Months since the year 0."""
    return month.str.slice(0, 4).cast(pl.Int64) * 12 + month.str.slice(5, 2).cast(pl.Int64)
