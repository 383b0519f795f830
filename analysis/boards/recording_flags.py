"""Unusual recording patterns in words, for the boards of the trainer and the analyst."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.boards.selection import inline_data, line_break_expression, text_chart
from analysis.report import Report
from schemas import field_label

FLAGS_PX, MAX_FLAGS = 310, 6
PATTERN_LABELS = {
    "favourite_digits": "rounded readings",
    "copied_entries": "entries copied from another bleed",
    "impossible_durations": "impossible times",
    "never_varied": "a reading that never varies",
    "recorded_only_when_met": "steps recorded only when done",
}
"""Unusual recording patterns, by the name of their test."""


def recording_flags_chart(report: Report) -> Any:
    """Unusual recording patterns, one line for each technician and pattern."""
    flags = (
        report.credibility.filter("flag")
        .group_by("technician", "test", maintain_order=True)
        .agg(pl.col("field").drop_nulls().sort(), pl.col("n").max(), pl.col("q_value").max())
        .sort("technician", "test")
    )
    if flags.is_empty():
        return text_chart("Unusual recording patterns: none found.", FLAGS_PX)
    lines = [
        {"row": row, "text": f"{who}: {PATTERN_LABELS.get(test, test)}", "n": n,
         "fields": ", ".join(field_label(name) for name in fields)}
        for row, (who, test, fields, n, _) in enumerate(flags.head(MAX_FLAGS).iter_rows())
    ]  # fmt: skip
    if flags.height > MAX_FLAGS:
        words = f"and {flags.height - MAX_FLAGS} more"
        lines.append({"row": MAX_FLAGS, "text": words, "n": 0, "fields": ""})
    return (
        alt.Chart(inline_data(lines), width=FLAGS_PX, height=17 * len(lines), title="Unusual recording patterns: ask how they came about")
        .transform_calculate(lines=line_break_expression("datum.text"))
        .mark_text(aria=False, align="left", baseline="top", fontSize=12, style="words")
        .encode(
            text="lines:N", x=alt.value(0), y=alt.Y("row:O", axis=None),
            tooltip=[alt.Tooltip("text:N", title="pattern"), alt.Tooltip("fields:N"), alt.Tooltip("n:Q", title="entries")],
        )
    )  # fmt: skip
