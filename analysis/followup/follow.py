"""How long each bleed was followed and how that ended."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.followup.returns import returns
from analysis.intake import Log
from analysis.standard import Standard
from schemas import checked
from schemas.between import Followed, Returns, Workload


@dataclass(frozen=True)
class Covered:
    """The days on which returns were written down; None where nothing limits them but the log itself."""

    returns_from: dt.date | None = None
    returns_to: dt.date | None = None


EVERY_DAY = Covered()


def followed(
    log: Log,
    standard: Standard,
    window_days: int,
    covered: Covered = EVERY_DAY,
    found: DataFrame[Returns] | None = None,
) -> DataFrame[Followed]:
    """Follow-up of every accepted bleed.

    The time at risk ends at the first of: a re-bleed return, any later bleed of the same brake, the last day on which
    returns were written down (the as-of date unless said otherwise); a return on the same day as another end comes
    first. A bleed is mature when that last day is at least `window_days` after it. A bleed from before returns were
    written down is not counted as a success: it is not mature and was followed for no days.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    standard
        Which returns count.
    window_days
        The window, days.
    covered
        The days on which returns were written down.
    found
        `returns(log, standard, window_days)`, where the caller has it already.
    """
    if found is None:
        found = returns(log, standard, window_days)
    last_day = min(log.as_of, covered.returns_to or log.as_of)
    first = found.group_by("session_id").agg(return_days=pl.col("days").min()).sort("session_id")
    bleeds = (
        log.sessions.select("session_id", "bike_id", "brake", "started_at", day=pl.col("started_at").dt.date())
        .sort("bike_id", "brake", "started_at", "session_id")
        .with_columns(after=pl.col("day").shift(-1).over("bike_id", "brake"))
        .join(first, on="session_id", how="left")
        .join(_next_bleed(log, found), on="session_id", how="left")
    )
    seen = pl.lit(last_day) - pl.col("day")
    unseen = pl.col("day") < (covered.returns_from or dt.date.min)
    table = bleeds.with_columns(
        month=pl.col("started_at").dt.strftime("%Y-%m"),
        age_days=(pl.lit(log.as_of) - pl.col("day")).dt.total_days(),
        seen_days=pl.when(unseen).then(0).otherwise(pl.max_horizontal(seen.dt.total_days(), 0)),
        gap_days=(pl.col("after") - pl.col("day")).dt.total_days(),
    ).with_columns(_END.alias("end"), _at_risk().alias("days_at_risk"))
    counted = (pl.col("return_days") <= window_days).fill_null(False) & (pl.col("return_days") <= pl.col("seen_days"))
    table = table.with_columns(
        mature=pl.col("seen_days") >= window_days,
        came_back=counted.fill_null(False),
        return_days=pl.when(pl.col("return_days") <= pl.col("seen_days")).then("return_days"),
    )
    columns = list(Followed.to_schema().columns)
    return checked(Followed, table.select(columns).sort("session_id"))


def workload(log: Log) -> DataFrame[Workload]:
    """How many bleeds the technician did that day and this bleed's place among them; sorted by session_id."""
    day = log.sessions.select("session_id", "technician", "started_at", day=pl.col("started_at").dt.date())
    ordered = day.sort("technician", "started_at", "session_id")
    by_day = ("technician", "day")
    table = ordered.with_columns(
        bleeds_that_day=pl.len().over(by_day).cast(pl.Int64), place_in_day=pl.int_range(1, pl.len() + 1).over(by_day)
    )
    return checked(Workload, table.select("session_id", "bleeds_that_day", "place_in_day").sort("session_id"))


_RETURN_FIRST = pl.col("return_days") <= pl.min_horizontal(pl.col("gap_days"), pl.col("seen_days"))
_END = (
    pl.when(_RETURN_FIRST)
    .then(pl.lit("return"))
    .when(pl.col("gap_days") <= pl.col("seen_days"))
    .then(pl.lit("next_bleed"))
    .otherwise(pl.lit("as_of"))
)


def _at_risk() -> pl.Expr:
    return pl.min_horizontal("return_days", "gap_days", "seen_days")


def _next_bleed(log: Log, found: pl.DataFrame) -> pl.DataFrame:
    """Days to the brake's next bleed that is no repair of a return of this one.

    A bleed on or after the day of a return, before any other bleed, is that return's repair.
    """
    by_brake = ("bike_id", "brake")
    first = found.group_by("session_id").agg(back=pl.col("days").min()).sort("session_id")
    ordered = (
        log.sessions.select("session_id", *by_brake, "started_at", day=pl.col("started_at").dt.date())
        .sort(*by_brake, "started_at", "session_id")
        .join(first, on="session_id", how="left", maintain_order="left")
        .with_columns(
            second=pl.col("day").shift(-1).over(by_brake),
            third=pl.col("day").shift(-2).over(by_brake),
        )
    )
    gap = (pl.col("second") - pl.col("day")).dt.total_days()
    later = (pl.col("third") - pl.col("day")).dt.total_days()
    repaired = pl.col("back").is_not_null() & (gap >= pl.col("back"))
    return ordered.select("session_id", next_bleed_days=pl.when(repaired).then(later).otherwise(gap))
