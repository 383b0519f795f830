"""Thin wrappers over textbook statistics, each with its source."""

from analysis.stats.discovery import benjamini_hochberg, holm
from analysis.stats.intervals import (
    Z95,
    Interval,
    byar_limits,
    exact_binomial_limits,
    exact_poisson_limits,
    ratio_limits,
    wilson,
)
from analysis.stats.laws import (
    beta_quantile,
    binomial_tail,
    chi_square_tail,
    conditional_mid_tails,
    gamma_quantile,
    normal_tail,
    poisson_mid_tails,
    poisson_tail,
    student_tail,
)
from analysis.stats.rank import kendall_tau
from analysis.stats.spending import spending_bounds, spent

__all__ = [
    "Z95",
    "Interval",
    "benjamini_hochberg",
    "beta_quantile",
    "binomial_tail",
    "byar_limits",
    "chi_square_tail",
    "conditional_mid_tails",
    "exact_binomial_limits",
    "exact_poisson_limits",
    "gamma_quantile",
    "holm",
    "kendall_tau",
    "normal_tail",
    "poisson_mid_tails",
    "poisson_tail",
    "ratio_limits",
    "spending_bounds",
    "spent",
    "student_tail",
    "wilson",
]
