"""Validate rows by their table's model: a bad value in a required field rejects the row, in another it is blanked."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import pandera.polars as pa
import polars as pl

from analysis.intake.convert.cleaned_text import SCOPE_FAULT
from analysis.intake.deduplicate import ROW_INDEX, DeduplicatedTable
from analysis.intake.mapping.table_map import FIELDS, MODELS, OwnColumn
from analysis.intake.readers.limits import NAME_CHARACTERS
from analysis.intake.readers.raw_table import ROW
from schemas import invalid_columns

FIRST_DAY = dt.date(1990, 1, 1)
"""Earlier dates are taken for typing errors."""
REASONS = {ROW_INDEX: pl.Int64, ROW: pl.Int64, "column": pl.String, "rule": pl.String}
MOMENTS = {"sessions": "started_at", "comebacks": "returned_at"}
"""The date of a table's rows."""
DATED = MOMENTS | {"actions": "done_on"}
"""The date that may not be after the last day of the log."""


@dataclass(frozen=True)
class ValidationResult:
    """The accepted rows, with bad values blanked, and the reasons (ROW_INDEX, ROW, column, rule) for the rest.

    `row_reasons` are those for which a row was rejected, `blanked` those for which a value was blanked.
    """

    accepted: pl.DataFrame
    row_reasons: pl.DataFrame
    blanked: pl.DataFrame


def validate(deduplicated: DeduplicatedTable, as_of: dt.date | None) -> ValidationResult:
    """Validate the rows that are neither duplicates nor conflicts.

    Parameters
    ----------
    deduplicated
        The table's rows and masks.
    as_of
        The last day that counts, the whole of it; a row of a later day is rejected. None for no limit.
    """
    table = deduplicated.combined.table
    frame, remaining = deduplicated.combined.frame, deduplicated.remaining
    rows = _add_absent_fields(frame if remaining.all() else frame.filter(remaining), table)
    unread = _select_reasons(deduplicated.combined.faults, rows).select(ROW_INDEX, ROW, "column", "rule")
    reasons = [
        unread,
        _find_invalid_cells(rows, table),
        _find_outside_limits(rows, deduplicated),
        _find_long_names(rows, deduplicated),
        _find_invalid_dates(rows, table, as_of),
        _find_empty_required(rows, table, unread),
    ]
    all_reasons = pl.concat(reasons).unique().sort(ROW_INDEX, ROW, "column", "rule")
    required = [name for name, entry in FIELDS[table].items() if entry.required]
    rejects = pl.col("column").is_in(required) | (pl.col("rule") == SCOPE_FAULT)
    row_reasons = all_reasons.filter(rejects)
    valid = rows
    if not row_reasons.is_empty():
        valid = rows.join(row_reasons.select(ROW_INDEX, ROW), on=[ROW_INDEX, ROW], how="anti", maintain_order="left")
    blanked = _select_reasons(all_reasons.filter(~rejects), valid)
    return ValidationResult(_blank_bad_cells(valid, blanked), row_reasons, blanked)


