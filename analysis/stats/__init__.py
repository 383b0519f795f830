"""Thin wrappers over textbook statistics, each with its source."""

from analysis.stats.discovery import benjamini_hochberg
from analysis.stats.intervals import (
    Z95,
    Interval,
    byar_limits,
    exact_binomial_limits,
    exact_poisson_limits,
    wilson,
)

__all__ = [
    "Z95",
    "Interval",
    "benjamini_hochberg",
    "byar_limits",
    "exact_binomial_limits",
    "exact_poisson_limits",
    "wilson",
]
