"""Recalls and second checks that were done: the bleed each belongs to, and warnings about rows that do not count."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

DONE = pl.col("done_on").is_not_null() & pl.col("outcome").is_not_null()
"""An action counts once it has a day and an outcome."""


@dataclass(frozen=True)
class MatchedActions:
    """The actions with the bleed of each that can be matched, and warnings."""

    actions: pl.DataFrame
    warnings: tuple[str, ...]


def match_actions(sessions: pl.DataFrame, actions: pl.DataFrame) -> MatchedActions:
    """Fill in the bleed of each action that names none: the brake's latest bleed up to the day it was done.

    An action that names a bleed which is not in the log keeps no bleed. Rows with a day but no outcome, or an outcome but
    no day, are kept as still to do.
    """
    if actions.is_empty():
        return MatchedActions(actions, ())
    day = pl.coalesce("done_on", "bled_on")
    bleeds = sessions.select("bike_id", "brake", bleed="session_id", bled=pl.col("started_at").dt.date())
    unnamed = actions.filter(pl.col("session_id").is_null(), pl.col("bike_id").is_not_null()).with_columns(bled=day)
    latest = (
        unnamed.select("action_id", "bike_id", "brake", "bled")
        .drop_nulls("bled")
        .sort("bled")
        .join_asof(
            bleeds.sort("bled", "bleed"),
            on="bled",
            by=["bike_id", "brake"],
            strategy="backward",
            check_sortedness=False,
        )
    )
    in_log = pl.col("session_id").is_in(sessions.get_column("session_id").implode())
    matched = actions.join(latest.select("action_id", "bleed"), on="action_id", how="left", maintain_order="left")
    matched = matched.with_columns(session_id=pl.coalesce(pl.when(in_log).then("session_id"), "bleed")).drop("bleed")
    return MatchedActions(matched, _warnings(matched))


def _warnings(actions: pl.DataFrame) -> tuple[str, ...]:
    half = pl.col("done_on").is_null() != pl.col("outcome").is_null()
    counts = (
        (actions.filter(half).height, "a day without an outcome, or an outcome without a day: counted as still to do"),
        (actions.filter(DONE, pl.col("session_id").is_null()).height, "no bleed of that brake in the log: not counted"),
    )
    return tuple(f"recalls and second checks: {n} with {what}" for n, what in counts if n)
