"""Bleeds on hold: what must be called back now, the most dangerous and the latest first."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import holds_by_day
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table
from analysis.pages.findings import HOLD_WORDS, RECENT_DAYS, holds_sentence
from analysis.pages.trade_words import level_words
from analysis.report import Report

FIRST = 8
SAID_BY_WHAT_TO_DO = ("leak", "not_firm")
"""Holds whose what-to-do says what was found."""


def to_call_back(report: Report) -> Question:
    """What must be called back now, whatever the statistics say."""
    held = _held(report)
    still = _one_a_brake(held.filter("open"))
    columns = {
        "bike_id": "bike", "brake": "brake", "shop": "workshop", "session_id": "bleed", "day": "day",
        "days_since": "days since", "why": "why", "returned_on": "came back since",
    }  # fmt: skip
    return Question(
        id="holds",
        question="What must be called back now, whatever the statistics say?",
        answer=holds_sentence(report),
        points=tuple(_told(row) for row in _first(still).iter_rows(named=True)),
        action=_action(still, held.filter("open").get_column("session_id").n_unique()),
        charts=drawn(holds_by_day(held.select("day", "hold", "session_id", "shop", "state"))) if len(held) else (),
        table=page_table(still, "Brakes to call back, in the order to call them", columns, "tables/holds.csv"),
        open_table=0 < len(still) <= FIRST,
        method=(
            "A hold is a rule, not an estimate: fluid of the wrong kind, a kit of the other family, a lever released not "
            "firm, a leak seen. A hold closes when a later bleed of the same brake broke no rule. "
            f"Brakes that left in the last {RECENT_DAYS} days stand before older ones; among each, what can harm soonest "
            "first (fluid of the other family, a leak, a lever not firm, a kit of the other kind, another fluid of the same "
            "family), then the latest. The order is common practice, without a source; a qualified mechanic may know better."
        ),
    )  # fmt: skip


def _held(report: Report) -> pl.DataFrame:
    beside = report.log.sessions.select(
        "session_id", "bike_id", "brake", "shop", pl.col("started_at").dt.date().alias("day")
    )
    return report.holds.join(beside, on="session_id", how="left", maintain_order="left").with_columns(
        hold=pl.col("rule").replace(HOLD_WORDS),
        found=pl.col("found").map_elements(level_words, return_dtype=pl.String),
        required=pl.col("required").map_elements(level_words, return_dtype=pl.String),
        state=pl.when("open").then(pl.lit("to be called back")).otherwise(pl.lit("closed by a later bleed")),
    )


def _one_a_brake(still: pl.DataFrame) -> pl.DataFrame:
    """Each brake once, by its latest bleed and the worst of its holds, in the order to call them."""
    ranked = still.with_columns(older=pl.col("days_since") > RECENT_DAYS)
    latest = ranked.filter(pl.col("day") == pl.col("day").max().over("bike_id", "brake"))
    worst = latest.sort("danger", "session_id").unique(["bike_id", "brake"], keep="first", maintain_order=True)
    said = pl.format("{}: {}, required {}", "hold", "found", "required")
    why = pl.when(pl.col("rule").is_in(SAID_BY_WHAT_TO_DO)).then("hold").otherwise(said)
    return worst.sort("older", "danger", "days_since", "session_id").with_columns(why=why)


def _first(still: pl.DataFrame) -> pl.DataFrame:
    """The first of this month's; where there are none, of the older ones."""
    recent = still.filter(~pl.col("older"))
    return (recent if recent.height else still).head(FIRST)


def _told(row: dict[str, Any]) -> str:
    where = f", {row['shop']}" if row["shop"] else ""
    since = f" It came back on {row['returned_on']}: ask what was done then." if row["returned_on"] else ""
    found = "" if row["rule"] in SAID_BY_WHAT_TO_DO else f"{row['found']}, required {row['required']}. "
    return (
        f"{row['bike_id']}, {row['brake']} brake (bleed {row['session_id']}, {_ago(row['days_since'])}{where}): "
        f"{found}{row['action'].removeprefix('Call the bike back now. ')}{since}"
    )


def _span(days: list[int]) -> str:
    return f"{days[0]} days" if days[0] == days[-1] else f"{days[0]} to {days[-1]} days"


def _ago(days: int) -> str:
    return "today" if days == 0 else f"{words.count(days, 'day')} ago"


def _action(still: pl.DataFrame, bleeds: int) -> str:
    """What to do today first, and what comes after it; brakes bled more than once on a hold stand once."""
    if still.is_empty():
        return ""
    older = still.filter("older")
    days = older.get_column("days_since").sort().to_list()
    recent = still.height - older.height
    listed = _first(still).height
    rest = still.height - listed
    more = (
        f" The list above names the first {listed}; the other {rest} stand in the table, in the order to call them."
        if rest
        else ""
    )
    if bleeds > still.height:
        brakes = words.count(still.height, "brake")
        more += f" The {bleeds:,} bleeds are of {brakes}: each stands once, by its latest."
    if not recent:
        return (
            f"Call {'this brake' if still.height == 1 else 'these brakes'} back before anything else, in this order: no later "
            f"bleed in the log put {'it' if still.height == 1 else 'them'} right.{more}"
        )
    first = (
        f"Today, before anything else, call back the {words.count(recent, 'brake')} that left in the last {RECENT_DAYS} days, "
        "in this order."
    )
    then = (
        f" Then the {words.count(older.height, 'older one')} ({_span(days)} "
        "ago): no later bleed in the log put them right, so ask first whether it was done elsewhere."
        if older.height
        else ""
    )
    return first + then + more
