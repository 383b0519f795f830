"""How high the hazard stands within the window: told by every return where the window's own are few."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.risk.outcome import FollowUp
from analysis.survival import breslow, weibull_log_shape

FloatArray = NDArray[np.float64]
USUAL_BEND = 0.05
"""How far the level at the window usually lies from a smooth curve's, on the logarithm."""


def baseline_cumulative_hazard(log_hazard: FloatArray, follow_up: FollowUp, window_days: int) -> FloatArray:
    """The baseline's cumulative hazard from day 0 to the window's last, of a row whose log hazard is 0.

    Its course is Breslow's, from the window's returns alone. Its level is moved toward that of a Weibull curve through
    all returns (where they came on two days at least): by how much chance parts the two against how far curves usually
    miss, next to nothing from some hundred returns on.

    Parameters
    ----------
    log_hazard
        One a bleed, as it holds within the window.
    follow_up
        Whole follow-up; at least one return.
    window_days
        The window.
    """
    early = follow_up.limited_to(window_days)
    hazard = breslow(log_hazard, early.days, early.returned, np.arange(window_days + 1))
    returns_seen = int(early.returned.sum())
    if not returns_seen or len(np.unique(follow_up.days[follow_up.returned])) < 2:
        return hazard
    with np.errstate(all="ignore"):
        level, variance = _weibull_baseline(log_hazard, follow_up, window_days)
    if not (np.isfinite(level) and np.isfinite(variance)):  # no curve bends as sharply, as where all come back next day
        return hazard
    # the curve knows the level best: what the window's returns add by chance is the difference of the variances
    chance = max(1 / returns_seen - variance, 0.0)
    trust = chance / (chance + USUAL_BEND**2)
    return np.asarray(hazard * np.exp(trust * (level - np.log(hazard[-1]))))


def _weibull_baseline(log_hazard: FloatArray, follow_up: FollowUp, window_days: int) -> tuple[float, float]:
    """The logarithm of a Weibull baseline's cumulative hazard at the window, and its variance; a return on day 0 counts
    as half a day."""
    days = np.flatnonzero(np.bincount(follow_up.days))
    t = np.log(np.maximum(days, 0.5) / window_days)
    returns = np.bincount(follow_up.days[follow_up.returned], minlength=days[-1] + 1)[days].astype(float)
    hazard = np.bincount(follow_up.days, np.exp(log_hazard))[days]
    shape = np.exp(weibull_log_shape(t, returns, np.log(hazard)))
    weight = hazard * np.exp(shape * t)
    return_count, total = int(returns.sum()), weight.sum()
    centre = float(weight @ t / total)
    spread = float(weight @ (t - centre) ** 2 / total)
    # information on (level, shape), the shape taken out
    known = return_count - (return_count * centre) ** 2 / (
        return_count / shape**2 + return_count * (spread + centre**2)
    )
    return float(np.log(return_count / total)), 1 / known
