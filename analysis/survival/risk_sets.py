"""Who is at risk on which day: rows placed among the distinct days once, so that a risk set is a sum over later days."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.stats import sum_within_clusters

FloatArray = NDArray[np.float64]
Days = NDArray[np.int64]


@dataclass(frozen=True)
class SurvivalData:
    """Times at risk in whole days and whether each ended in the event.

    `days` are the distinct times, ascending; `day_index` each row's own among them; `entry_index` the place of the first day a row
    is at risk; `events` counted by day.
    """

    time: Days
    event: NDArray[np.bool_]
    days: Days = field(repr=False)
    day_index: Days = field(repr=False)
    entry_index: Days = field(repr=False)
    events: FloatArray = field(repr=False)

    def sum_at_risk(self, values: FloatArray, weight: FloatArray | None = None) -> FloatArray:
        """Weighted values (n, or n × k) summed over the rows at risk on each day: days, or days × k."""
        size = len(self.days)
        leaving = sum_within_clusters(values, self.day_index, weight, size)
        total = np.cumsum(leaving[::-1], axis=0)[::-1]
        late = np.flatnonzero(self.entry_index)
        if not len(late):
            return total
        own = None if weight is None else weight[late]
        entering = sum_within_clusters(values[late], self.entry_index[late], own, size + 1)
        return np.asarray(total - np.cumsum(entering[:0:-1], axis=0)[::-1])

    def sum_while_at_risk(self, jumps: FloatArray) -> FloatArray:
        """Jumps (one a day, or days × k) summed over the days each row is at risk: n, or n × k."""
        total = np.concatenate([np.zeros((1, *jumps.shape[1:])), np.cumsum(jumps, axis=0)])
        found = total[self.day_index + 1]
        if self.entry_index.any():
            found -= total[self.entry_index]
        return np.asarray(found)


def survival_data(time: Days, event: NDArray[np.bool_], entry: Days | None = None) -> SurvivalData:
    """Place rows among the distinct days.

    Parameters
    ----------
    time, event
        Whole days at risk, and whether each ended in the event.
    entry
        Days after which a row is at risk (late entry); at risk from day 0 unless given, and where it is below 0.
    """
    days, place = np.unique(time, return_inverse=True)
    first = np.zeros(len(time), dtype=np.int64) if entry is None else np.searchsorted(days, entry, side="right")
    events = np.bincount(place[event], minlength=len(days)).astype(float)
    return SurvivalData(time, event, days.astype(np.int64), place.astype(np.int64), first.astype(np.int64), events)
