"""Bleeds on hold: what must be called back now."""

from __future__ import annotations

import polars as pl

from analysis.charts import holds_by_day
from analysis.pages.blocks import Question, drawn, page_table
from analysis.pages.findings import HOLD_WORDS, holds_sentence
from analysis.pages.trade_words import level_words
from analysis.report import Report


def to_call_back(report: Report) -> Question:
    """What must be called back now, whatever the statistics say."""
    beside = report.log.sessions.select(
        "session_id", "bike_id", "brake", "shop", pl.col("started_at").dt.date().alias("day")
    )
    held = report.holds.join(beside, on="session_id", how="left", maintain_order="left").with_columns(
        hold=pl.col("rule").replace(HOLD_WORDS),
        found=pl.col("found").map_elements(level_words, return_dtype=pl.String),
        required=pl.col("required").map_elements(level_words, return_dtype=pl.String),
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
        points=tuple(_first_words(rule, action) for rule, action in still.select("hold", "action").unique(maintain_order=True).iter_rows()),
        action="Before anything else, call these bikes back: they stand in the list, newest first." if len(still) else "",
        charts=drawn(holds_by_day(held.select("day", "hold", "session_id", "shop", "state"))) if len(held) else (),
        table=page_table(still.sort("day", "session_id", descending=[True, False]), "Bleeds on hold, newest first", columns, "tables/holds.csv"),
        open_table=bool(len(still)),
        method=(
            "A hold is a rule, not an estimate: fluid of the wrong kind, a kit of the other family, a lever released not "
            "firm, a leak seen. A hold closes when a later bleed of the same brake broke no rule."
        ),
    )  # fmt: skip


def _first_words(hold: str, action: str) -> str:
    return f"{hold[:1].upper()}{hold[1:]}: {action[:1].lower()}{action[1:]}"
