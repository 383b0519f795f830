"""Regressions that several rooms fit, on matrices that are never copied beside themselves."""

from analysis.regression.left_out import LeftOut, left_out_logistic, log_odds
from analysis.regression.matrices import (
    Below,
    Floats,
    Joined,
    Matrix,
    crossed,
    gathered,
    parts_of,
    product,
    product_of,
    squared,
    summed,
)

__all__ = [
    "Below",
    "Floats",
    "Joined",
    "LeftOut",
    "Matrix",
    "crossed",
    "gathered",
    "left_out_logistic",
    "log_odds",
    "parts_of",
    "product",
    "product_of",
    "squared",
    "summed",
]
