"""Each bleed misses by the standard: step met, missed or not recorded, and by how much a reading was outside."""

from __future__ import annotations

import datetime as dt

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.errors import UserError
from analysis.intake import Log
from analysis.standard.definition import Standard, Step
from analysis.standard.rules import Kind, bounds_of, brake_column, other_fields_of_rule
from schemas import empty, validate_table
from schemas.intermediate import Deviations, MissedSteps
from schemas.log import Brakes

PLACE = "place"


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
        A step reads a custom field whose type does not suit its rule.
    """
    bleeds = _bleeds_with_step_fields(log, standard)
    return validate_table(MissedSteps, bleeds.select("session_id").hstack(missed_step_columns(bleeds, standard)))


def join_brakes(log: Log) -> pl.DataFrame:
    """Bleeds sorted by session_id, each with what the brakes table says of its model, in columns `brakes.<name>`."""
    return _join_brake_columns(log.sessions.sort("session_id"), log)


def missed_step_columns(bleeds: pl.DataFrame, standard: Standard) -> pl.DataFrame:
    """Judge each bleed by itself: one Boolean column per step, as in `missed_steps`.

    `bleeds` are of `join_brakes`; a field that a step reads and that is missing counts as not recorded.

    Raises
    ------
    UserError
        A step reads a custom field whose type does not suit its rule.
    """
    parts = []
    for version, own in _split_by_version(bleeds.with_row_index(PLACE), standard):
        rows, steps = _add_absent_step_fields(own, version), {step.id: step for step in version.steps}
        not_in_version = [step.id for step in standard.steps if step.id not in steps]
        misses = rows.select(PLACE, *((~step.rule.is_met(step.field)).alias(step.id) for step in version.steps))
        parts.append(misses.with_columns(pl.lit(None, pl.Boolean).alias(name) for name in not_in_version))
    columns = [step.id for step in standard.steps]
    return pl.concat(part.select(PLACE, *columns) for part in parts).sort(PLACE).select(columns)


def deviations_from_limits(log: Log, standard: Standard) -> DataFrame[Deviations]:
    """By how much each missed reading is outside its limit, in the field's unit; negative below the lower limit.

    A reading equal to what it should exceed is outside by 0. Steps that are met, not recorded or have no numeric limit
    are left out; sorted by session_id and step.
    """
    parts = []
    for version, own in _split_by_version(_bleeds_with_step_fields(log, standard), standard):
        bleeds = _add_absent_step_fields(own, version)
        parts += [part for step in version.steps if (part := _distance_outside_limits(bleeds, step)) is not None]
    if not parts:
        return empty(Deviations)
    return validate_table(Deviations, pl.concat(parts).sort("session_id", "step"))


def _split_by_version(bleeds: pl.DataFrame, standard: Standard) -> list[tuple[Standard, pl.DataFrame]]:
    """Each version of the standard with the bleeds of its time and workshops.

    The newest version adopted by the day of a bleed applies, of two from one day that of its workshop; before the first of
    them, the first.
    """
    if not standard.earlier:
        return [(standard, bleeds)]
    versions = sorted((standard, *standard.earlier), key=lambda one: (one.adopted_on or dt.date.min, bool(one.shops)))
    day, shop = pl.col("started_at").dt.date(), pl.col("shop")
    applies = pl.lit(None, pl.Int64)
    for number, version in enumerate(versions):
        here = shop.is_in(version.shops).fill_null(False) if version.shops else pl.lit(True)
        first = applies.is_null()
        begun = (day >= version.adopted_on) if version.adopted_on else pl.lit(True)
        applies = pl.when(here & (begun | first)).then(number).otherwise(applies)
    number_of_bleed = bleeds.select(applies.fill_null(0)).to_series()
    return [(version, bleeds.filter(number_of_bleed == number)) for number, version in enumerate(versions)]


def own_fields(standard: Standard) -> dict[str, Kind]:
    """The custom fields that the steps read, with the kind of value their rule needs, in the steps' order."""
    fields = [
        (name, step.rule.kind()) for step in standard.steps for name in (step.field, *other_fields_of_rule(step.rule))
    ]
    return {name: kind for name, kind in fields if name.startswith("own.")}


def _bleeds_with_step_fields(log: Log, standard: Standard) -> pl.DataFrame:
    """Bleeds sorted by session_id with the fields that the steps of any version read, and their brakes."""
    fields = {name for version in (standard, *standard.earlier) for name in _step_fields(version)}
    step_columns = {"session_id", "brake_model", "started_at", "shop", *fields}
    bleeds = log.sessions.select(name for name in log.sessions.columns if name in step_columns)
    return _join_brake_columns(bleeds.sort("session_id"), log)


def _join_brake_columns(bleeds: pl.DataFrame, log: Log) -> pl.DataFrame:
    names = [name for name in empty(Brakes).columns if name != "brake_model"]
    brakes = log.brakes.select("brake_model", *(pl.col(name).alias(brake_column(name)) for name in names))
    return bleeds.join(brakes, on="brake_model", how="left", maintain_order="left")


def _step_fields(standard: Standard) -> set[str]:
    return {name for step in standard.steps for name in (step.field, *other_fields_of_rule(step.rule))}


def _add_absent_step_fields(bleeds: pl.DataFrame, standard: Standard) -> pl.DataFrame:
    """With empty columns for the fields that a step reads and the bleeds have not."""
    absent = sorted(_step_fields(standard) - set(bleeds.columns))
    bleeds = bleeds.with_columns(pl.lit(None).alias(name) for name in absent)
    for step in standard.steps:
        _check_field_types(bleeds.schema, step, standard.name)
    return bleeds


def _check_field_types(schema: pl.Schema, step: Step, standard: str) -> None:
    for field in (step.field, *other_fields_of_rule(step.rule)):
        kind_in_log, kind_needed = _value_kind(schema[field]), step.rule.kind()
        if kind_in_log not in (kind_needed, None):
            raise UserError(
                f"{standard}, step {step.id}",
                f"the rule needs {kind_needed} and the field {field} contains {kind_in_log}",
                f"a field that contains {kind_needed}",
                "correct the rule, or the type of that field in the map",
            )


def _value_kind(dtype: pl.DataType) -> Kind | None:
    if dtype == pl.Boolean:
        return "true/false"
    if dtype.is_numeric():
        return "number"
    return None if dtype == pl.Null else "text"


def _distance_outside_limits(bleeds: pl.DataFrame, step: Step) -> pl.DataFrame | None:
    bounds = bounds_of(step.rule)
    if bounds is None:
        return None
    reading = pl.col(step.field).cast(pl.Float64)
    outside = pl.when(reading <= bounds.lo).then(reading - bounds.lo).when(reading >= bounds.hi)
    return bleeds.filter(~step.rule.is_met(step.field)).select(
        "session_id", step=pl.lit(step.id), observed=reading, outside=outside.then(reading - bounds.hi)
    )
