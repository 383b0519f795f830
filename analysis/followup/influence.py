"""How much each bleed moves a fitted return model: the infinitesimal jackknife."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.followup.cox import CHUNK, Matrix, ReturnModel
from analysis.followup.risk_sets import earlier_sums

Numbers = NDArray[np.float64]


def influence(x: Matrix, model: ReturnModel, columns: list[int] | None = None) -> Numbers:
    """How much each row moves each coefficient (or those of `columns`): the covariance times the row's score residual.

    The residual is e (x − x̄(T)) − w (x H(T) − A(T)), with A the cumulative sum of x̄ dH. Source: D. Y. Lin & L. J. Wei
    1989, J. Am. Stat. Assoc. 84:1074-1078.

    Parameters
    ----------
    x
        The covariates the model was fitted to, one row a bleed.
    model
        The fitted model.
    columns
        Places of the coefficients wanted; all unless given.
    """
    follow = model.follow
    covariance = model.covariance if columns is None else model.covariance[:, columns]
    w = np.exp(model.linear)
    hazard = earlier_sums(model.hazard, follow)
    e = follow.returned.astype(float)
    weight = e - w * hazard[follow.place]
    means = model.means @ covariance
    gathered = earlier_sums(means * model.hazard[:, None], follow)
    moved = np.empty((len(x), covariance.shape[1]))
    for start in range(0, len(x), CHUNK):
        part = slice(start, start + CHUNK)
        day = follow.place[part]
        moved[part] = (x[part] @ covariance) * weight[part, None]
        moved[part] += w[part, None] * gathered[day] - e[part, None] * means[day]
    return moved


def clustered(rows: Numbers, cluster: NDArray[np.int64]) -> Numbers:
    """Rows of influence summed within clusters (bikes bled more than once)."""
    order = np.argsort(cluster, kind="stable")
    starts = np.unique(cluster[order], return_index=True)[1]
    return np.add.reduceat(rows[order], starts, axis=0)
