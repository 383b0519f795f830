"""Watching over time: months within limits, a CUSUM adjusted for the work, the month a change began."""

from analysis.monitoring.change_point import ChangePoint, change_point
from analysis.monitoring.cusum import cusum, log_likelihood_ratios
from analysis.monitoring.monthly import changed_step, monthly_rates
from analysis.monitoring.monthly_counts import monthly_counts
from analysis.monitoring.p_chart import Limits, p_chart

__all__ = [
    "ChangePoint",
    "Limits",
    "change_point",
    "changed_step",
    "cusum",
    "log_likelihood_ratios",
    "monthly_counts",
    "monthly_rates",
    "p_chart",
]
