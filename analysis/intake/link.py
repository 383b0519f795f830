"""Match each return to the bleed it belongs to; one without a match is kept and counted as unmatched."""

from __future__ import annotations

import polars as pl
from pandera.typing.polars import DataFrame

from schemas import empty, validate_table
from schemas.intermediate import Links
from schemas.log import BRAKES, Comebacks, Sessions


def link_returns(
    sessions: DataFrame[Sessions], comebacks: DataFrame[Comebacks], rejected_ids: pl.Series
) -> DataFrame[Links]:
    """Find the bleed of each accepted return.

    If the return names an accepted bleed of its bike that is not later, that is the one. If the bleed it names was
    rejected, is of another bike or is later, the return stays unmatched. Otherwise it is the latest earlier bleed of the
    same bike and brake, or, if the return names no brake, of the same bike, provided only one of its brakes had been bled.
    With times on both sides, earlier means not after that time; else not after that day.

    Parameters
    ----------
    sessions, comebacks
        Accepted rows.
    rejected_ids
        IDs of rejected bleeds.

    Returns
    -------
    DataFrame[Links]
        One row per return, sorted by comeback_id.
    """
    if comebacks.is_empty():
        return empty(Links)
    has_return = pl.col("bike_id").is_in(comebacks["bike_id"].implode())
    is_named = pl.col("session_id").is_in(comebacks["session_id"].drop_nulls().implode())
    bleeds = (
        sessions.select("session_id", "bike_id", "brake", "started_at")
        .filter(has_return | is_named)
        .select("bike_id", "brake", bleed="session_id", time=pl.col("started_at"), day=pl.col("started_at").dt.date())
        .sort("time", "bleed")
    )
    returns = comebacks.select(
        "comeback_id",
        "bike_id",
        "brake",
        named_bleed="session_id",
        time=_latest_time(),
        day_back=pl.col("returned_at").dt.date(),
    )
    by_id = _returns_naming_a_bleed(bleeds, returns)
    matched_by_id = by_id.filter("agrees")
    names_rejected = returns.filter(
        pl.col("named_bleed").is_in(rejected_ids.implode()),
        ~pl.col("comeback_id").is_in(by_id.get_column("comeback_id").implode()),
    )
    decided = pl.concat([by_id.get_column("comeback_id"), names_rejected.get_column("comeback_id")])
    undecided = returns.filter(~pl.col("comeback_id").is_in(decided.implode())).sort("time", "comeback_id")
    matches = pl.concat([matched_by_id.select("comeback_id", "bleed"), _latest_bleed(bleeds, undecided)])
    table = returns.select("comeback_id", "day_back").join(matches, on="comeback_id", how="left")
    table = table.join(bleeds.select("bleed", "day"), on="bleed", how="left")
    days = (pl.col("day_back") - pl.col("day")).dt.total_days()
    return validate_table(Links, table.select("comeback_id", session_id="bleed", days=days).sort("comeback_id"))


def _latest_time() -> pl.Expr:
    """The time of the return, or the end of its day if no time was recorded: every bleed of that day is then earlier.

    A bleed without a time counts from the beginning of its day, so it is earlier than any time of that day.
    """
    end_of_day = pl.col("returned_at").dt.truncate("1d") + pl.duration(days=1, microseconds=-1)
    return pl.when(pl.col("returned_at_has_time")).then(pl.col("returned_at")).otherwise(end_of_day)


def _returns_naming_a_bleed(bleeds: pl.DataFrame, returns: pl.DataFrame) -> pl.DataFrame:
    """Returns that name an accepted bleed, and whether bike and time agree with it."""
    with_bleed = returns.filter(pl.col("named_bleed").is_not_null()).join(
        bleeds.rename({"bike_id": "bled_bike", "time": "bled_at"}),
        left_on="named_bleed",
        right_on="bleed",
        how="inner",
    )
    agrees = (pl.col("bled_bike") == pl.col("bike_id")) & (pl.col("bled_at") <= pl.col("time"))
    return with_bleed.select("comeback_id", bleed="named_bleed", agrees=agrees)


def _latest_bleed(bleeds: pl.DataFrame, returns: pl.DataFrame) -> pl.DataFrame:
    """The latest earlier bleed of the bike and brake; without a brake, only if one brake alone has an earlier bleed."""
    with_brake = returns.filter(pl.col("brake").is_not_null())
    same_brake = with_brake.join_asof(
        bleeds, on="time", by=["bike_id", "brake"], strategy="backward", check_sortedness=False
    )
    without_brake = returns.filter(pl.col("brake").is_null()).drop("brake")
    of_each_brake = pl.concat(
        without_brake.join_asof(
            bleeds.filter(pl.col("brake") == brake),
            on="time",
            by="bike_id",
            strategy="backward",
            check_sortedness=False,
        ).select("comeback_id", "bleed")
        for brake in BRAKES
    ).filter(pl.col("bleed").is_not_null())
    only_brake = of_each_brake.filter(~pl.col("comeback_id").is_duplicated())
    return pl.concat([same_brake.select("comeback_id", "bleed"), only_brake]).filter(pl.col("bleed").is_not_null())
