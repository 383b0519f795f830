"""How long each bleed was followed and how that ended."""

from __future__ import annotations

import datetime as dt

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake import Log
from analysis.standard import Standard
from analysis.stats import level_codes
from analysis.survival.adjacent_bleeds import adjacent_bleeds
from analysis.survival.events import match_returns
from analysis.survival.observation_window import WHOLE_LOG, ObservationWindow
from schemas import validate_table
from schemas.intermediate import Followed, Returns, Workload


def add_follow_up(
    log: Log,
    standard: Standard,
    window_days: int,
    observation_window: ObservationWindow = WHOLE_LOG,
    known_returns: DataFrame[Returns] | None = None,
    adjacent: pl.DataFrame | None = None,
) -> DataFrame[Followed]:
    """Follow-up of every accepted bleed.

    The time at risk ends at the first of: a re-bleed return, any later bleed of the same brake, the last day on which
    returns were recorded (the as-of date unless limited; by shop); a return on the same day as another end comes
    first. A bleed is mature when that last day is at least `window_days` after it. A bleed from before returns were
    recorded is not counted as a success: it is not mature and was followed for no days.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    standard
        Which returns count.
    window_days
        The window, days.
    observation_window
        The days on which returns were recorded.
    known_returns
        `returns(log, standard, window_days)`, where the caller has it already.
    adjacent
        `succession(log.sessions)`, where the caller has it already.
    """
    adjacent = adjacent_bleeds(log.sessions) if adjacent is None else adjacent
    known_returns = match_returns(log, standard, window_days, adjacent) if known_returns is None else known_returns
    first = known_returns.group_by("session_id").agg(back_days=pl.col("days").min()).sort("session_id")
    bleeds = adjacent.join(first, on="session_id", how="left", maintain_order="left")
    bleeds = bleeds.with_columns(
        month=pl.col("started_at").dt.strftime("%Y-%m"),
        age_days=_days_to(pl.lit(log.as_of)),
        observed_days=pl.Series(_observed(log, adjacent, observation_window)),
        gap_days=_days_to(pl.col("second_day")),
    ).with_columns(return_days=pl.when(pl.col("back_days") <= pl.col("observed_days")).then("back_days"))
    table = bleeds.with_columns(
        mature=pl.col("observed_days") >= window_days,
        came_back=(pl.col("return_days") <= window_days).fill_null(False),
        next_bleed_days=_next_bleed(),
        days_at_risk=pl.min_horizontal("return_days", "gap_days", "observed_days"),
        end=_end(),
    )
    return validate_table(Followed, table.select(list(Followed.to_schema().columns)))


def workload(log: Log) -> DataFrame[Workload]:
    """How many bleeds the technician did that day and this bleed's place among them; sorted by session_id."""
    technician = pl.Series(level_codes(log.sessions.get_column("technician")))
    bleeds = log.sessions.select("session_id", "started_at", who=technician, day=pl.col("started_at").dt.date())
    bleeds = bleeds.sort("session_id")
    bleeds = bleeds.with_row_index("number").sort("who", "started_at", "number")
    table = bleeds.with_columns(
        bleeds_that_day=pl.len().over("who", "day").cast(pl.Int64),
        place_in_day=pl.int_range(1, pl.len() + 1).over("who", "day"),
    ).sort("number")
    return validate_table(Workload, table.select("session_id", "bleeds_that_day", "place_in_day"))


def _days_to(day: pl.Expr) -> pl.Expr:
    return (day - pl.col("day")).dt.total_days()


def _observed(log: Log, around: pl.DataFrame, covered: ObservationWindow) -> pl.Series:
    """Days on which a return would have been recorded, 0 for a bleed outside them."""
    first, last = covered.returns_from or dt.date.min, min(log.as_of, covered.returns_to or log.as_of)
    if not covered.shops:
        return around.select(_within(pl.lit(first), pl.lit(last))).to_series()
    spans = {
        shop: (max(first, span.returns_from or first), min(last, span.returns_to or last))
        for shop, span in covered.shops.items()
    }
    shop = log.sessions.sort("session_id").get_column("shop")
    own = [
        shop.replace_strict({name: span[end] for name, span in spans.items()}, default=usual, return_dtype=pl.Date)
        for end, usual in enumerate((first, last))
    ]
    days = around.select("day").with_columns(first=own[0], last=own[1])
    return days.select(_within(pl.col("first"), pl.col("last"))).to_series()


def _within(first: pl.Expr, last: pl.Expr) -> pl.Expr:
    return pl.when(pl.col("day") < first).then(0).otherwise(pl.max_horizontal(_days_to(last), 0))


def _end() -> pl.Expr:
    """A return comes before a later bleed of the same day, and that before the end of the log."""
    return_first = pl.col("return_days") <= pl.min_horizontal("gap_days", "observed_days")
    next_first = pl.col("gap_days") <= pl.col("observed_days")
    later = pl.when(next_first).then(pl.lit("next_bleed")).otherwise(pl.lit("as_of"))
    return pl.when(return_first).then(pl.lit("return")).otherwise(later)


def _next_bleed() -> pl.Expr:
    """Days to the brake's next bleed that is no repair of a return of this one.

    The first bleed on or after the day of a return, with none between, is that return's repair.
    """
    repaired = (pl.col("gap_days") >= pl.col("back_days")).fill_null(False)
    return pl.when(repaired).then(_days_to(pl.col("third_day"))).otherwise("gap_days")
