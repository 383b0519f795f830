"""Regressions that several rooms fit, on matrices that are never copied beside themselves."""

from analysis.regression.chunks import in_turn, parts_of
from analysis.regression.gathering import gathered
from analysis.regression.grouped import Factor, Grouped
from analysis.regression.left_out import LeftOut, left_out_logistic, log_odds
from analysis.regression.levels import level_codes, sums_by
from analysis.regression.matrices import (
    Base,
    Below,
    Floats,
    Joined,
    Kept,
    Matrix,
    crossed,
    crossed_parts,
    product,
    products,
    squared,
    summed,
)
from analysis.regression.spread import Workers

__all__ = [
    "Base",
    "Below",
    "Factor",
    "Floats",
    "Grouped",
    "Joined",
    "Kept",
    "LeftOut",
    "Matrix",
    "Workers",
    "crossed",
    "crossed_parts",
    "gathered",
    "in_turn",
    "left_out_logistic",
    "level_codes",
    "log_odds",
    "parts_of",
    "product",
    "products",
    "squared",
    "summed",
    "sums_by",
]
