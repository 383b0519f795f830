"""Workshops that did not record returns in some months, although bikes came back."""

from __future__ import annotations

import polars as pl

from synthetic.tables import month_end, month_start
from synthetic.workshop import Workshop


def remove_unrecorded_returns(
    workshop: Workshop, sessions: pl.DataFrame, comebacks: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Remove unrecorded returns, and give the bleeds that repaired them an ordinary job reason."""
    for gap in workshop.returns_written:
        first = month_start(workshop, gap.first_month)
        last = month_end(workshop, gap.last_month) if gap.last_month else workshop.as_of
        here = sessions.filter(pl.col("shop") == gap.shop).select("bike_id").unique()
        day = pl.col("returned_at").dt.date()
        lost = comebacks.filter(~day.is_between(first, last)).join(here, on="bike_id", how="semi")
        comebacks = comebacks.join(lost, on="comeback_id", how="anti", maintain_order="left")
        is_recorded = pl.col("started_at").dt.date().is_between(first, last) | (pl.col("shop") != gap.shop)
        is_repair = pl.col("job_reason").is_in(["comeback", "soft_lever"])
        sessions = sessions.with_columns(
            job_reason=pl.when(is_repair & ~is_recorded).then(pl.lit("scheduled")).otherwise("job_reason")
        )
    return sessions, comebacks
