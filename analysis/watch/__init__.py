"""Watching over time: months within limits, a CUSUM adjusted for the work, the month a change began."""

from analysis.watch.change import ChangePoint, change_point
from analysis.watch.cusum import path, weights
from analysis.watch.months import months, step_moved
from analysis.watch.p_chart import Limits, p_chart
from analysis.watch.raw import raw_months

__all__ = [
    "ChangePoint",
    "Limits",
    "change_point",
    "months",
    "p_chart",
    "path",
    "raw_months",
    "step_moved",
    "weights",
]
