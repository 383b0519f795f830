"""Follow-up: which bleeds came back, how long each was watched, and how returns come with time."""

from analysis.followup.aalen import AtWindow, at_window, incidence_limits
from analysis.followup.covered import EVERY_DAY, Covered, CoveredTime, Span, covered_time
from analysis.followup.cox import CoxModel, breslow
from analysis.followup.follow import followed, workload
from analysis.followup.incidence import Curve, aalen_johansen, ends, incidence, watched
from analysis.followup.kaplan_meier import kaplan_meier
from analysis.followup.recorded import with_silences
from analysis.followup.returns import returns
from analysis.followup.ridge import Block
from analysis.followup.succession import succession
from analysis.followup.survival_model import SurvivalModel
from analysis.followup.wear import LateModel, late_model_notes, late_models
from analysis.followup.weibull import Weibull, weibull, weibull_log_shape
from analysis.followup.weibull_regression import WeibullModel

__all__ = [
    "EVERY_DAY",
    "AtWindow",
    "Block",
    "Covered",
    "CoveredTime",
    "CoxModel",
    "Curve",
    "LateModel",
    "Span",
    "SurvivalModel",
    "Weibull",
    "WeibullModel",
    "aalen_johansen",
    "at_window",
    "breslow",
    "covered_time",
    "ends",
    "followed",
    "incidence",
    "incidence_limits",
    "kaplan_meier",
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
