"""Survival analysis of bleeds: follow-up, cumulative incidence, and models of the time to return."""

from analysis.survival.cox import AddedColumnScores, CoxModel, breslow, score_added_columns
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
from analysis.survival.follow_up import add_follow_up, adjacent_bleeds, days_to_other_returns, match_returns, workload
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
    LateReturningBrakeModel,
    Weibull,
    late_brake_model_notes,
    late_returning_brake_models,
    weibull,
    weibull_log_shape,
)
from analysis.survival.weibull_regression import WeibullModel

__all__ = [
    "WHOLE_LOG",
    "AddedColumnScores",
    "Block",
    "CoxModel",
    "IncidenceCurve",
    "LateReturningBrakeModel",
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
    "days_to_other_returns",
    "event_type",
    "exclude_recording_gaps",
    "fit_survival",
    "incidence",
    "incidence_limits",
    "is_return_observable",
    "kaplan_meier",
    "late_brake_model_notes",
    "late_returning_brake_models",
    "match_returns",
    "recording_notes",
    "score_added_columns",
    "weibull",
    "weibull_log_shape",
    "window_incidence",
    "workload",
]
