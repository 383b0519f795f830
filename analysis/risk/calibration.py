"""Calibration of predicted risks, and a recalibration no larger than the evidence for it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.stats import clustered_covariance

FloatArray = NDArray[np.float64]
MIN_RETURNS = 300
PRIOR_RETURNS = 200.0
"""Weight of no recalibration, in returns."""


@dataclass(frozen=True)
class Calibration:
    """Calibrated log odds = `intercept` + `slope` × predicted log odds."""

    intercept: float = 0.0
    slope: float = 1.0


@dataclass(frozen=True)
class CalibrationLine:
    """Logistic regression on predicted log odds: intercept, slope, and calibration in the large, with standard
    errors.
    """

    intercept: float
    intercept_se: float
    slope: float
    slope_se: float
    in_the_large: float
    in_the_large_se: float


def inverse_logit(log_odds: FloatArray) -> FloatArray:
    return np.asarray(1 / (1 + np.exp(-log_odds)))


def logit(risk: FloatArray) -> FloatArray:
    return np.asarray(np.log(risk) - np.log1p(-risk))


def calibrate(log_odds: FloatArray, calibration: Calibration) -> FloatArray:
    return inverse_logit(calibration.intercept + calibration.slope * log_odds)


def calibration_line(
    log_odds: FloatArray, came_back: NDArray[np.bool_] | FloatArray, bike: NDArray[np.int64] | None = None
) -> CalibrationLine:
    """Calibration slope and intercept, and calibration in the large (slope fixed at 1).

    Source: D. R. Cox 1958, Biometrika 45:562-565; E. W. Steyerberg 2019, Clinical Prediction Models, 2nd ed., ch. 15.

    Parameters
    ----------
    log_odds
        Of the predicted risks (n).
    came_back
        Outcomes (n); at least one of each.
    bike
        Code of each bleed's bike, for standard errors clustered by bike (sandwich; K.-Y. Liang & S. L. Zeger 1986,
        Biometrika 73:13-22); bleeds are independent without it.
    """
    design = np.column_stack([np.ones(len(log_odds)), log_odds])
    line, line_sd = _fit_logistic(design, came_back, np.zeros(len(log_odds)), bike)
    in_the_large, in_the_large_se = _fit_logistic(design[:, :1], came_back, log_odds, bike)
    return CalibrationLine(line[0], line_sd[0], line[1], line_sd[1], in_the_large[0], in_the_large_se[0])


def recalibration(log_odds: FloatArray, came_back: NDArray[np.bool_]) -> Calibration:
    """Recalibration from out-of-time predictions: none up to 300 returns, then the line's, shrunk towards none by
    200 returns.
    """
    returns = int(came_back.sum())
    if returns <= MIN_RETURNS:
        return Calibration()
    weight = returns / (returns + PRIOR_RETURNS)
    line = calibration_line(log_odds, came_back)
    slope = max(1 + weight * (line.slope - 1), 0.1)
    level, _ = _fit_logistic(np.ones((len(log_odds), 1)), came_back, slope * log_odds)
    return Calibration(float(level[0] - (1 - weight) * line.in_the_large), float(slope))


def _fit_logistic(
    x: FloatArray, came_back: NDArray[np.bool_] | FloatArray, offset: FloatArray, bike: NDArray[np.int64] | None = None
) -> tuple[FloatArray, FloatArray]:
    """Logistic regression by Newton's method: coefficients and standard errors."""
    coefficients = np.zeros(x.shape[1])
    for _ in range(50):
        risk = inverse_logit(x @ coefficients + offset)
        information = (x * (risk * (1 - risk))[:, None]).T @ x
        step = np.linalg.solve(information + 1e-9 * np.eye(len(coefficients)), x.T @ (came_back - risk))
        coefficients = coefficients + np.clip(step, -2.0, 2.0)
        if np.abs(step).max() < 1e-12:
            break
    covariance = np.linalg.inv(information + 1e-9 * np.eye(len(coefficients)))
    if bike is not None:
        covariance = _sandwich(np.asarray(covariance, dtype=float), x * (came_back - risk)[:, None], bike)
    return coefficients, np.sqrt(np.diag(covariance))


def _sandwich(covariance: FloatArray, scores: FloatArray, bike: NDArray[np.int64]) -> FloatArray:
    bikes, cluster = np.unique(bike, return_inverse=True)
    meat = clustered_covariance(scores, cluster) * len(bikes) / max(len(bikes) - 1, 1)
    return np.asarray(covariance @ meat @ covariance)
