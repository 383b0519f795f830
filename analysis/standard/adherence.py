"""Each bleed judged by the standard: step met, missed or not recorded, and by how much a reading was outside."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.errors import UserError
from analysis.intake import Log
from analysis.standard.definition import Standard, Step
from analysis.standard.rules import BrakeLimits, Kind, Rule, bounds_of, brake_column, fields_read
from schemas import empty, validate_table
from schemas.intermediate import Deviations, MissedSteps


def missed_steps(log: Log, standard: Standard) -> DataFrame[MissedSteps]:
    """Judge every accepted bleed by every step, as the version of its day and workshop has it.

    A step that this version does not have counts as not recorded.

    Returns
    -------
    DataFrame[MissedSteps]
        session_id, then one Boolean column per step in the standard's order: true missed, false met, empty where the
        step's field (or the one it is compared with) was not recorded; sorted by session_id.

    Raises
    ------
    UserError
        A step reads one of the shop's own fields whose type does not suit its rule.
    """
    parts = [pl.DataFrame(schema={"session_id": pl.String} | {step.id: pl.Boolean for step in standard.steps})]
    for version, own in _by_version(log, standard):
        bleeds, steps = _join_brake_limits(own, version), {step.id: step for step in version.steps}
        columns = [
            (~steps[step.id].rule.is_met(steps[step.id].field) if step.id in steps else pl.lit(None, pl.Boolean)).alias(
                step.id
            )
            for step in standard.steps
        ]
        parts.append(bleeds.select("session_id", *columns))
    return validate_table(MissedSteps, pl.concat(parts).sort("session_id"))


def deviation(log: Log, standard: Standard) -> DataFrame[Deviations]:
    """By how much each missed reading is outside its limit, in the field's unit; negative below the lower limit.

    A reading equal to what it should exceed is outside by 0. Steps that are met, not recorded or have no numeric limit
    are left out; sorted by session_id and step.
    """
    parts = []
    for version, own in _by_version(log, standard):
        bleeds = _join_brake_limits(own, version)
        parts += [part for step in version.steps if (part := _outside(bleeds, step)) is not None]
    if not parts:
        return empty(Deviations)
    return validate_table(Deviations, pl.concat(parts).sort("session_id", "step"))


def _by_version(log: Log, standard: Standard) -> list[tuple[Standard, Log]]:
    """Each version of the standard with the bleeds of its time and workshops.

    The newest version adopted by the day of a bleed applies, of two from one day that of its workshop; before the first of
    them, the first.
    """
    if not standard.earlier:
        return [(standard, log)]
    versions = sorted((standard, *standard.earlier), key=lambda one: (one.adopted_on or dt.date.min, bool(one.shops)))
    day, shop = pl.col("started_at").dt.date(), pl.col("shop")
    applies = pl.lit(None, pl.Int64)
    for number, version in enumerate(versions):
        here = shop.is_in(version.shops).fill_null(False) if version.shops else pl.lit(True)
        first = applies.is_null()
        begun = (day >= version.adopted_on) if version.adopted_on else pl.lit(True)
        applies = pl.when(here & (begun | first)).then(number).otherwise(applies)
    number_of_bleed = log.sessions.select(applies.fill_null(0)).to_series()
    return [
        (version, replace(log, sessions=log.sessions.filter(number_of_bleed == number)))  # type: ignore[arg-type]
        for number, version in enumerate(versions)
    ]


def own_fields(standard: Standard) -> dict[str, Kind]:
    """The shop's own fields that the steps read, with the kind of value their rule needs, in the steps' order."""
    fields = [(name, step.rule.kind()) for step in standard.steps for name in (step.field, *fields_read(step.rule))]
    return {name: kind for name, kind in fields if name.startswith("own.")}


def _join_brake_limits(log: Log, standard: Standard) -> pl.DataFrame:
    """Bleeds with their brake's own limits; fields that a step reads and no export has are empty."""
    rules: list[Rule] = [step.rule for step in standard.steps]
    limits = {name for rule in rules if isinstance(rule, BrakeLimits) for name in (rule.lo_field, rule.hi_field)}
    brakes = log.brakes.select("brake_model", *(pl.col(name).alias(brake_column(name)) for name in sorted(limits)))
    fields = {name for step in standard.steps for name in (step.field, *fields_read(step.rule))}
    bleeds = log.sessions.with_columns(pl.lit(None).alias(name) for name in sorted(fields - set(log.sessions.columns)))
    for step in standard.steps:
        _check_field_types(bleeds.schema, step, standard.name)
    bleed_fields = bleeds.select(sorted({"session_id", "brake_model", *fields}))
    return bleed_fields.join(brakes, on="brake_model", how="left", maintain_order="left")


def _check_field_types(schema: pl.Schema, step: Step, standard: str) -> None:
    for field in (step.field, *fields_read(step.rule)):
        kind_in_log, kind_needed = _kind(schema[field]), step.rule.kind()
        if kind_in_log not in (kind_needed, None):
            raise UserError(
                f"{standard}, step {step.id}",
                f"the rule needs {kind_needed} and the field {field} contains {kind_in_log}",
                f"a field that contains {kind_needed}",
                "correct the rule, or the type of that field in the map",
            )


def _kind(dtype: pl.DataType) -> Kind | None:
    if dtype == pl.Boolean:
        return "true/false"
    if dtype.is_numeric():
        return "number"
    return None if dtype == pl.Null else "text"


def _outside(bleeds: pl.DataFrame, step: Step) -> pl.DataFrame | None:
    bounds = bounds_of(step.rule)
    if bounds is None:
        return None
    reading = pl.col(step.field).cast(pl.Float64)
    outside = pl.when(reading <= bounds.lo).then(reading - bounds.lo).when(reading >= bounds.hi)
    return bleeds.filter(~step.rule.is_met(step.field)).select(
        "session_id", step=pl.lit(step.id), observed=reading, outside=outside.then(reading - bounds.hi)
    )