def _select_reasons(reasons: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """The reasons that concern these rows."""
    return reasons.join(rows.select(ROW_INDEX, ROW), on=[ROW_INDEX, ROW], how="semi")


def _add_absent_fields(frame: pl.DataFrame, table: str) -> pl.DataFrame:
    """Every field of the table, empty if no file has it, and whether the time of day was recorded with each date."""
    columns = MODELS[table].to_schema().columns
    absent = [pl.lit(None, dtype=c.dtype.type).alias(name) for name, c in columns.items() if name not in frame.columns]
    moment = MOMENTS.get(table)
    frame = frame.with_columns(absent)
    if moment and f"{moment}_has_time" not in frame.columns:
        frame = frame.with_columns(pl.lit(None, pl.Boolean).alias(f"{moment}_has_time"))
    own = sorted(name for name in frame.columns if name.startswith("own."))
    extra_columns = [f"{moment}_has_time"] if moment else []
    return frame.select(ROW_INDEX, ROW, *columns, *extra_columns, *own)


def _find_invalid_cells(rows: pl.DataFrame, table: str) -> pl.DataFrame:
    """Cells outside their range or levels, by the checks of the pandera model."""
    parts = [pl.DataFrame(schema=REASONS)]
    invalid = invalid_columns(MODELS[table], rows)
    if not invalid:
        return parts[0]
    try:
        MODELS[table].to_schema().select_columns(invalid).validate(rows, lazy=True)
    except pa.errors.SchemaErrors as errors:
        for error in errors.schema_errors:
            mask = error.check_output
            if mask is None or mask.height != rows.height:
                raise RuntimeError(f"{table}: the table does not have its model's columns: {error}") from errors
            rule = {"isin": "unknown_level", "not_nullable": None, "field_uniqueness": None}.get(
                str(getattr(error.check, "name", error.check)).split("(")[0], "out_of_range"
            )
            if rule is not None:
                bad = rows.select(ROW_INDEX, ROW).filter(~mask.to_series().fill_null(True))
                parts.append(bad.with_columns(column=pl.lit(error.column_name), rule=pl.lit(rule)))
    return pl.concat(parts)


def _find_outside_limits(rows: pl.DataFrame, deduplicated: DeduplicatedTable) -> pl.DataFrame:
    parts = [pl.DataFrame(schema=REASONS)]
    for place, part in enumerate(deduplicated.combined.parts):
        for column in part.table_map.own:
            if column.low is not None or column.high is not None:
                bad = rows.filter(pl.col(ROW_INDEX) == place, _is_outside_own_limits(column))
                parts.append(
                    bad.select(ROW_INDEX, ROW, column=pl.lit(f"own.{column.name}"), rule=pl.lit("out_of_range"))
                )
    return pl.concat(parts)


def _find_long_names(rows: pl.DataFrame, deduplicated: DeduplicatedTable) -> pl.DataFrame:
    """IDs and names too long for a label of a table or chart."""
    table, parts = deduplicated.combined.table, [pl.DataFrame(schema=REASONS)]
    names = {name for name, entry in FIELDS[table].items() if entry.type == "text" and entry.role and not entry.levels}
    own = (column for part in deduplicated.combined.parts for column in part.table_map.own)
    names |= {f"own.{column.name}" for column in own if column.type == "text" and column.role}
    for name in sorted(names & set(deduplicated.combined.fields)):
        long = rows.filter(pl.col(name).str.len_chars() > NAME_CHARACTERS)
        parts.append(long.select(ROW_INDEX, ROW, column=pl.lit(name), rule=pl.lit("too_long")))
    return pl.concat(parts)


def _is_outside_own_limits(column: OwnColumn) -> pl.Expr:
    value = pl.col(f"own.{column.name}")
    low = value < column.low if column.low is not None else pl.lit(False)
    high = value > column.high if column.high is not None else pl.lit(False)
    return (low | high).fill_null(False)


def _find_invalid_dates(rows: pl.DataFrame, table: str, as_of: dt.date | None) -> pl.DataFrame:
    moment = DATED.get(table)
    if moment is None:
        return pl.DataFrame(schema=REASONS)
    day = pl.col(moment).dt.date()
    early = rows.filter(day < FIRST_DAY).select(ROW_INDEX, ROW, column=pl.lit(moment), rule=pl.lit("out_of_range"))
    if as_of is None:
        return early
    late = rows.filter(day > as_of).select(ROW_INDEX, ROW, column=pl.lit(moment), rule=pl.lit("after_as_of"))
    return pl.concat([early, late])


def _find_empty_required(rows: pl.DataFrame, table: str, unread: pl.DataFrame) -> pl.DataFrame:
    parts = [pl.DataFrame(schema=REASONS)]
    for name, entry in FIELDS[table].items():
        if entry.required and rows.get_column(name).null_count():
            empty = rows.filter(pl.col(name).is_null()).select(ROW_INDEX, ROW, column=pl.lit(name))
            empty = empty.join(unread, on=[ROW_INDEX, ROW, "column"], how="anti")
            parts.append(empty.with_columns(rule=pl.lit("required_missing")))
    return pl.concat(parts)


def _blank_bad_cells(rows: pl.DataFrame, reasons: pl.DataFrame) -> pl.DataFrame:
    """Empty every cell that broke a rule; cells that could not be read are empty already."""
    for (name,), bad in reasons.filter(pl.col("rule") != "unreadable").group_by("column", maintain_order=True):
        flags = rows.select(ROW_INDEX, ROW).join(
            bad.select(ROW_INDEX, ROW, bad=pl.lit(True)), on=[ROW_INDEX, ROW], how="left", maintain_order="left"
        )
        is_bad = flags.get_column("bad").fill_null(False)
        rows = rows.with_columns(pl.when(~pl.lit(is_bad)).then(pl.col(str(name))).alias(str(name)))
    return rows
