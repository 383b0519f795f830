"""How many bleeds come back, honestly counted, group by group: nothing adjusted yet."""

from __future__ import annotations

import numpy as np
import polars as pl

from analysis.followup import aalen_johansen, ends, incidence_limits
from analysis.prepared import Prepared
from analysis.stats import wilson

KINDS = {
    "shop": "shop",
    "technician": "technician",
    "brake_model": "brake_model",
    "fluid": "fluid_required",
    "job_reason": "job_reason",
    "brake": "brake",
    "hose_route": "hose_route",
}
NOT_RECORDED = "not recorded"


def raw_rates(prepared: Prepared) -> pl.DataFrame:
    """One row a group of every kind (kind `all` has group `all`), sorted by kind and group.

    Columns
    -------
    kind, group
        A bleed whose group was not recorded stands under `not recorded`; a kind no bleed has is left out.
    sessions, mature, comebacks
        Bleeds; those followed for the window; mature ones with a re-bleed return within it.
    rate, rate_lo, rate_hi
        comebacks / mature with Wilson limits (95%); empty without mature bleeds.
    incidence, incidence_lo, incidence_hi
        Aalen–Johansen at the window over all bleeds; empty where none was followed.
    """
    bleeds = prepared.bleeds.with_columns(all=pl.lit("all"))
    parts = [_kind(bleeds, "all", "all", prepared.window_days)]
    for kind, column in KINDS.items():
        if bleeds.get_column(column).count():
            parts.append(_kind(bleeds, kind, column, prepared.window_days))
    return pl.concat(parts).sort("kind", "group")


def _kind(bleeds: pl.DataFrame, kind: str, column: str, window_days: int) -> pl.DataFrame:
    grouped = bleeds.with_columns(group=pl.col(column).fill_null(NOT_RECORDED)).sort("group", maintain_order=True)
    mature = pl.col("mature")
    table = grouped.group_by("group", maintain_order=True).agg(
        sessions=pl.len().cast(pl.Int64),
        mature=mature.sum().cast(pl.Int64),
        comebacks=(pl.col("came_back") & mature).sum().cast(pl.Int64),
    )
    limits = wilson(table.get_column("comebacks"), table.get_column("mature"))
    table = table.with_columns(
        rate=pl.col("comebacks") / pl.col("mature"), rate_lo=pl.Series(limits.lo), rate_hi=pl.Series(limits.hi)
    )
    followed = np.array(
        [_at_window(own, window_days) for own in grouped.partition_by("group", maintain_order=True)]
    ).reshape(-1, 3)
    named = ("incidence", "incidence_lo", "incidence_hi")
    table = table.with_columns(pl.Series(name, followed[:, i]) for i, name in enumerate(named))
    return table.select(pl.lit(kind).alias("kind"), pl.all()).with_columns(pl.selectors.float().fill_nan(None))


def _at_window(bleeds: pl.DataFrame, window_days: int) -> list[float]:
    days = bleeds.get_column("days_at_risk").to_numpy()
    curve = aalen_johansen(days, ends(bleeds))
    place = curve.at(window_days)
    if days.max() == 0 and not bleeds.get_column("came_back").any():
        return [np.nan] * 3
    if place < 0:
        return [0.0] * 3
    value, variance = curve.incidence[place : place + 1], curve.variance[place : place + 1]
    limits = incidence_limits(value, variance)
    if value[0] == 0:
        upper = float(wilson(0, int(curve.at_risk[place])).hi)
        return [0.0, 0.0, upper]
    return [float(value[0]), float(limits.lo[0]), float(limits.hi[0])]
