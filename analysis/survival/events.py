"""Which returns count as a re-bleed comeback, and of which bleed."""

from __future__ import annotations

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake import Log
from analysis.standard import Standard
from analysis.survival.adjacent_bleeds import adjacent_bleeds
from schemas import validate_table
from schemas.intermediate import Returns

RETURN_REASONS = ("comeback", "soft_lever")


def match_returns(
    log: Log, standard: Standard, window_days: int, adjacent: pl.DataFrame | None = None
) -> DataFrame[Returns]:
    """Every re-bleed return of an accepted bleed.

    A linked return counts when its complaint or its finding is one the standard counts, unless its finding is one that
    never counts. A bleed whose job_reason is `comeback` or `soft_lever` counts as a return of the same brake's bleed
    before it, on the day it began and within the window, unless a linked return of that bleed lies between the two.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    standard
        Whose comeback rule decides.
    window_days
        The window, days.
    adjacent
        `succession(log.sessions)`, where the caller has it already.

    Returns
    -------
    DataFrame[Returns]
        Sorted by session_id, days and comeback_id.
    """
    links = log.links.filter(pl.col("session_id").is_not_null()).rename({"session_id": "bleed"})
    recorded = links.join(log.comebacks.drop("session_id"), on="comeback_id", how="inner").filter(
        _counts_as_rebleed(standard)
    )
    rows = recorded.select(
        session_id="bleed", days="days", comeback_id="comeback_id", repair_session_id=pl.lit(None, pl.String)
    )
    adjacent = adjacent_bleeds(log.sessions) if adjacent is None else adjacent
    by_reason = _returns_by_reason(log, window_days, adjacent)
    return validate_table(Returns, pl.concat([rows, by_reason]).sort("session_id", "days", "comeback_id"))


def _counts_as_rebleed(standard: Standard) -> pl.Expr:
    rule = standard.comeback
    complaint_counts = pl.col("complaint").is_in(list(rule.complaints)).fill_null(False)
    finding_counts = pl.col("finding").is_in(list(rule.findings)).fill_null(False)
    return (complaint_counts | finding_counts) & ~pl.col("finding").is_in(list(rule.exclude_findings)).fill_null(False)


def _returns_by_reason(log: Log, window_days: int, adjacent: pl.DataFrame) -> pl.DataFrame:
    """Bleeds whose job_reason tells that the bleed before them came back, where no written return does."""
    days = (pl.col("day") - pl.col("before_day")).dt.total_days()
    by_reason = (
        adjacent.filter(pl.col("job_reason").is_in(RETURN_REASONS))
        .select(session_id="before_id", days=days, repair_session_id="session_id")
        .filter(pl.col("days") <= window_days)
    )
    links = log.links.filter(pl.col("session_id").is_not_null())
    recorded = links.group_by("session_id").agg(written=pl.col("days").min()).sort("session_id")
    by_reason = by_reason.join(recorded, on="session_id", how="left")
    untold = by_reason.filter(~(pl.col("written") <= pl.col("days")).fill_null(False))
    return untold.select("session_id", "days", pl.lit(None, pl.String).alias("comeback_id"), "repair_session_id")
