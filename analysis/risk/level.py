"""How high the hazard stands within the window: told by every return where the window's own are few."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.followup import breslow, weibull_log_shape
from analysis.risk.course import Course

Numbers = NDArray[np.float64]
USUAL_BEND = 0.05
"""How far the level at the window usually lies from a smooth curve's, on the logarithm."""


def window_hazard(log_hazard: Numbers, course: Course, window_days: int) -> Numbers:
    """The baseline's cumulative hazard from day 0 to the window's last, of a row whose log hazard is 0.

    Its course is Breslow's, from the window's returns alone. Its level is moved toward that of a Weibull curve through
    all returns (where they came on two days at least): by how much chance parts the two against how far curves usually
    miss, next to nothing from some hundred returns on.

    Parameters
    ----------
    log_hazard
        One a bleed, as it holds within the window.
    course
        Whole follow-up; at least one return.
    window_days
        The window.
    """
    early = course.within(window_days)
    hazard = breslow(log_hazard, early.days, early.returned, np.arange(window_days + 1))
    came = int(early.returned.sum())
    if not came or len(np.unique(course.days[course.returned])) < 2:
        return hazard
    with np.errstate(all="ignore"):
        level, variance = _smooth_level(log_hazard, course, window_days)
    if not (np.isfinite(level) and np.isfinite(variance)):  # no curve bends as sharply, as where all come back next day
        return hazard
    # the curve knows the level best: what the window's returns add by chance is the difference of the variances
    chance = max(1 / came - variance, 0.0)
    trust = chance / (chance + USUAL_BEND**2)
    return np.asarray(hazard * np.exp(trust * (level - np.log(hazard[-1]))))


def _smooth_level(log_hazard: Numbers, course: Course, window_days: int) -> tuple[float, float]:
    """The logarithm of a Weibull baseline's cumulative hazard at the window, and its variance; a return on day 0 counts
    as half a day."""
    days = np.flatnonzero(np.bincount(course.days))
    t = np.log(np.maximum(days, 0.5) / window_days)
    returns = np.bincount(course.days[course.returned], minlength=days[-1] + 1)[days].astype(float)
    hazard = np.bincount(course.days, np.exp(log_hazard))[days]
    shape = np.exp(weibull_log_shape(t, returns, np.log(hazard)))
    weight = hazard * np.exp(shape * t)
    came, total = int(returns.sum()), weight.sum()
    centre = float(weight @ t / total)
    spread = float(weight @ (t - centre) ** 2 / total)
    # information on (level, shape), the shape taken out
    known = came - (came * centre) ** 2 / (came / shape**2 + came * (spread + centre**2))
    return float(np.log(came / total)), 1 / known
