"""Lots of fluid, kits and other groups recorded by the workshop: which have more comebacks, and their bikes."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import ratio_dots
from analysis.pages.labels import field_label
from analysis.pages.question import Finding, Question, chart_specs, page_table, with_title
from analysis.pages.text import capitalised, estimate, join_words, quantity
from analysis.report import Report

MAX_NAMES, SIGNAL_Q = 3, 0.05
COLUMNS = {
    "kind": "kind", "group": "lot, kit or other group", "bike_id": "bike", "brake": "front/rear", "shop": "workshop",
    "technician": "bled by", "bled_on": "bled on", "session_id": "job", "came_back_after": "back after (days)",
}  # fmt: skip


def lot_question(report: Report) -> Question:
    """Which lots and kits have more comebacks, and which bikes have them."""
    groups = report.lots.drop_nulls("group")
    high = _select_differing_lots(report)
    return Question(
        id="lots",
        question="Does a lot, kit or other group stand out?",
        answer=_lot_finding(report, groups, high),
        points=(*(_lot_text(report, row) for row in high.iter_rows(named=True)), *_ageing_points(report)),
        action=(
            "Take it out of use and look at it before anything else. The table lists its bikes: check those not re-bled since."
            if high.height
            else ""
        ),
        charts=chart_specs(*_lot_charts(groups)),
        table=page_table(
            _lot_bleeds_table(report), "Bleeds with the lot or kit that differs; brakes not re-bled since come first", COLUMNS, "tables/lot_bleeds.csv"
        ),
        method=(
            "Comebacks so far are compared with those expected for similar work with the same missed steps, technician, workshop and "
            "time; each bleed counts for as long as it was followed. The air shown by stand readings (lever travel, pump-up, "
            "bubbles) is compared in the same way where it predicts comebacks. A lot or kit is flagged when either is clearly higher, with "
            "the false discovery rate controlled at 5 in 100 over all of them. Change with age is measured within each lot or "
            "kit, from its first bleed in the log. A lot that only one workshop used in one season cannot be separated from "
            "what else was particular about that season. This is observational evidence, not an experiment."
        ),
    )  # fmt: skip


def _select_differing_lots(report: Report) -> pl.DataFrame:
    return report.lots.filter(pl.col("signal") == "high").sort("p_value", "kind", "group")


def _lot_finding(report: Report, groups: pl.DataFrame, high: pl.DataFrame) -> Finding:
    compared = groups.filter(pl.col("p_value").is_not_null()).height
    if high.height:
        names = [f"{_lot_label(row)}" for row in high.head(MAX_NAMES).iter_rows(named=True)]
        more = f" and {high.height - MAX_NAMES} more" if high.height > MAX_NAMES else ""
        bikes = report.lot_bleeds.filter("latest").n_unique("bike_id")
        text = f"{capitalised(join_words(names))}{more}: {_evidence_text(high)} than expected for similar work."
        return Finding(text, f"{quantity(bikes, 'bike')} not re-bled since. {quantity(compared, 'group')} compared.")
    if not compared:
        return Finding(
            "Too few comebacks to compare lots, kits or other groups.",
            f"{quantity(groups.height, 'group')} in the log.",
        )
    return Finding("No lot, kit or other group clearly has more comebacks.", f"{quantity(compared, 'group')} compared.")


def _evidence_text(high: pl.DataFrame) -> str:
    """What is clearly more, over all groups that differ."""
    by_count, by_air = (
        high.filter((pl.col(name) <= SIGNAL_Q).fill_null(False)).height for name in ("q_value", "air_q_value")
    )
    if by_count and by_air:
        return "clearly more comebacks, or more air in the stand readings,"
    return "clearly more comebacks" if by_count else "clearly more air in the stand readings"


def _lot_label(row: dict[str, Any]) -> str:
    return f"{field_label(row['kind'])} {row['group']}"


def _lot_text(report: Report, row: dict[str, Any]) -> str:
    ratio = estimate(row["ratio"], row["ratio_lo"], row["ratio_hi"])
    own = report.lot_bleeds.filter(pl.col("kind") == row["kind"], pl.col("group") == row["group"])
    shops = f" at {row['shops']}" if row["shops"] else ""
    air = (
        f"The stand readings suggest enough trapped air to multiply the risk by {estimate(row['air_ratio'], row['air_lo'], row['air_hi'])}. "
        if row["air_ratio"] is not None
        else ""
    )
    return (
        f"{capitalised(_lot_label(row))}: {quantity(row['returned'], 'comeback')}, {row['expected']:.0f} expected (ratio {ratio}). {air}"
        f"{quantity(row['sessions'], 'bleed')}{shops}, {row['first_used']} to {row['last_used']}; "
        f"{quantity(own.filter('latest').n_unique('bike_id'), 'bike')} not re-bled since."
    )


def _ageing_points(report: Report) -> list[str]:
    """Kinds of which comebacks clearly grow or fall with age, all groups taken together."""
    clear = report.lots.filter(pl.col("group").is_null(), pl.col("age_q_value") <= SIGNAL_Q)
    return [
        f"{capitalised(field_label(row['kind']))}: with each 100 days in use the comeback risk changes by a factor of "
        f"{estimate(row['age_ratio'], row['age_lo'], row['age_hi'])} ({quantity(row['sessions'], 'bleed')})."
        for row in clear.iter_rows(named=True)
    ]


def _lot_bleeds_table(report: Report) -> pl.DataFrame:
    kind = pl.col("kind").map_elements(field_label, return_dtype=pl.String)
    return report.lot_bleeds.sort("latest", "bled_on", "session_id", descending=[True, True, False]).with_columns(
        kind=kind
    )


def _lot_charts(groups: pl.DataFrame) -> list[Any]:
    charts = []
    for (kind,), own in groups.group_by("kind", maintain_order=True):
        rows = own.filter(pl.col("ratio_lo").is_not_null()).with_columns(comebacks="returned", mature="sessions")
        if rows.height:
            label = field_label(str(kind))
            charts.append(with_title(ratio_dots(rows, label), f"by {label}: comebacks so far / expected"))
    return charts
