"""Follow-up: which bleeds came back, how long each was watched, and how returns come with time."""

from analysis.followup.follow import EVERY_DAY, Covered, followed, workload
from analysis.followup.incidence import Curve, aalen_johansen, ends, incidence, incidence_limits
from analysis.followup.returns import returns
from analysis.followup.weibull import Weibull, weibull

__all__ = [
    "EVERY_DAY",
    "Covered",
    "Curve",
    "Weibull",
    "aalen_johansen",
    "ends",
    "followed",
    "incidence",
    "incidence_limits",
    "returns",
    "weibull",
    "workload",
]
