"""Declaration of a table field: description, label, unit, role and valid values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import pandera.polars as pa

Role = Literal["key", "context", "technique", "sign", "outcome", ""]
Sheet = Literal["before", "after", ""]
Place = Literal["arrival", "preparation", "first pass", "passes", "closing", "after", "return", ""]
PLACES: dict[Place, str] = {
    "arrival": "known before anyone starts",
    "preparation": "before fluid moves",
    "first pass": "during the first pass",
    "passes": "after the first pass, until the last",
    "closing": "after the last pass, until both ports are closed",
    "after": "once the brake is closed",
    "return": "after the brake has left",
}
"""When a field comes about, in order of time."""
ROLES: dict[Role, str] = {
    "key": "identifies the row or links it to another table",
    "context": "describes the job as it came in; comparisons are adjusted for it",
    "technique": "what the technician did; steps of the procedure are checked against it",
    "sign": "observed during or after the bleed, such as bubbles, lever travel and pump-up",
    "outcome": "what happened later: a return and its cause",
}
_USUAL_PLACES: dict[Role, Place] = {
    "context": "arrival",
    "technique": "preparation",
    "sign": "after",
    "outcome": "return",
}


def schema_field(
    description: str,
    *,
    label: str = "",
    role: Role = "",
    sheet: Sheet = "",
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
        What the field is to a bleed; see `ROLES`.
    sheet
        Whether the bench sheet asks for it `before` or `after` the steps, unless a step reads it.
    place
        When it comes about; see `PLACES`. By default `arrival` for context, `preparation` for technique, `after` for
        signs, `return` for outcomes.
    unit
        The unit of `low`, `high` and the values.
    low, high
        The range, both limits included.
    levels
        The only texts allowed.
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
