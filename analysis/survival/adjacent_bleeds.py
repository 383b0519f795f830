"""The bleeds of one brake, one after another: what came before each and what came after."""

from __future__ import annotations

import polars as pl
from pandera.typing.polars import DataFrame

from schemas.log import Sessions


def adjacent_bleeds(sessions: DataFrame[Sessions]) -> pl.DataFrame:
    """Each bleed beside the bleeds of the same brake around it, in order of day, hour and session_id.

    Returns
    -------
    DataFrame
        Sorted by session_id: session_id, started_at, day, job_reason; before_id and before_day (the bleed before);
        second_day and third_day (the next one and the one after); empty where there is none.
    """
    bleeds = sessions.select(
        "session_id",
        "job_reason",
        "started_at",
        brake_of_bike=pl.struct("bike_id", "brake").rank("dense"),
        day=pl.col("started_at").dt.date(),
    ).sort("session_id")
    bleeds = bleeds.with_row_index("place").sort("brake_of_bike", "started_at", "place")
    neighbours = bleeds.select(
        "place",
        "session_id",
        "started_at",
        "day",
        "job_reason",
        before_id=_shifted("session_id", 1),
        before_day=_shifted("day", 1),
        second_day=_shifted("day", -1),
        third_day=_shifted("day", -2),
    )
    return neighbours.sort("place").drop("place")


def _shifted(column: str, by: int) -> pl.Expr:
    """The value so many bleeds before (after) in the sorted table, where that is still the same brake."""
    brake = pl.col("brake_of_bike")
    return pl.when(brake == brake.shift(by)).then(pl.col(column).shift(by))
