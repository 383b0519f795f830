"""Who is at risk on which day: rows sorted by day once, so that a risk set is a sum over later days."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]


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
    """The rows' follow-up, sorted once; rows of different strata are never at risk together."""
    stratum = np.zeros(len(days), dtype=np.int64) if stratum is None else stratum
    order = np.lexsort((days, stratum))
    pairs = np.stack([stratum[order], days[order]])
    new = np.concatenate([[True], (np.diff(pairs, axis=1) != 0).any(axis=0)]) if len(days) else np.zeros(0, dtype=bool)
    starts = np.flatnonzero(new)
    place = np.empty(len(days), dtype=np.int64)
    place[order] = np.cumsum(new) - 1
    returns = np.bincount(place[returned], minlength=len(starts)).astype(float)
    firsts = [*np.unique(pairs[0][starts], return_index=True)[1], len(starts)]
    strata = tuple(slice(int(a), int(b)) for a, b in pairwise(firsts))
    return Follow(days, returned, starts, pairs[1][starts], place, returns, strata)


def later_sums(by_day: Numbers, follow: Follow) -> Numbers:
    return np.concatenate([np.cumsum(by_day[part][::-1], axis=0)[::-1] for part in follow.strata])


def earlier_sums(by_day: Numbers, follow: Follow) -> Numbers:
    return np.concatenate([np.cumsum(by_day[part], axis=0) for part in follow.strata])
