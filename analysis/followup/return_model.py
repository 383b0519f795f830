"""A fitted time-to-return model."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.followup.risk_sets import Follow

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class ReturnModel:
    """A fitted time-to-return model.

    `coefficients`, `information` and `covariance` (the inverse of the penalised information), `penalties` a column, `edf`
    the columns' effective number, `hazard` the baseline's jumps on the distinct days of `follow`, `linear` each row's x·b,
    `log_likelihood` unpenalised.
    """

    coefficients: Numbers
    information: Numbers
    covariance: Numbers
    penalties: Numbers
    edf: float
    log_likelihood: float
    hazard: Numbers
    linear: Numbers
    follow: Follow
    means: Numbers = field(repr=False)
    risk: Numbers = field(repr=False)

    def cumulative(self, days: NDArray[np.int64] | int) -> Numbers:
        """Baseline cumulative hazard of the first stratum, up to and with each of `days` (for a row whose x·b is 0)."""
        first = self.follow.strata[0]
        return up_to(days, self.hazard[first], self.follow.distinct[first])


def up_to(days: NDArray[np.int64] | int, jumps: Numbers, at: NDArray[np.int64]) -> Numbers:
    """The sum of the jumps on days no later than each of `days`."""
    whole = np.concatenate([[0.0], np.cumsum(jumps)])
    return whole[np.searchsorted(at, days, side="right")]
