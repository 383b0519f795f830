"""The interface of time-to-return models, all that steps, risk and planning use of them."""

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

    `covariance` (p × p) is the inverse of the penalised information, `penalties` the ridge penalty of each column.
    """

    @property
    def coefficients(self) -> FloatArray: ...

    @property
    def covariance(self) -> FloatArray: ...

    @property
    def penalties(self) -> FloatArray: ...

    @property
    def standard_error_factor(self) -> float:
        """Factor for standard errors: sqrt(E / (E − edf)), E the number of events."""
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
            One row per bleed, one column per covariate, centred.
        time, event
            Time at risk in whole days, and whether it ended in a return; at least one did.
        blocks
            Ridge penalties; columns in no block have none. The penalty of a pooled block is estimated.
        clusters
            Each row's bike, numbered from 0; each row is a cluster of one unless given.
        start
            Coefficients at which the iteration starts; the result does not depend on them.
        entry
            Day after which each row is at risk (late entry); from day 0 unless given, and where it is below 0.
        offset
            Added to each row's linear predictor.

        Raises
        ------
        ValueError
            No return at all, or a column that is not finite.
        """
        ...

    def linear_predictor(self, x: FloatArray) -> FloatArray:
        """x · coefficients, one per row."""
        ...

    def cumulative_hazard(self, days: Days | int, x: FloatArray | None = None) -> FloatArray:
        """Cumulative hazard up to and including each day: of the rows of `x`, or of the baseline."""
        ...

    def influence(self, contrasts: FloatArray) -> FloatArray:
        """Influence of each cluster on linear contrasts of the coefficients (p × k): clusters × k."""
        ...

    def baseline_influence(self, day: int) -> FloatArray:
        """Influence of each cluster on the log of the baseline cumulative hazard at a day."""
        ...
