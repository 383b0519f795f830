"""Bleeds on hold: what must be called back now."""

from __future__ import annotations

import polars as pl

from analysis.charts import holds_by_day
from analysis.pages.blocks import Question, drawn, page_table
from analysis.pages.findings import HOLD_WORDS, holds_sentence
from analysis.report import Report


def to_call_back(report: Report) -> Question:
    """What must be called back now, whatever the statistics say."""
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
