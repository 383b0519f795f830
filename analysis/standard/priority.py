"""Which hold to act on first: what can harm soonest, how long the brake has been out, and whether it was seen since."""

from __future__ import annotations

import polars as pl

from analysis.intake import Log

PRIORITY_ORDER = ("other_fluid_family", "leak", "not_firm", "kit_of_other_kind", "wrong_fluid")
"""Fluid of the other family attacks every seal; a leak and a soft lever fail without warning; a kit of the other kind may
have left traces; a wrong fluid of the same family boils sooner. Common practice, no source; the maker wins."""


def priority(rule: pl.Expr, other_family: pl.Expr) -> pl.Expr:
    """1 for what can harm soonest, 5 for the least; `other_family` tells a wrong fluid that never mixes with the right one."""
    places = {name: place for place, name in enumerate(PRIORITY_ORDER, 1)}
    ranked = rule.replace_strict(places, return_dtype=pl.Int64)
    foreign = (rule == "wrong_fluid") & other_family
    return (
        pl.when(foreign).then(pl.lit(places["other_fluid_family"])).otherwise(ranked).cast(pl.Int64).alias("priority")
    )


def days_since(log: Log) -> pl.Expr:
    """Calendar days from a bleed to the as-of date."""
    return (pl.lit(log.as_of) - pl.col("started_at").dt.date()).dt.total_days().cast(pl.Int64).alias("days_since")


def first_returns(log: Log) -> pl.DataFrame:
    """For each bleed the first later day on which its brake came back (columns session_id, returned_on)."""
    brake = ["bike_id", "brake"]
    bleeds = log.sessions.select("session_id", *brake, day=pl.col("started_at").dt.date())
    returns = log.comebacks.select(*brake, returned_on=pl.col("returned_at").dt.date())
    both = bleeds.join(returns, on=brake, how="inner").filter(pl.col("returned_on") > pl.col("day"))
    return both.group_by("session_id").agg(pl.col("returned_on").min()).sort("session_id")
