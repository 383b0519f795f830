"""Lots of fluid and bleed kits: which each bleed used, and what a bad one does."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from synthetic.fleet import IntArray, day_number, first_day
from synthetic.workshop import Workshop

MINUTES_BETWEEN_KITS = 7
"""The kit is whichever is free: here it follows from the minute of the start, which nothing else depends on."""


def assign_lots(workshop: Workshop, day: IntArray, shop: NDArray[np.intp]) -> IntArray:
    """Number of each bleed's lot, from 0: each shop has its own, one after another in equal times."""
    first, last = day_number(first_day(workshop)), day_number(workshop.as_of)
    turn = (day - first) * workshop.fluid_lots // (last - first + 1)
    return np.asarray(shop * workshop.fluid_lots + np.clip(turn, 0, workshop.fluid_lots - 1), dtype=np.int64)


def assign_kits(workshop: Workshop, start: IntArray, shop: NDArray[np.intp]) -> IntArray:
    """Number of each bleed's kit, from 0: those of its shop are used side by side."""
    return np.asarray(shop * workshop.kits + start // MINUTES_BETWEEN_KITS % workshop.kits, dtype=np.int64)


def lot_burden(workshop: Workshop, day: IntArray, shop: NDArray[np.intp]) -> NDArray[np.float64]:
    """Log hazard of each bleed's lot, whether or not stand readings show it."""
    if not workshop.fluid_lots:
        return np.zeros(len(day))
    return np.asarray(workshop.bad_lot * (assign_lots(workshop, day, shop) == workshop.fluid_lots // 2))


def lot_kit_log_hazard(
    workshop: Workshop, start: IntArray, day: IntArray, shop: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Log hazard of each bleed's lot and kit that no stand reading shows."""
    added = np.zeros(len(day)) if workshop.lot_air else lot_burden(workshop, day, shop)
    if workshop.kits:
        added += workshop.bad_kit * (assign_kits(workshop, start, shop) == 0)
        added += workshop.kit_wear * (day - day_number(first_day(workshop))) / 100
    return added


def lot_and_kit_columns(workshop: Workshop, start: IntArray, day: IntArray, shop: NDArray[np.intp]) -> list[pl.Series]:
    """The columns fluid_lot and kit_id, as far as the workshop records them."""
    columns = []
    if workshop.fluid_lots:
        lot = pl.Series("fluid_lot", assign_lots(workshop, day, shop) + 1)
        columns.append(lot.cast(pl.String).str.zfill(3).str.replace("^", "L"))
    if workshop.kits:
        kit = pl.Series("kit_id", assign_kits(workshop, start, shop) + 1)
        columns.append(kit.cast(pl.String).str.zfill(2).str.replace("^", "kit "))
    return columns
