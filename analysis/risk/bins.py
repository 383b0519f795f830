"""Columns cut into few bins of equal weight, so that trees have few places to split at."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Binned:
    """`bin` is each cell's bin as a number, from 0 up, NaN where not recorded; bin k of a column holds what is above its
    limit k − 1 and not above its limit k."""

    bin: Numbers = field(repr=False)
    limits: tuple[Numbers, ...] = field(repr=False)

    def limit(self, column: NDArray[np.intp], between: Numbers) -> Numbers:
        """The limits of columns at places between two bins (k + ½); infinity, which parts the recorded, stays."""
        places = np.where(np.isfinite(between), between, 0.0).astype(np.intp)
        told = [self.limits[c][k] if len(self.limits[c]) else np.inf for c, k in zip(column, places, strict=True)]
        return np.where(np.isfinite(between), np.array(told, dtype=float), between)


def binned(x: Numbers, weight: Numbers, most: int) -> Binned:
    """Each column's bins: its values where there are few, else equal shares of the weight.

    Parameters
    ----------
    x
        One column a field; NaN where not recorded.
    weight
        One a row, above 0.
    most
        Bins a column at most.
    """
    bins, limits = np.empty((x.shape[1], len(x))), []
    for place, column in enumerate(np.ascontiguousarray(x.T)):
        limits.append(_limits(column, weight, most))
        bins[place] = np.searchsorted(limits[-1], column, side="left")
        bins[place][np.isnan(column)] = np.nan
    return Binned(bins.T, tuple(limits))


def _limits(column: Numbers, weight: Numbers, most: int) -> Numbers:
    known = ~np.isnan(column)
    column, weight = column[known], weight[known]
    values = np.unique(column)
    if len(values) <= most:
        return np.asarray((values[1:] + values[:-1]) / 2)
    order = np.argsort(column, kind="stable")
    running = np.cumsum(weight[order])
    shares = np.arange(1, most) / most * running[-1]
    return np.unique(column[order][np.minimum(np.searchsorted(running, shares), len(running) - 1)])
