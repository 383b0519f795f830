"""Declaration of a table field (description, label, unit, role, valid values), and the fields of a table as records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import pandera.polars as pa
import polars as pl

Role = Literal["key", "context", "technique", "sign", "outcome", ""]
SheetPart = Literal["before", "after", ""]
Place = Literal["arrival", "preparation", "first pass", "passes", "closing", "after", "return", ""]
PLACES: dict[Place, str] = {
    "arrival": "how the brake and the job came in",
    "preparation": "before fluid moves",
    "first pass": "during the first pass",
    "passes": "after the first pass, until the last",
    "closing": "after the last pass, until both ports are closed",
    "after": "once both ports are closed",
    "return": "after the brake has left",
}
"""The stage at which a field becomes known, in order of time."""
ROLES: dict[Role, str] = {
    "key": "identifies the row or links it to another table",
    "context": "describes the job as it came in; comparisons are adjusted for it",
    "technique": "what the technician did; checked against the steps of the procedure",
    "sign": "observed during or after the bleed, such as bubbles, lever travel and pump-up",
    "outcome": "what happened later: a return and its cause",
}
_USUAL_PLACES: dict[Role, Place] = {
    "context": "arrival",
    "technique": "preparation",
    "sign": "after",
    "outcome": "return",
}
_TYPE_NAMES: dict[Any, str] = {
    pl.String: "text",
    pl.Float64: "number",
    pl.Int64: "whole number",
    pl.Boolean: "true/false",
    pl.Date: "date",
    pl.Datetime: "date or date-time",
}


def schema_field(
    description: str,
    *,
    label: str = "",
    role: Role = "",
    sheet: SheetPart = "",
    place: Place = "",
    unit: str = "",
    low: float | None = None,
    high: float | None = None,
    levels: Sequence[str] | None = None,
    required: bool = False,
    unique: bool = False,
) -> Any:
    """Declare one field of a table.

    Parameters
    ----------
    description
        What the field means, for FIELDS.md.
    label
        A short name for readers; the description where none is given.
    role
        What part the field plays; see `ROLES`.
    sheet
        Whether the bench sheet asks for it `before` or `after` the steps, unless a step reads it.
    place
        The stage at which it becomes known; see `PLACES`. By default `arrival` for context, `preparation` for technique, `after` for
        signs, `return` for outcomes.
    unit
        The unit of `low`, `high` and the values.
    low, high
        The range, both limits included.
    levels
        The only values allowed.
    required
        Whether it must have a value; otherwise an empty field means "not recorded".
    unique
        Whether no two rows may have the same value.
    """
    limits: dict[str, Any] = {}
    if low is not None:
        limits["ge"] = low
    if high is not None:
        limits["le"] = high
    if levels is not None:
        limits["isin"] = list(levels)
    return pa.Field(
        nullable=not required,
        unique=unique,
        description=description,
        metadata={
            "label": label or description,
            "unit": unit,
            "role": role,
            "sheet": sheet,
            "place": place or _USUAL_PLACES.get(role, ""),
            "low": low,
            "high": high,
            "levels": levels,
            "required": required,
        },
        **limits,
    )


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


def field_entries(table: str, model: type[pa.DataFrameModel]) -> list[Entry]:
    """One entry for each field of `model`, in order; `table` is the name of the table."""
    return [_field_entry(table, name, column) for name, column in model.to_schema().columns.items()]


def _field_entry(table: str, name: str, column: Any) -> Entry:
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
