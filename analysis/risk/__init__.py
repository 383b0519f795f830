"""Risk of a comeback after each bleed: how likely, why, and which bleeds deserve a second check."""

from analysis.risk.assess import RiskOptions, RiskTables, assess_risk, score_with_saved_model
from analysis.risk.attributions import Attributions, attribute_risk
from analysis.risk.backtest import BacktestBleeds, OutOfTimeSplit
from analysis.risk.baselines import DEFAULT_TREES, baselines
from analysis.risk.calibration import calibration_line
from analysis.risk.calibration import logit as log_odds_of
from analysis.risk.classifier import RebleedClassifier
from analysis.risk.compare_classifiers import backtest_bleeds, compare_on_log
from analysis.risk.evaluation import brier_parts, brier_parts_of_bins, net_benefit_by_bleed
from analysis.risk.features import BleedFeatures, bleed_rows, risk_data
from analysis.risk.history import History, build_history, point_in_time_features
from analysis.risk.model import Predictions, RiskModel
from analysis.risk.persistence import SavedModel, load_model, model_bytes, read_model, saved_model
from analysis.risk.pipeline import FeatureMatrix, WindowClassifier, make_risk_pipeline
from analysis.risk.second_checks import BleedOutcomes, SecondCheckCost, second_checks

__all__ = [
    "DEFAULT_TREES",
    "Attributions",
    "BacktestBleeds",
    "BleedFeatures",
    "BleedOutcomes",
    "FeatureMatrix",
    "History",
    "OutOfTimeSplit",
    "Predictions",
    "RebleedClassifier",
    "RiskModel",
    "RiskOptions",
    "RiskTables",
    "SavedModel",
    "SecondCheckCost",
    "WindowClassifier",
    "assess_risk",
    "attribute_risk",
    "backtest_bleeds",
    "baselines",
    "bleed_rows",
    "brier_parts",
    "brier_parts_of_bins",
    "build_history",
    "calibration_line",
    "compare_on_log",
    "load_model",
    "log_odds_of",
    "make_risk_pipeline",
    "model_bytes",
    "net_benefit_by_bleed",
    "point_in_time_features",
    "read_model",
    "risk_data",
    "saved_model",
    "score_with_saved_model",
    "second_checks",
]
