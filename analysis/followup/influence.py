"""How much each bleed moves a fitted return model: the infinitesimal jackknife."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from analysis.followup.return_model import ReturnModel
from analysis.followup.risk_sets import earlier_sums
from analysis.regression import Floats, Matrix, gathered, products

Numbers = NDArray[np.float64]


def influence(x: Matrix, model: ReturnModel, along: Numbers | None = None) -> Numbers:
    """How much each row moves each coefficient, or what is gathered from them: the covariance times its score residual.

    The residual is e (x − x̄(T)) − w (x H(T) − A(T)), with A the cumulative sum of x̄ dH. Source: D. Y. Lin & L. J. Wei
    1989, J. Am. Stat. Assoc. 84:1074-1078.

    Parameters
    ----------
    x
        The covariates the model was fitted to, one row a bleed.
    model
        The fitted model.
    along
        One column a quantity wanted, its gradient in the coefficients; the coefficients themselves unless given.
    """
    moved = np.empty((len(x), len(model.coefficients) if along is None else along.shape[1]))
    for part, own in _parts(x, model, along):
        moved[part] = own
    return moved


def by_cluster(x: Matrix, model: ReturnModel, along: Numbers, cluster: NDArray[np.int64]) -> Floats:
    """The same summed within clusters numbered from 0, one row a cluster: no matrix of a row a bleed is ever held.

    In the precision of the covariates.
    """
    return gathered(_parts(x, model, along), cluster, along.shape[1], x.dtype)


def _parts(x: Matrix, model: ReturnModel, along: Numbers | None) -> Iterator[tuple[slice, Floats]]:
    follow, kind = model.follow, x.dtype
    covariance = model.covariance if along is None else model.covariance @ along
    w = np.exp(model.linear)
    weight = (follow.returned - w * earlier_sums(model.hazard, follow)[follow.place]).astype(kind)
    means = model.means @ covariance
    by_day = earlier_sums(means * model.hazard[:, None], follow).astype(kind)
    w, means = w.astype(kind), means.astype(kind)
    for part, found in products(x, covariance):
        day, own = follow.place[part], found.astype(kind, copy=False)
        back = np.flatnonzero(follow.returned[part])
        own *= weight[part, None]
        own += w[part, None] * by_day[day]
        own[back] -= means[day[back]]
        yield part, own


def clustered(rows: Numbers, cluster: NDArray[np.int64]) -> Numbers:
    """Rows of influence summed within clusters (bikes bled more than once)."""
    order = np.argsort(cluster, kind="stable")
    starts = np.unique(cluster[order], return_index=True)[1]
    return np.add.reduceat(rows[order], starts, axis=0)
