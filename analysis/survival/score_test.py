"""Columns that might be added to a fitted time-to-return model: score, information and one-step estimates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.stats import symmetric_inverse
from analysis.survival.cox import Days, PartialLikelihood, survival_data
from analysis.survival.survival_model import SurvivalModel

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class AddedColumns:
    """Score of each added column at the fitted model, and the information left once the model's own columns are fitted.

    `residual` is each row's observed less expected events (martingale residual).
    """

    score: FloatArray
    information: FloatArray
    residual: FloatArray

    def select(self, columns: list[int]) -> AddedColumns:
        """As if only these columns were to be added."""
        return AddedColumns(self.score[columns], self.information[np.ix_(columns, columns)], self.residual)

    def one_step(self, column: int) -> tuple[float, float]:
        """Log hazard ratio of one column with all others added too, one Newton step from 0, and its standard error.

        Without information the ratio is 0 and its standard error infinite.
        """
        covariance = symmetric_inverse(self.information + 1e-6 * np.eye(len(self.score)))
        variance = float(covariance[column, column])
        if variance > 1e4:
            return 0.0, float("inf")
        return float(covariance[column] @ self.score), variance**0.5


def score_added_columns(
    model: SurvivalModel, x: FloatArray, added: FloatArray, time: Days, event: NDArray[np.bool_]
) -> AddedColumns:
    """Score test of columns that are not in the model (D. R. Cox & D. V. Hinkley 1974, Theoretical Statistics, sect. 9.3).

    Parameters
    ----------
    model
        The fitted model.
    x
        Its columns: n × p.
    added
        The columns to add: n × k.
    time, event
        Time at risk in whole days, and whether it ended in a return.
    """
    data, size = survival_data(time, event), x.shape[1]
    likelihood = PartialLikelihood(np.hstack([x, added]), data, np.zeros(len(x)))
    at = likelihood.at(np.append(model.coefficients, np.zeros(added.shape[1])))
    information = likelihood.information(at)
    across = information[size:, :size]
    expected = np.exp(at.linear) * data.sum_while_at_risk(data.events / at.risk_set_sum)
    return AddedColumns(
        at.score[size:],
        information[size:, size:] - across @ model.covariance @ across.T,
        event - expected,
    )
