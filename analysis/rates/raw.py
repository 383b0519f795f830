"""How many bleeds come back, honestly counted, group by group: nothing adjusted yet."""

from __future__ import annotations

import polars as pl

from analysis.followup import at_window, ends, watched
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
        Aalen–Johansen at the window over all bleeds; empty where none was followed so far.
    """
    used = ["came_back", "mature", "days_at_risk", "end", "age_days"]
    bleeds = prepared.bleeds.select(*used, *dict.fromkeys(KINDS.values()), all=pl.lit("all"))
    kinds = [kind for kind, column in KINDS.items() if bleeds.get_column(column).count()]
    parts = [_kind(bleeds, kind, KINDS.get(kind, kind), prepared.window_days) for kind in ("all", *kinds)]
    return pl.concat(parts).sort("kind", "group")


def _kind(bleeds: pl.DataFrame, kind: str, column: str, window_days: int) -> pl.DataFrame:
    grouped = bleeds.with_columns(group=pl.col(column).fill_null(NOT_RECORDED))
    mature = pl.col("mature")
    table = (
        grouped.group_by("group")
        .agg(
            sessions=pl.len().cast(pl.Int64),
            mature=mature.sum().cast(pl.Int64),
            comebacks=(pl.col("came_back") & mature).sum().cast(pl.Int64),
        )
        .sort("group")
        .with_row_index("code")
    )
    seen = watched(grouped).join(table.select("group", "code"), on="group", how="left")
    found = at_window(
        seen.get_column("code").cast(pl.Int64).to_numpy(),
        seen.get_column("days_at_risk").to_numpy(),
        ends(seen),
        table.height,
        window_days,
    )
    limits = wilson(table.get_column("comebacks"), table.get_column("mature"))
    return table.select(
        pl.lit(kind).alias("kind"),
        "group",
        "sessions",
        "mature",
        "comebacks",
        rate=pl.col("comebacks") / pl.col("mature"),
        rate_lo=pl.Series(limits.lo),
        rate_hi=pl.Series(limits.hi),
        incidence=pl.Series(found.incidence),
        incidence_lo=pl.Series(found.lo),
        incidence_hi=pl.Series(found.hi),
    ).with_columns(pl.selectors.float().fill_nan(None))
