"""Month by month, nothing adjusted yet: how many were bled, how many of the mature ones came back."""

from __future__ import annotations

import polars as pl

from analysis.dataset import BleedData


def monthly_counts(data: BleedData) -> pl.DataFrame:
    """One row a group and month: all bleeds, then each shop; every month from the log's first to its last.

    Columns: kind (`all`, `shop`), group, month (YYYY-MM of started_at), sessions, mature, comebacks (of the mature),
    rate (empty without mature bleeds); sorted by kind, group, month.
    """
    bleeds = data.bleeds
    shop = pl.col("shop").fill_null("not recorded")
    counts = _count_by_month(bleeds, shop)
    if bleeds.is_empty():
        return _counts_by_group(counts, "all", pl.lit("all"))
    first, last = bleeds.get_column("started_at").min(), bleeds.get_column("started_at").max()
    months = pl.select(
        month=pl.date_range(pl.lit(first).dt.truncate("1mo").cast(pl.Date), pl.lit(last).cast(pl.Date), interval="1mo")
    ).select(pl.col("month").dt.strftime("%Y-%m"))
    parts = [_counts_by_group(counts, "all", pl.lit("all"))]
    if bleeds.get_column("shop").count():
        parts.append(_counts_by_group(counts, "shop", pl.col("shop")))
    all_counts = pl.concat(parts)
    frame = all_counts.select("kind", "group").unique().join(months, how="cross")
    table = frame.join(all_counts, on=("kind", "group", "month"), how="left").with_columns(
        pl.col("sessions", "mature", "comebacks").fill_null(0)
    )
    return table.sort("kind", "group", "month")


def _count_by_month(bleeds: pl.DataFrame, shop: pl.Expr) -> pl.DataFrame:
    mature = pl.col("mature")
    return bleeds.group_by("month", shop=shop).agg(
        sessions=pl.len().cast(pl.Int64),
        mature=mature.sum().cast(pl.Int64),
        comebacks=(pl.col("came_back") & mature).sum().cast(pl.Int64),
    )


def _counts_by_group(counts: pl.DataFrame, kind: str, group: pl.Expr) -> pl.DataFrame:
    """Counts by month and shop, by month and group."""
    table = (
        counts.group_by("month", kind=pl.lit(kind), group=group)
        .agg(pl.col("sessions", "mature", "comebacks").sum())
        .select("kind", "group", "month", "sessions", "mature", "comebacks")
        .sort("kind", "group", "month")
    )
    return table.with_columns(rate=(pl.col("comebacks") / pl.col("mature")).fill_nan(None))
