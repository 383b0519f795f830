"""The risk of a re-bleed: which bleed will come back, why, and which deserves a second check."""

from analysis.risk.calibration import calibration_line
from analysis.risk.calibration import odds as log_odds_of
from analysis.risk.features import BleedFeatures, bleed_features
from analysis.risk.foretold import Foretold, Outcome, outcome_of, told_from
from analysis.risk.found import RiskFound, risk_found
from analysis.risk.fresh import fresh_risk
from analysis.risk.history import History, history_of, known_before
from analysis.risk.model import Predictions, RiskModel
from analysis.risk.model_file import model_bytes, opened_model, read_model
from analysis.risk.quality import brier_parts, parts_of_bins
from analysis.risk.saved import SavedModel, saved_model
from analysis.risk.second_checks import BleedOutcomes, CheckCost, net_benefit, second_checks
from analysis.risk.shares import Shares, risk_shares

__all__ = [
    "BleedFeatures",
    "BleedOutcomes",
    "CheckCost",
    "Foretold",
    "History",
    "Outcome",
    "Predictions",
    "RiskFound",
    "RiskModel",
    "SavedModel",
    "Shares",
    "bleed_features",
    "brier_parts",
    "calibration_line",
    "fresh_risk",
    "history_of",
    "known_before",
    "log_odds_of",
    "model_bytes",
    "net_benefit",
    "opened_model",
    "outcome_of",
    "parts_of_bins",
    "read_model",
    "risk_found",
    "risk_shares",
    "saved_model",
    "second_checks",
    "told_from",
]
