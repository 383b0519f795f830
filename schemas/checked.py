"""One check for every table that passes between rooms or is written: the frame against its model, values too."""

from __future__ import annotations

from functools import cache
from typing import TypeVar, cast

import pandera.polars as pa
import polars as pl
from pandera.typing.polars import DataFrame

Model = TypeVar("Model", bound=pa.DataFrameModel)


def checked(model: type[Model], frame: pl.DataFrame) -> DataFrame[Model]:
    """The frame, once every value in it is known to fit `model`.

    A LazyFrame is refused: its values would silently go unchecked.

    Raises
    ------
    ValueError
        If `frame` is lazy, or a column or value does not fit the model (all misfits are named).
    """
    if isinstance(frame, pl.LazyFrame):
        raise ValueError(f"{model.__name__}: a lazy frame has no values to check; collect it first")
    try:
        return model.validate(frame, lazy=True)
    except pa.errors.SchemaErrors as misfits:
        told = misfits.failure_cases.select("column", "check", "failure_case").unique(maintain_order=True).head(8)
        lines = "; ".join(f"{column}: {check} (found {case})" for column, check, case in told.iter_rows())
        raise ValueError(f"{model.__name__}: the table does not fit its schema: {lines}") from misfits


def empty(model: type[Model]) -> DataFrame[Model]:
    """A table of no rows with the model's columns and types."""
    return _empty(model).clone()  # type: ignore[return-value]  # a copy is of the same kind


@cache
def _empty(model: type[Model]) -> DataFrame[Model]:
    columns = model.to_schema().columns
    frame = pl.DataFrame(schema={name: column.dtype.type for name, column in columns.items()})
    return cast("DataFrame[Model]", frame)  # of the model's own columns, and no value that might not fit
