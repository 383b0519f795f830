"""What steps, risk and planning know of a time-to-return model."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from analysis.survival.empirical_bayes_ridge import Block

FloatArray = NDArray[np.float64]
Days = NDArray[np.int64]


class SurvivalModel(Protocol):
    """A fitted proportional-hazards model: cumulative hazard = baseline(day) × exp(x · coefficients).

    `covariance` (p × p) is the inverse of the penalised information, `penalties` the ridge of each column.
    """

    @property
    def coefficients(self) -> FloatArray: ...

    @property
    def covariance(self) -> FloatArray: ...

    @property
    def penalties(self) -> FloatArray: ...

    @property
    def df_correction(self) -> float:
        """What a standard error is multiplied by for the columns estimated: sqrt(E / (E − edf)), E the events."""
        ...

    @classmethod
    def fit(
        cls,
        x: FloatArray,
        time: Days,
        event: NDArray[np.bool_],
        *,
        blocks: Sequence[Block] = (),
        clusters: Days | None = None,
        start: FloatArray | None = None,
        entry: Days | None = None,
        offset: FloatArray | None = None,
    ) -> Self:
        """Fit the model.

        Parameters
        ----------
        x
            One row a bleed, one column a covariate, centred.
        time, event
            Whole days at risk, and whether each ended in a return; at least one did.
        blocks
            Ridges; columns in no block have none. The strength of a pooled block is estimated.
        clusters
            Each row's bike, numbered from 0; every row is its own unless given.
        start
            Coefficients at which the search starts; it ends at the same place.
        entry
            Days after which a row is at risk (late entry); from day 0 unless given, and where it is below 0.
        offset
            Added to each row's linear predictor.

        Raises
        ------
        ValueError
            No return at all, or a column that is not finite.
        """
        ...

    def linear_predictor(self, x: FloatArray) -> FloatArray:
        """x · coefficients, one a row."""
        ...

    def cumulative_hazard(self, days: Days | int, x: FloatArray | None = None) -> FloatArray:
        """Cumulative hazard up to and with each day: of the rows of `x`, or the baseline's."""
        ...

    def influence(self, contrasts: FloatArray) -> FloatArray:
        """How much each cluster moves linear contrasts of the coefficients (p × k): clusters × k."""
        ...

    def baseline_influence(self, day: int) -> FloatArray:
        """How much each cluster moves the logarithm of the baseline's cumulative hazard at a day."""
        ...


def df_correction(events: float, edf: float) -> float:
    """sqrt(E / (E − edf)), at most 2: for `edf` columns estimated from E events."""
    return float(np.sqrt(events / max(events - edf, 0.25 * events)))


def require_usable(x: FloatArray, event: NDArray[np.bool_]) -> None:
    """Raise ValueError where a model cannot be fitted."""
    if not event.any():
        raise ValueError("event: at least one return is needed, got none; ask for raw rates instead")
    if not np.isfinite(x.sum(axis=0)).all():
        raise ValueError("x: every covariate must be finite, got NaN or infinity; fill what was not recorded")
