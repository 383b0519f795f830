"""How a field of a table is declared: its meaning, unit, role and the values it may take, in one line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import pandera.polars as pa

Role = Literal["key", "context", "technique", "sign", "outcome", ""]
Sheet = Literal["before", "after", ""]


def schema_field(
    description: str,
    *,
    role: Role = "",
    sheet: Sheet = "",
    unit: str = "",
    low: float | None = None,
    high: float | None = None,
    levels: Sequence[str] | None = None,
    required: bool = False,
    unique: bool = False,
) -> Any:
    """One field of a table.

    `low` and `high` are inclusive and in `unit`; `levels` are the only texts allowed; a field that is not
    `required` may be empty (not recorded), which is a state of its own. `role` says what the field is to a
    bleed: `key`, `context` (what came in), `technique` (what was done), `sign` (what was seen afterwards),
    `outcome`. `sheet` is where the bench sheet asks for it unless a step does: `before` or `after` the steps.
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
            "unit": unit,
            "role": role,
            "sheet": sheet,
            "low": low,
            "high": high,
            "levels": levels,
            "required": required,
        },
        **limits,
    )
