"""Shops that did not write their returns down all the time: the bikes came back, the log does not say so."""

from __future__ import annotations

import polars as pl

from synthetic.tables import month_end, month_start
from synthetic.workshop import Workshop


def without_unwritten(
    workshop: Workshop, sessions: pl.DataFrame, comebacks: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The two tables as written: returns outside a shop's months of writing are left out, and the bleeds that repaired
    them are booked as ordinary jobs."""
    for gap in workshop.returns_written:
        first = month_start(workshop, gap.first_month)
        last = month_end(workshop, gap.last_month) if gap.last_month else workshop.as_of
        here = sessions.filter(pl.col("shop") == gap.shop).select("bike_id").unique()
        day = pl.col("returned_at").dt.date()
        lost = comebacks.filter(~day.is_between(first, last)).join(here, on="bike_id", how="semi")
        comebacks = comebacks.join(lost, on="comeback_id", how="anti", maintain_order="left")
        asked = pl.col("started_at").dt.date().is_between(first, last) | (pl.col("shop") != gap.shop)
        told = pl.col("job_reason").is_in(["comeback", "soft_lever"])
        sessions = sessions.with_columns(
            job_reason=pl.when(told & ~asked).then(pl.lit("scheduled")).otherwise("job_reason")
        )
    return sessions, comebacks
