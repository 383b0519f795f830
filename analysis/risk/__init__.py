"""Risk of a comeback after each bleed: how likely, why, and which bleeds deserve a second check."""

from analysis.risk.assess import RiskResults, assess_risk, score_new
from analysis.risk.attributions import Attributions, attribute_risk
from analysis.risk.backtest import Outcome, OutOfTimePredictions, outcomes, predict_out_of_time
from analysis.risk.calibration import calibration_line
from analysis.risk.calibration import logit as log_odds_of
from analysis.risk.checks_done import ShareFound, action_results, share_found
from analysis.risk.evaluation import brier_parts, brier_parts_of_bins
from analysis.risk.features import BleedFeatures, bleed_features
from analysis.risk.history import History, build_history, point_in_time_features
from analysis.risk.model import Predictions, RiskModel
from analysis.risk.persistence import SavedModel, load_model, model_bytes, read_model, saved_model
from analysis.risk.second_checks import BleedOutcomes, SecondCheckCost, net_benefit, second_checks

__all__ = [
    "Attributions",
    "BleedFeatures",
    "BleedOutcomes",
    "History",
    "OutOfTimePredictions",
    "Outcome",
    "Predictions",
    "RiskModel",
    "RiskResults",
    "SavedModel",
    "SecondCheckCost",
    "ShareFound",
    "action_results",
    "assess_risk",
    "attribute_risk",
    "bleed_features",
    "brier_parts",
    "brier_parts_of_bins",
    "build_history",
    "calibration_line",
    "load_model",
    "log_odds_of",
    "model_bytes",
    "net_benefit",
    "outcomes",
    "point_in_time_features",
    "predict_out_of_time",
    "read_model",
    "saved_model",
    "score_new",
    "second_checks",
    "share_found",
]
