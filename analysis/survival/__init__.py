"""Follow-up: which bleeds came back, how long each was watched, and how returns come with time."""

from analysis.survival.aalen_johansen import WindowIncidence, incidence_limits, window_incidence
from analysis.survival.adjacent_bleeds import adjacent_bleeds
from analysis.survival.cox import CoxModel, breslow
from analysis.survival.cumulative_incidence import (
    IncidenceCurve,
    aalen_johansen,
    event_type,
    incidence,
    return_observable,
)
from analysis.survival.empirical_bayes_ridge import Block
from analysis.survival.events import match_returns
from analysis.survival.follow_up import add_follow_up, workload
from analysis.survival.kaplan_meier import kaplan_meier
from analysis.survival.late_failure import LateFailureModel, late_failure_models, late_model_notes
from analysis.survival.observation_window import WHOLE_LOG, ObservationWindow, ObservedPeriod, Span, observed_period
from analysis.survival.recorded import exclude_recording_gaps
from analysis.survival.survival_model import SurvivalModel
from analysis.survival.weibull import Weibull, weibull, weibull_log_shape
from analysis.survival.weibull_regression import WeibullModel

__all__ = [
    "WHOLE_LOG",
    "Block",
    "CoxModel",
    "IncidenceCurve",
    "LateFailureModel",
    "ObservationWindow",
    "ObservedPeriod",
    "Span",
    "SurvivalModel",
    "Weibull",
    "WeibullModel",
    "WindowIncidence",
    "aalen_johansen",
    "add_follow_up",
    "adjacent_bleeds",
    "breslow",
    "event_type",
    "exclude_recording_gaps",
    "incidence",
    "incidence_limits",
    "kaplan_meier",
    "late_failure_models",
    "late_model_notes",
    "match_returns",
    "observed_period",
    "return_observable",
    "weibull",
    "weibull_log_shape",
    "window_incidence",
    "workload",
]
