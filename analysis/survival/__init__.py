"""Survival analysis of bleeds: follow-up, cumulative incidence, and models of the time to return."""

from analysis.survival.cox import AddedColumns, CoxModel, breslow, score_added_columns
from analysis.survival.cumulative_incidence import (
    IncidenceCurve,
    WindowIncidence,
    aalen_johansen,
    event_type,
    incidence,
    incidence_limits,
    is_return_observable,
    kaplan_meier,
    window_incidence,
)
from analysis.survival.empirical_bayes_ridge import Block
from analysis.survival.follow_up import add_follow_up, adjacent_bleeds, match_returns, other_returns, workload
from analysis.survival.named_fit import SurvivalFit, fit_survival
from analysis.survival.observation_window import (
    WHOLE_LOG,
    ObservationWindow,
    RecordingSpan,
    exclude_recording_gaps,
    recording_notes,
)
from analysis.survival.survival_model import SurvivalModel
from analysis.survival.weibull import (
    LateFailureModel,
    Weibull,
    late_failure_models,
    late_model_notes,
    weibull,
    weibull_log_shape,
)
from analysis.survival.weibull_regression import WeibullModel

__all__ = [
    "WHOLE_LOG",
    "AddedColumns",
    "Block",
    "CoxModel",
    "IncidenceCurve",
    "LateFailureModel",
    "ObservationWindow",
    "RecordingSpan",
    "SurvivalFit",
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
    "fit_survival",
    "incidence",
    "incidence_limits",
    "is_return_observable",
    "kaplan_meier",
    "late_failure_models",
    "late_model_notes",
    "match_returns",
    "other_returns",
    "recording_notes",
    "score_added_columns",
    "weibull",
    "weibull_log_shape",
    "window_incidence",
    "workload",
]
