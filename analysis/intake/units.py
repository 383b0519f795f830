"""Foreign units into the log's own, rounded as finely as they were written.

A converted reading is rounded to the first decimal place that is at least as fine as the step it was written in:
10.6 in-lb was written to 0.1 in-lb, which is 0.011 N·m, so it becomes 1.20 N·m and meets a bound of 1.2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class Unit:
    """A unit a map may name and what of the log's it converts to: canonical = x · factor + offset."""

    name: str
    canonical: str
    factor: float
    offset: float = 0.0


INCH_MM = 25.4
FLUID_OUNCE_ML = 29.5735295625
INCH_POUND_NM = 0.1129848290276167
UNITS: dict[str, Unit] = {
    unit.name: unit
    for unit in (
        Unit("mm", "mm", 1),
        Unit("cm", "mm", 10),
        Unit("m", "mm", 1000),
        Unit("in", "mm", INCH_MM),
        Unit("ml", "ml", 1),
        Unit("fl_oz", "ml", FLUID_OUNCE_ML),
        Unit("nm", "N·m", 1),
        Unit("in_lb", "N·m", INCH_POUND_NM),
        Unit("c", "°C", 1),
        Unit("f", "°C", 5 / 9, -160 / 9),
        Unit("fraction", "fraction", 1),
        Unit("percent", "fraction", 0.01),
        Unit("s", "s", 1),
        Unit("min", "min", 1),
        Unit("h", "min", 60),
    )
}
SECONDS_AS_MINUTES, MINUTES_AS_SECONDS = Unit("s", "min", 1 / 60), Unit("min", "s", 60)
SUFFIXES = r"(?i)\s*(mm|cm|m|in|inch|inches|\"|″|ml|cc|fl\.? ?oz\.?|n·?m|nm|in[- ·]?lbs?|°? ?c|°? ?f|%|s|sec|min\.?|h)$"


def unit_for(name: str, canonical: str) -> Unit | None:
    """The unit of that name as it converts to the field's own; None where it cannot be."""
    if (name, canonical) == ("s", "min"):
        return SECONDS_AS_MINUTES
    if (name, canonical) in (("min", "s"), ("h", "s")):
        return MINUTES_AS_SECONDS if name == "min" else Unit("h", "s", 3600)
    unit = UNITS.get(name)
    return unit if unit is not None and unit.canonical == canonical else None


def in_canonical(value: pl.Expr, decimals: pl.Expr, unit: Unit) -> pl.Expr:
    """The reading in the field's own unit.

    Parameters
    ----------
    value
        As a number in the foreign unit.
    decimals
        How many decimals it was written with.
    """
    if unit.factor == 1 and unit.offset == 0:
        return value
    converted = value * unit.factor + unit.offset
    finer = math.ceil(-math.log10(unit.factor) - 1e-9)
    rounded = converted.round(max(finer + 6, 0))
    for written in range(5, -1, -1):
        rounded = pl.when(decimals == written).then(converted.round(max(finer + written, 0))).otherwise(rounded)
    return rounded
