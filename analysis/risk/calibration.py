"""Calibration: how far told risks lie from what came, and a correction no larger than the evidence for it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.stats import clustered_covariance

FloatArray = NDArray[np.float64]
MIN_RETURNS = 300
TRUST = 200.0
"""Returns' worth of trust in the risks as they are."""


@dataclass(frozen=True)
class Calibration:
    """Log odds told = `intercept` + `slope` × the log odds a model says."""

    intercept: float = 0.0
    slope: float = 1.0


@dataclass(frozen=True)
class Line:
    """A logistic line through told log odds: intercept and slope with their standard errors, and the intercept alone."""

    intercept: float
    intercept_se: float
    slope: float
    slope_se: float
    large: float
    large_se: float


def chance(log_odds: FloatArray) -> FloatArray:
    """The risk of log odds."""
    return np.asarray(1 / (1 + np.exp(-log_odds)))


def odds(risk: FloatArray) -> FloatArray:
    """The log odds of a risk."""
    return np.asarray(np.log(risk) - np.log1p(-risk))


def calibrated(log_odds: FloatArray, calibration: Calibration) -> FloatArray:
    """Risks of log odds."""
    return chance(calibration.intercept + calibration.slope * log_odds)


def calibration_line(
    log_odds: FloatArray, came_back: NDArray[np.bool_] | FloatArray, bike: NDArray[np.int64] | None = None
) -> Line:
    """Calibration slope and intercept, and calibration in the large (slope held at 1).

    Source: D. R. Cox 1958, Biometrika 45:562-565; E. W. Steyerberg 2019, Clinical Prediction Models, 2nd ed., ch. 15.

    Parameters
    ----------
    log_odds
        Of the told risks.
    came_back
        What came; at least one of each.
    bike
        Each bleed's bike, a number: standard errors hold bleeds of one bike together (sandwich; K.-Y. Liang & S. L.
        Zeger 1986, Biometrika 73:13-22). Without it bleeds are taken as independent.
    """
    both = np.column_stack([np.ones(len(log_odds)), log_odds])
    line, line_se = _logistic(both, came_back, np.zeros(len(log_odds)), bike)
    large, large_se = _logistic(both[:, :1], came_back, log_odds, bike)
    return Line(line[0], line_se[0], line[1], line_se[1], large[0], large_se[0])


def recalibration(log_odds: FloatArray, came_back: NDArray[np.bool_]) -> Calibration:
    """The correction: none up to 300 returns, then the line's, pulled toward none by 200 returns' worth."""
    returns = int(came_back.sum())
    if returns <= MIN_RETURNS:
        return Calibration()
    weight = returns / (returns + TRUST)
    line = calibration_line(log_odds, came_back)
    slope = max(1 + weight * (line.slope - 1), 0.1)
    level, _ = _logistic(np.ones((len(log_odds), 1)), came_back, slope * log_odds)
    return Calibration(float(level[0] - (1 - weight) * line.large), float(slope))


def _logistic(
    x: FloatArray, came_back: NDArray[np.bool_] | FloatArray, offset: FloatArray, bike: NDArray[np.int64] | None = None
) -> tuple[FloatArray, FloatArray]:
    """Newton's method; coefficients and standard errors."""
    b = np.zeros(x.shape[1])
    for _ in range(50):
        p = chance(x @ b + offset)
        information = (x * (p * (1 - p))[:, None]).T @ x
        step = np.linalg.solve(information + 1e-9 * np.eye(len(b)), x.T @ (came_back - p))
        b = b + np.clip(step, -2.0, 2.0)
        if np.abs(step).max() < 1e-12:
            break
    covariance = np.linalg.inv(information + 1e-9 * np.eye(len(b)))
    if bike is not None:
        covariance = _sandwich(np.asarray(covariance, dtype=float), x * (came_back - p)[:, None], bike)
    return b, np.sqrt(np.diag(covariance))


def _sandwich(covariance: FloatArray, scores: FloatArray, bike: NDArray[np.int64]) -> FloatArray:
    bikes, place = np.unique(bike, return_inverse=True)
    spread = clustered_covariance(scores, place) * len(bikes) / max(len(bikes) - 1, 1)
    return np.asarray(covariance @ spread @ covariance)
