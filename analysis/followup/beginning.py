"""Where the search for a model begins: near what is known of the same bleeds already."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.followup.return_model import ReturnModel
from analysis.followup.risk_sets import earlier_sums, later_sums
from analysis.regression import Below, Joined, crossed, squared, summed

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Beginning:
    """Where a search begins: p coefficients; the p × p `information` near there, if it is known, is taken for the curvature
    at first."""

    coefficients: Numbers
    information: Numbers | None = None


def beginning_beside(model: ReturnModel, x: Joined) -> Beginning:
    """Where the search begins for some columns of a fitted model and others beside them, of which nothing is known.

    Parameters
    ----------
    model
        Fitted on the base of `x`, on the same rows with the same follow-up.
    x
        n × p: the columns kept, then those beside.

    Returns
    -------
    Beginning
        p coefficients, 0 for those beside, and the p × p information there; exact where every column is kept.
    """
    follow, own = model.follow, x.own
    beside = np.zeros((len(x), 0)) if x.beside is None else x.beside
    w = np.exp(model.linear)
    exposed = w * earlier_sums(follow.returns / model.risk, follow)[follow.place]
    means = later_sums(summed(beside, follow.place, len(follow.starts), w), follow) / model.risk[:, None]
    across = crossed(x.base, exposed[:, None] * beside) - (model.means * follow.returns[:, None]).T @ means
    inside = squared(beside, exposed) - (means * follow.returns[:, None]).T @ means
    information = np.block([[model.information[np.ix_(own, own)], across[own]], [across[own].T, inside]])
    return Beginning(np.append(model.coefficients[own], np.zeros(beside.shape[1])), information)


def beginning_near(model: ReturnModel, returns: int, columns: list[int] | None = None) -> Beginning:
    """Where the search begins for a part of the bleeds, of their time, or of the columns of a fitted model.

    Parameters
    ----------
    model
        The fitted model.
    returns
        How many come back in that part: what is known grows with them.
    columns
        Places of the columns; all unless given.
    """
    own = np.arange(len(model.coefficients)) if columns is None else np.array(columns, dtype=np.int64)
    return Beginning(model.coefficients[own], _of(model, returns)[np.ix_(own, own)])


def beginning_below(model: ReturnModel, x: Below, returns: int) -> Beginning:
    """Where the search begins for rows that come once more, in a stratum of their own with some effects of their own.

    Parameters
    ----------
    model
        Fitted on the base of `x`.
    x
        (n + later) × (p + apart).
    returns
        How many come back in the first rows; the others of the model's in those that come once more.
    """
    later, width = int(model.follow.returned.sum()) - returns, x.base.shape[1]
    information = np.zeros((x.shape[1], x.shape[1]))
    information[:width, :width] = _of(model, returns)
    information[np.ix_(x.again, x.again)] += _of(model, later)
    return Beginning(np.append(model.coefficients, model.coefficients[: x.apart]), information)


def _of(model: ReturnModel, returns: int) -> Numbers:
    """The information of so many of the returns, were they like all."""
    return model.information * (returns / model.follow.returned.sum())
