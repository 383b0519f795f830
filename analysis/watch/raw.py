"""Month by month, nothing adjusted yet: how many were bled, how many of the mature ones came back."""

from __future__ import annotations

import polars as pl

from analysis.prepared import Prepared


def raw_months(prepared: Prepared) -> pl.DataFrame:
    """One row a group and month: all bleeds, then each shop; every month from the log's first to its last.

    Columns: kind (`all`, `shop`), group, month (YYYY-MM of started_at), sessions, mature, comebacks (of the mature),
    rate (empty without mature bleeds); sorted by kind, group, month.
    """
    bleeds = prepared.bleeds
    shop = pl.col("shop").fill_null("not recorded")
    counted = _counted(bleeds, shop)
    if bleeds.is_empty():
        return _told(counted, "all", pl.lit("all"))
    first, last = bleeds.get_column("started_at").min(), bleeds.get_column("started_at").max()
    months = pl.select(
        month=pl.date_range(pl.lit(first).dt.truncate("1mo").cast(pl.Date), pl.lit(last).cast(pl.Date), interval="1mo")
    ).select(pl.col("month").dt.strftime("%Y-%m"))
    parts = [_told(counted, "all", pl.lit("all"))]
    if bleeds.get_column("shop").count():
        parts.append(_told(counted, "shop", pl.col("shop")))
    told = pl.concat(parts)
    frame = told.select("kind", "group").unique().join(months, how="cross")
    table = frame.join(told, on=("kind", "group", "month"), how="left").with_columns(
        pl.col("sessions", "mature", "comebacks").fill_null(0)
    )
    return table.sort("kind", "group", "month")


def _counted(bleeds: pl.DataFrame, shop: pl.Expr) -> pl.DataFrame:
    mature = pl.col("mature")
    return bleeds.group_by("month", shop=shop).agg(
        sessions=pl.len().cast(pl.Int64),
        mature=mature.sum().cast(pl.Int64),
        comebacks=(pl.col("came_back") & mature).sum().cast(pl.Int64),
    )


def _told(counted: pl.DataFrame, kind: str, group: pl.Expr) -> pl.DataFrame:
    """Counts by month and shop, by month and group."""
    table = (
        counted.group_by("month", kind=pl.lit(kind), group=group)
        .agg(pl.col("sessions", "mature", "comebacks").sum())
        .select("kind", "group", "month", "sessions", "mature", "comebacks")
        .sort("kind", "group", "month")
    )
    return table.with_columns(rate=(pl.col("comebacks") / pl.col("mature")).fill_nan(None))
