"""Who is at risk on which day: rows sorted by day once, so that a risk set is a sum over later days."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
COUNTED_UP_TO = 1_000_000
"""Days, of all strata one after another, up to which rows are counted by day and not sorted."""


@dataclass(frozen=True)
class Follow:
    """Times at risk in whole days, whether each ended in a return, and each one's place among the distinct days."""

    days: NDArray[np.int64]
    returned: NDArray[np.bool_]
    starts: NDArray[np.int64] = field(repr=False)
    distinct: NDArray[np.int64] = field(repr=False)
    place: NDArray[np.int64] = field(repr=False)
    returns: Numbers = field(repr=False)
    strata: tuple[slice, ...] = field(repr=False)


def follow_of(days: NDArray[np.int64], returned: NDArray[np.bool_], stratum: NDArray[np.int64] | None = None) -> Follow:
    """The rows' follow-up, counted once; rows of different strata are never at risk together."""
    stratum = np.zeros(len(days), dtype=np.int64) if stratum is None else stratum
    first = int(days.min(initial=0))
    span = int(days.max(initial=0)) - first + 1
    key, place, rows = _distinct(stratum * span + (days - first))
    returns = np.bincount(place[returned], minlength=len(key)).astype(float)
    firsts = [*np.unique(key // span, return_index=True)[1], len(key)]
    strata = tuple(slice(int(a), int(b)) for a, b in pairwise(firsts))
    return Follow(days, returned, np.cumsum(rows) - rows, key % span + first, place, returns, strata)


def _distinct(key: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """The distinct keys in their order, each row's place among them, and how many rows each has."""
    if int(key.max(initial=0)) > COUNTED_UP_TO:
        found, place, rows = np.unique(key, return_inverse=True, return_counts=True)
        return found, place.astype(np.int64), rows
    rows = np.bincount(key)
    return np.flatnonzero(rows), (np.cumsum(rows > 0) - 1)[key], rows[rows > 0]


def later_sums(by_day: Numbers, follow: Follow) -> Numbers:
    return np.concatenate([np.cumsum(by_day[part][::-1], axis=0)[::-1] for part in follow.strata])


def earlier_sums(by_day: Numbers, follow: Follow) -> Numbers:
    return np.concatenate([np.cumsum(by_day[part], axis=0) for part in follow.strata])
