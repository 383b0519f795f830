"""What became of bleeds, and how far apart their hazards lie within the window alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.survival import CoxModel

FloatArray = NDArray[np.float64]
MIN_RETURNS = 100
"""Within the window; from fewer no slope is told."""
USUAL_SD = 0.2
"""How far a window's slope usually lies from 1."""
MIN_SLOPE, MAX_SLOPE = 0.5, 2.0


@dataclass(frozen=True)
class FollowUp:
    """What became of bleeds: days at risk, and whether a return or the brake's next bleed ended them; one a bleed."""

    days: NDArray[np.int64]
    returned: NDArray[np.bool_]
    next_bleed: NDArray[np.bool_]

    def censor_at(self, days: NDArray[np.int64]) -> FollowUp:
        """The same as it was known when each bleed had been followed for so many days only."""
        late = self.days > days
        return FollowUp(np.minimum(self.days, np.maximum(days, 0)), self.returned & ~late, self.next_bleed & ~late)

    def limited_to(self, days: int) -> FollowUp:
        """The same followed for so many days at most."""
        return self.censor_at(np.full(len(self.days), days))

    def take(self, rows: NDArray[np.intp]) -> FollowUp:
        return FollowUp(self.days[rows], self.returned[rows], self.next_bleed[rows])


def recalibration_slope(log_hazard: FloatArray, follow_up: FollowUp, window_days: int) -> float:
    """What log hazards learnt from the whole follow-up are multiplied by to hold within the window.

    Where harm shows early and fades, late returns pull hazards together; where it shows late, apart. Told by the slope
    that the window's returns ask for over the one that all returns ask for, pulled toward 1 by their error.

    Parameters
    ----------
    log_hazard
        One a bleed, as fitted to `follow_up`.
    follow_up
        Whole follow-up.
    window_days
        The window.
    """
    early = follow_up.limited_to(window_days)
    if early.returned.sum() < MIN_RETURNS or log_hazard.std() < 1e-6:
        return 1.0
    (whole, error), (window, window_error) = _slope(log_hazard, follow_up), _slope(log_hazard, early)
    if whole <= 0:
        return 1.0
    # the window's returns are among the whole's: what they add by chance is the difference of the variances
    variance = max(window_error - error, 0.0) / whole**2
    trust = USUAL_SD**2 / (USUAL_SD**2 + variance)
    return float(np.clip(1 + trust * (window / whole - 1), MIN_SLOPE, MAX_SLOPE))


def _slope(log_hazard: FloatArray, follow_up: FollowUp) -> tuple[float, float]:
    """With its variance."""
    x = (log_hazard - log_hazard.mean())[:, None]
    fitted = CoxModel.fit(x, follow_up.days, follow_up.returned)
    return float(fitted.coefficients[0]), float(fitted.covariance[0, 0])
