"""Follow-up of each bleed: time at risk, how it ended, and whether the bleed came back within the window."""

from __future__ import annotations

import datetime as dt

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake import Log
from analysis.standard import Standard
from analysis.stats import level_codes
from analysis.survival.events import adjacent_bleeds, match_returns, re_bled_days
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

    Time at risk ends at the first of: a re-bleed after a recall or second check (competing event of its own kind), a
    re-bleed return (event), any later bleed of the same brake (competing event), the last day on which the shop recorded returns (censoring; the as-of date unless limited). On the same day they
    count in this order. A bleed is mature if that last day is at least `window_days` after it. A bleed from before returns were
    recorded is not counted as a success: it is not mature and has no time at risk.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    standard
        The standard whose comeback rule decides.
    window_days
        Length of the window in days.
    observation_window
        The days on which returns were recorded.
    known_returns
        `match_returns(log, standard, window_days)`, if already computed.
    adjacent
        `adjacent_bleeds(log.sessions)`, if already computed.
    """
    adjacent = adjacent_bleeds(log.sessions) if adjacent is None else adjacent
    known_returns = match_returns(log, standard, window_days, adjacent) if known_returns is None else known_returns
    first = known_returns.group_by("session_id").agg(back_days=pl.col("days").min()).sort("session_id")
    bleeds = adjacent.join(first, on="session_id", how="left", maintain_order="left")
    bleeds = bleeds.join(re_bled_days(log, adjacent), on="session_id", how="left", maintain_order="left")
    bleeds = bleeds.with_columns(
        month=pl.col("started_at").dt.strftime("%Y-%m"),
        age_days=_days_to(pl.lit(log.as_of)),
        observed_days=pl.Series(_observed_days(log, adjacent, observation_window)),
        gap_days=_days_to(pl.col("next_day")),
    ).with_columns(return_days=pl.when(_return_is_of_this_bleed()).then("back_days"))
    table = bleeds.with_columns(
        mature=pl.col("observed_days") >= window_days,
        came_back=(pl.col("return_days") <= window_days).fill_null(False),
        next_bleed_days=_next_bleed_days(),
        days_at_risk=pl.min_horizontal("return_days", "re_bled_days", "gap_days", "observed_days"),
        end=_end(),
    )
    return validate_table(Followed, table.select(list(Followed.to_schema().columns)))


def workload(log: Log) -> DataFrame[Workload]:
    """How many bleeds the technician did that day, and this bleed's position among them; sorted by session_id."""
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


def _observed_days(log: Log, adjacent: pl.DataFrame, window: ObservationWindow) -> pl.Series:
    """Days after each bleed on which its return would have been recorded; 0 for a bleed outside the window."""
    first, last = window.returns_from or dt.date.min, min(log.as_of, window.returns_to or log.as_of)
    if not window.shops:
        return adjacent.select(_days_within(pl.lit(first), pl.lit(last))).to_series()
    spans = {
        shop: (max(first, span.returns_from or first), min(last, span.returns_to or last))
        for shop, span in window.shops.items()
    }
    shop = log.sessions.sort("session_id").get_column("shop")
    shop_first, shop_last = (
        shop.replace_strict({name: span[end] for name, span in spans.items()}, default=default, return_dtype=pl.Date)
        for end, default in enumerate((first, last))
    )
    days = adjacent.select("day").with_columns(first=shop_first, last=shop_last)
    return days.select(_days_within(pl.col("first"), pl.col("last"))).to_series()


def _days_within(first: pl.Expr, last: pl.Expr) -> pl.Expr:
    return pl.when(pl.col("day") < first).then(0).otherwise(pl.max_horizontal(_days_to(last), 0))


def _return_is_of_this_bleed() -> pl.Expr:
    """Whether the return was recorded in time and came before the brake was re-bled after a recall or check."""
    re_bled_first = (pl.col("re_bled_days") <= pl.col("back_days")).fill_null(False)
    return (pl.col("back_days") <= pl.col("observed_days")) & ~re_bled_first


def _end() -> pl.Expr:
    """How time at risk ended; on the same day, events count in the order of `ENDS`."""
    days = {"re_bled": "re_bled_days", "return": "return_days", "next_bleed": "gap_days", "as_of": "observed_days"}
    first = pl.min_horizontal(*days.values())
    return pl.coalesce(pl.when(pl.col(column) == first).then(pl.lit(end)) for end, column in days.items())


def _next_bleed_days() -> pl.Expr:
    """Days to the brake's next bleed, not counting the repair of a return of this one.

    The first bleed on or after the day of a return, with none between, is that return's repair.
    """
    repaired = (pl.col("gap_days") >= pl.col("back_days")).fill_null(False)
    return pl.when(repaired).then(_days_to(pl.col("next_but_one_day"))).otherwise("gap_days")
