"""The fields of a table as records, derived from its model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandera.polars as pa
import polars as pl


@dataclass(frozen=True)
class Entry:
    """One field of one table."""

    table: str
    name: str
    label: str
    type: str
    unit: str
    role: str
    sheet: str
    place: str
    required: bool
    low: float | None
    high: float | None
    levels: tuple[str, ...]
    description: str

    @property
    def range(self) -> str:
        """The valid values as text."""
        if self.levels:
            return ", ".join(self.levels)
        if self.low is not None and self.high is not None:
            return f"{self.low:g} to {self.high:g}"
        if self.low is not None:
            return f"{self.low:g} or more"
        return f"{self.high:g} or less" if self.high is not None else ""


def dictionary(table: str, model: type[pa.DataFrameModel]) -> list[Entry]:
    """One entry for each field of `model`, in order; `table` is the name of the table."""
    return [_entry(table, name, column) for name, column in model.to_schema().columns.items()]


_TYPE_NAMES: dict[Any, str] = {
    pl.String: "text",
    pl.Float64: "number",
    pl.Int64: "whole number",
    pl.Boolean: "true/false",
    pl.Date: "date",
    pl.Datetime: "date or date-time",
}


def _entry(table: str, name: str, column: Any) -> Entry:
    metadata = column.metadata or {}
    return Entry(
        table=table,
        name=name,
        label=metadata.get("label") or column.description or "",
        type=_TYPE_NAMES[column.dtype.type.base_type()],
        unit=metadata.get("unit", ""),
        role=metadata.get("role", ""),
        sheet=metadata.get("sheet", ""),
        place=metadata.get("place", ""),
        required=metadata.get("required", not column.nullable),
        low=metadata.get("low"),
        high=metadata.get("high"),
        levels=tuple(metadata.get("levels") or ()),
        description=column.description or "",
    )
