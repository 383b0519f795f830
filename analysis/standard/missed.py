"""Each bleed against the standard: met, missed, not recorded, and how far outside."""

from __future__ import annotations

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake import Log
from analysis.standard.rules import AboveField, BrakeLimits, Rule
from analysis.standard.standard import Standard, Step
from schemas import checked, empty
from schemas.between import HowFar, MissedSteps


def missed_steps(log: Log, standard: Standard) -> DataFrame[MissedSteps]:
    """Every accepted bleed held against every step.

    Returns
    -------
    DataFrame[MissedSteps]
        session_id, then one Boolean column a step in the standard's order: true missed, false met, empty where the
        step's field (or the one it is compared with) was not recorded; sorted by session_id.
    """
    bleeds = _with_brakes(log, standard)
    steps = [(~step.rule.met(step.field)).alias(step.id) for step in standard.steps]
    return checked(MissedSteps, bleeds.sort("session_id").select("session_id", *steps))


def how_far(log: Log, standard: Standard) -> DataFrame[HowFar]:
    """How far each missed measured step lies outside, in the field's own unit; below the limit is negative.

    Steps met, not recorded, or without a number to be outside of are left out; sorted by session_id and step.
    """
    bleeds = _with_brakes(log, standard)
    parts = [_outside(bleeds, step) for step in standard.steps if _bounds(step) is not None]
    table = pl.concat(parts) if parts else empty(HowFar)
    return checked(HowFar, table.sort("session_id", "step"))


def _with_brakes(log: Log, standard: Standard) -> pl.DataFrame:
    """The bleeds beside their brake's own limits, and beside each own field the standard reads that no export had."""
    rules: list[Rule] = [step.rule for step in standard.steps]
    limits = {name for rule in rules if isinstance(rule, BrakeLimits) for name in (rule.lo_field, rule.hi_field)}
    brakes = log.brakes.select("brake_model", *sorted(limits))
    bleeds = log.sessions.join(brakes, on="brake_model", how="left", maintain_order="left")
    absent = {step.field for step in standard.steps} - set(bleeds.columns)
    return bleeds.with_columns(pl.lit(None).alias(name) for name in sorted(absent))


def _outside(bleeds: pl.DataFrame, step: Step) -> pl.DataFrame:
    bounds = _bounds(step)
    if bounds is None:
        raise ValueError(f"step: a measured rule is needed, got {step.rule}; ask _bounds first")
    reading = pl.col(step.field).cast(pl.Float64)
    lo, hi = bounds
    beyond = pl.when(reading < lo).then(reading - lo).when(reading > hi).then(reading - hi)
    missed = bleeds.filter(~step.rule.met(step.field)).with_columns(outside=beyond)
    return missed.filter(pl.col("outside").is_not_null()).select(
        "session_id", step=pl.lit(step.id), found=reading, outside="outside"
    )


def _bounds(step: Step) -> tuple[pl.Expr, pl.Expr] | None:
    if isinstance(step.rule, BrakeLimits):
        return step.rule.bounds
    if isinstance(step.rule, AboveField):
        return pl.col(step.rule.other).cast(pl.Float64), pl.lit(None, pl.Float64)
    limits = step.limits
    if limits.lo is None and limits.hi is None:
        return None
    return pl.lit(limits.lo, pl.Float64), pl.lit(limits.hi, pl.Float64)
