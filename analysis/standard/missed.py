"""Each bleed against the standard: met, missed, not recorded, and how far outside."""

from __future__ import annotations

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.errors import CannotRun
from analysis.intake import Log
from analysis.standard.rules import BrakeLimits, Kind, Rule, bounds_of, fields_read, of_brake
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

    Raises
    ------
    CannotRun
        A step reads a field of the shop's own whose type does not suit its rule.
    """
    bleeds = _with_brakes(log, standard)
    steps = [(~step.rule.met(step.field)).alias(step.id) for step in standard.steps]
    return checked(MissedSteps, bleeds.sort("session_id").select("session_id", *steps))


def how_far(log: Log, standard: Standard) -> DataFrame[HowFar]:
    """How far each missed measured step lies outside, in the field's own unit; below the limit is negative.

    A reading that only equals what it should be above is outside by 0. Steps met, not recorded, or without a number
    to be outside of are left out; sorted by session_id and step.
    """
    bleeds = _with_brakes(log, standard).sort("session_id").with_row_index("place")
    parts = [part for step in standard.steps if (part := _outside(bleeds, step)) is not None]
    if not parts:
        return empty(HowFar)
    return checked(HowFar, pl.concat(parts).sort("place", "step").drop("place"))


def own_fields(standard: Standard) -> dict[str, Kind]:
    """The shop's own fields that the standard reads, each with what its rule asks it to hold, in the steps' order."""
    read = [(name, step.rule.kind()) for step in standard.steps for name in (step.field, *fields_read(step.rule))]
    return {name: kind for name, kind in read if name.startswith("own.")}


def _with_brakes(log: Log, standard: Standard) -> pl.DataFrame:
    """The bleeds beside their brake's own limits, and beside each own field the standard reads that no export had."""
    rules: list[Rule] = [step.rule for step in standard.steps]
    limits = {name for rule in rules if isinstance(rule, BrakeLimits) for name in (rule.lo_field, rule.hi_field)}
    brakes = log.brakes.select("brake_model", *(pl.col(name).alias(of_brake(name)) for name in sorted(limits)))
    read = {name for step in standard.steps for name in (step.field, *fields_read(step.rule))}
    bleeds = log.sessions.with_columns(pl.lit(None).alias(name) for name in sorted(read - set(log.sessions.columns)))
    for step in standard.steps:
        _refuse_unfit(bleeds.schema, step, standard.name)
    asked = bleeds.select(sorted({"session_id", "brake_model", *read}))
    return asked.join(brakes, on="brake_model", how="left", maintain_order="left")


def _refuse_unfit(schema: pl.Schema, step: Step, standard: str) -> None:
    for field in (step.field, *fields_read(step.rule)):
        held, asked = _kind(schema[field]), step.rule.kind()
        if held not in (asked, None):
            raise CannotRun(
                f"{standard}, step {step.id}",
                f"the rule is for a {asked} and the field {field} holds {held}",
                f"a field that holds {asked}",
                "mend the rule, or the type of that field in the map",
            )


def _kind(held: pl.DataType) -> Kind | None:
    if held == pl.Boolean:
        return "true/false"
    if held.is_numeric():
        return "number"
    return None if held == pl.Null else "text"


def _outside(bleeds: pl.DataFrame, step: Step) -> pl.DataFrame | None:
    bounds = bounds_of(step.rule)
    if bounds is None:
        return None
    reading = pl.col(step.field).cast(pl.Float64)
    beyond = pl.when(reading <= bounds.lo).then(reading - bounds.lo).when(reading >= bounds.hi)
    return bleeds.filter(~step.rule.met(step.field)).select(
        "place", "session_id", step=pl.lit(step.id), found=reading, outside=beyond.then(reading - bounds.hi)
    )
