"""Follow-up: which bleeds came back, how long each was watched, and how returns come with time."""

from analysis.followup.aalen import AtWindow, at_window, incidence_limits
from analysis.followup.beginning import Beginning, beginning_below, beginning_beside, beginning_near
from analysis.followup.covered import EVERY_DAY, Covered, CoveredTime, Span, covered_time
from analysis.followup.cox import SINGLE_FROM, baseline, fit_returns
from analysis.followup.follow import followed, workload
from analysis.followup.incidence import Curve, aalen_johansen, ends, incidence, watched
from analysis.followup.influence import by_cluster, clustered, influence
from analysis.followup.recorded import with_silences
from analysis.followup.return_model import ReturnModel
from analysis.followup.returns import returns
from analysis.followup.ridge import Block
from analysis.followup.risk_sets import Follow, follow_of
from analysis.followup.succession import succession
from analysis.followup.wear import LateModel, late_model_notes, late_models
from analysis.followup.weibull import Weibull, weibull, weibull_log_shape

__all__ = [
    "EVERY_DAY",
    "SINGLE_FROM",
    "AtWindow",
    "Beginning",
    "Block",
    "Covered",
    "CoveredTime",
    "Curve",
    "Follow",
    "LateModel",
    "ReturnModel",
    "Span",
    "Weibull",
    "aalen_johansen",
    "at_window",
    "baseline",
    "beginning_below",
    "beginning_beside",
    "beginning_near",
    "by_cluster",
    "clustered",
    "covered_time",
    "ends",
    "fit_returns",
    "follow_of",
    "followed",
    "incidence",
    "incidence_limits",
    "influence",
    "late_model_notes",
    "late_models",
    "returns",
    "succession",
    "watched",
    "weibull",
    "weibull_log_shape",
    "with_silences",
    "workload",
]
