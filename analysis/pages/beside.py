"""What stands beside a chosen group: the work a technician takes, and when a brake model's returns came; counts alone."""

from __future__ import annotations

import polars as pl

from analysis.pages.trade_words import level_words
from analysis.report import Report

EARLY_DAYS, LEAST_SHARE = 30, 0.03


def work_taken(report: Report) -> pl.DataFrame:
    """Each technician's followed bleeds by which brake and where its hose runs, beside everybody's.

    Columns
    -------
    group, what, place
        Technician, kind of work in words, its order.
    n, of, share, share_all
        Own bleeds of that kind, own bleeds in all, own share, everybody's share.
    """
    hose = pl.col("hose_route").map_elements(level_words, return_dtype=pl.String)
    counted = (
        report.ready.bleeds.lazy()
        .filter("mature")
        .group_by("technician", "brake", "hose_route")
        .agg(n=pl.len())
        .collect()
    )
    bleeds = counted.select(
        "n", group="technician", what=pl.concat_str(pl.col("brake"), pl.lit(", hose "), hose.fill_null("not recorded"))
    )
    return _shares(bleeds).filter(pl.col("share_all") >= LEAST_SHARE)


def return_ages(report: Report) -> pl.DataFrame:
    """Each brake model's returns by how long after the bleed they came, beside all models'; columns as `work_taken`."""
    days, window = pl.col("return_days"), report.window_days
    early = min(EARLY_DAYS, window)
    bands = [f"1. within {early} days", f"2. up to {window} days", f"3. after {window} days"]
    band = pl.when(days <= early).then(0).when(days <= window).then(1).otherwise(2)
    returns = (
        report.ready.bleeds.lazy()
        .filter(days.is_not_null(), pl.col("brake_model").is_not_null())
        .group_by(group="brake_model", what=band.replace_strict(dict(enumerate(bands)), return_dtype=pl.String))
        .agg(n=pl.len())
        .collect()
    )
    return _shares(returns)


def _shares(rows: pl.DataFrame) -> pl.DataFrame:
    """Of counts (`n`) of a `group` and a kind (`what`)."""
    kinds = rows.group_by("what").agg(share_all=pl.col("n").sum() / rows.get_column("n").sum())
    kinds = kinds.sort("what").with_row_index("place")
    own = rows.group_by("group").agg(of=pl.col("n").sum()).sort("group")
    counted = rows.group_by("group", "what").agg(pl.col("n").sum())
    every = own.join(kinds, how="cross").join(counted, on=["group", "what"], how="left", maintain_order="left")
    return every.with_columns(pl.col("n").fill_null(0)).with_columns(share=pl.col("n") / pl.col("of"))
