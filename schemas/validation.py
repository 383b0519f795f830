"""One check for every table that passes between rooms or is written: the frame against its model, values too.

Most tables fit. One question asked of all columns at once tells so; where the answer is no, pandera says what does not fit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import TypeVar, cast

import pandera.polars as pa
import polars as pl
from pandera.typing.polars import DataFrame

Model = TypeVar("Model", bound=pa.DataFrameModel)
CHECKS: dict[str, Callable[..., pl.Expr]] = {
    "greater_than_or_equal_to": lambda column, min_value: column >= min_value,
    "less_than_or_equal_to": lambda column, max_value: column <= max_value,
    "isin": lambda column, allowed_values: column.is_in(list(allowed_values)),
}
"""What `declare` has checked, by pandera's names."""


def validate_table(model: type[Model], frame: pl.DataFrame) -> DataFrame[Model]:
    """The frame, once every value in it is known to fit `model`.

    A LazyFrame is refused: its values would silently go unchecked.

    Raises
    ------
    ValueError
        If `frame` is lazy, or a column or value does not fit the model (all misfits are named).
    """
    if isinstance(frame, pl.LazyFrame):
        raise ValueError(f"{model.__name__}: a lazy frame has no values to check; collect it first")
    schema = model.to_schema()
    if not invalid_columns(model, frame) and not (schema.strict and frame.width > len(schema.columns)):
        return cast("DataFrame[Model]", frame)
    try:
        return model.validate(frame, lazy=True)
    except pa.errors.SchemaErrors as misfits:
        failures = misfits.failure_cases.select("column", "check", "failure_case").unique(maintain_order=True).head(8)
        lines = "; ".join(f"{column}: {check} (found {case})" for column, check, case in failures.iter_rows())
        raise ValueError(f"{model.__name__}: the table does not fit its schema: {lines}") from misfits


def invalid_columns(model: type[pa.DataFrameModel], frame: pl.DataFrame) -> list[str]:
    """The columns in which pandera would find something amiss; all of the model's where only pandera can tell."""
    checks = _model_checks(model)
    if checks is None or any(frame.schema.get(name) != kind for name, kind in checks.kinds.items()):
        return list(model.to_schema().columns)
    passed = frame.select(checks.of_values).row(0) if checks.of_values else ()
    return list(dict.fromkeys(name for name, fits in zip(checks.of_columns, passed, strict=True) if not fits))


@dataclass(frozen=True)
class _ModelChecks:
    """The types of a model's columns, and what is asked of the values of which column."""

    kinds: dict[str, pl.DataType]
    of_columns: list[str]
    of_values: list[pl.Expr]


@cache
def _model_checks(model: type[pa.DataFrameModel]) -> _ModelChecks | None:
    """None where the model checks what has no place in `CHECKS`."""
    schema = model.to_schema()
    checks = [(name, check) for name, column in schema.columns.items() for check in column.checks]
    if schema.checks or schema.unique or not all(check.name in CHECKS and check.ignore_na for _, check in checks):
        return None
    kinds = {name: column.dtype.type for name, column in schema.columns.items()}
    expressions = [(name, CHECKS[check.name](pl.col(name), **check.statistics).all()) for name, check in checks]
    for name, column in schema.columns.items():
        if not column.nullable:
            expressions.append((name, pl.col(name).is_not_null().all()))
            expressions += [(name, pl.col(name).is_not_nan().all())] if kinds[name].is_float() else []
        if column.unique:
            expressions.append((name, pl.col(name).n_unique() == pl.len()))
    aliased = [one.alias(str(place)) for place, (_, one) in enumerate(expressions)]
    return _ModelChecks(kinds, [name for name, _ in expressions], aliased)


def empty(model: type[Model]) -> DataFrame[Model]:
    """A table of no rows with the model's columns and types."""
    return _empty(model).clone()  # type: ignore[return-value]  # a copy is of the same kind


@cache
def _empty(model: type[Model]) -> DataFrame[Model]:
    columns = model.to_schema().columns
    frame = pl.DataFrame(schema={name: column.dtype.type for name, column in columns.items()})
    return cast("DataFrame[Model]", frame)  # of the model's own columns, and no value that might not fit
