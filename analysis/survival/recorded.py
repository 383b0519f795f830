"""The days on which each shop recorded its returns, as far as the log itself shows: a silence too long to be chance closes
the window in which a bleed counts as followed, and is asked about.

Returns of a shop come at the rate its bleeds bring them: each bleed at the hazard of its age, until it comes back or the
brake is bled again. Counted in expected returns instead of days they fall evenly, so that the last of n returns is as
early as it is with the chance u^n, u the share of what was expected that had been expected by then; likewise the first.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.intake import Log
from analysis.stats import level_codes
from analysis.survival.observation_window import ObservationWindow
from schemas.intermediate import Returns

Days = NDArray[np.int64]
FloatArray = NDArray[np.float64]
CHANCE = 0.01
"""Of a log whose returns were all recorded to be asked about, over all shops and both ends."""
MIN_RETURNS = 5
AGE_EDGES = (0, 3, 7, 14, 30, 60, 90, 180, 365)
"""Days of age between which the hazard counts as even."""
EPOCH = dt.date(1970, 1, 1)
NEVER = 100_000
"""Days: of what did not happen."""


@dataclass(frozen=True)
class _Clock:
    """One entry a bleed: its day, the age at which it came back or was bled again, its group; and the summed hazard by age.

    Days are counted from 1970.
    """

    day: Days
    ends: Days
    group: Days
    hazard: FloatArray

    def expected_by(self, until: Days) -> FloatArray:
        """Returns expected of each group by the end of a day, one day a group, in units of the whole log's hazard."""
        age = np.minimum(until[self.group] - self.day, self.ends)
        summed = np.where(age >= 0, self.hazard[np.clip(age, 0, len(self.hazard) - 1)], 0.0)
        return np.bincount(self.group, summed, len(until)).astype(float)


def exclude_recording_gaps(
    log: Log, found: DataFrame[Returns], around: pl.DataFrame, covered: ObservationWindow
) -> ObservationWindow:
    """The covered days with those of shops whose returns stop early or start late by more than chance, and the questions.

    All shops together are looked at first, then each within the days of all. What `covered` says already is not asked.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    found
        `returns` of the log.
    around
        `succession` of its bleeds.
    covered
        The days on which returns were recorded, as far as told.
    """
    if log.sessions.is_empty() or found.is_empty():
        return covered
    shops = log.sessions.sort("session_id").get_column("shop")
    first = found.group_by("session_id").agg(back=pl.col("days").min())
    bleeds = around.select("session_id", "day", gap=(pl.col("second_day") - pl.col("day")).dt.total_days())
    bleeds = bleeds.join(first, on="session_id", how="left", maintain_order="left")
    day = bleeds.get_column("day").to_physical().cast(pl.Int64).to_numpy()
    back, gap = (bleeds.get_column(name).fill_null(NEVER).to_numpy().astype(np.int64) for name in ("back", "gap"))
    came = (back < NEVER) & (back <= gap)
    ends = np.minimum(back, gap)
    last_day = _number(min(log.as_of, covered.returns_to or log.as_of))
    hazard = _summed_hazard(np.minimum(ends, np.maximum(last_day - day, 0)), came & (day + back <= last_day))
    every = _Silences(_Clock(day, ends, np.zeros_like(day), hazard), came, back, (None,))
    covered = every.closing(covered, last_day)
    names = tuple(shops.unique().sort().to_list())
    if len(names) == 1:
        return covered
    each = _Silences(_Clock(day, ends, level_codes(shops), hazard), came, back, names)
    return each.closing(covered, _number(min(log.as_of, covered.returns_to or log.as_of)))


@dataclass(frozen=True)
class _Silences:
    """Groups of bleeds, what came of them, and the groups' names (None: all shops together)."""

    clock: _Clock
    came: NDArray[np.bool_]
    back: Days
    names: tuple[str | None, ...]

    def closing(self, covered: ObservationWindow, last_day: int) -> ObservationWindow:
        """The covered days without the silences at either end of each group's returns."""
        start = _number(covered.returns_from) if covered.returns_from else int(self.clock.day.min())
        ends = self._ends(start, last_day)
        limit = CHANCE / 2 / len(self.names) / (1 if self.names == (None,) else 2)
        for name, end in zip(self.names, ends, strict=True):
            span = covered.span(name)
            if end.returns < MIN_RETURNS:
                continue
            if end.late_share**end.returns < limit and span.returns_to is None:
                missing = end.returns * (1 / max(end.late_share, 1e-12) - 1)
                unwritten = end.late_share_of_entries**end.returns < limit
                covered = covered.closed(name, _date(end.last if unwritten else end.entered), missing, _date(last_day))
            if end.early_share**end.returns < limit and span.returns_from is None:
                missing = end.returns * (1 / max(end.early_share, 1e-12) - 1)
                covered = covered.opened(name, _date(end.first), missing, _date(start))
        return covered

    def _ends(self, start: int, last_day: int) -> list[_Ends]:
        clock, size = self.clock, len(self.names)
        returned = clock.day + self.back
        inside = self.came & (returned <= last_day) & (returned >= start)
        last, first = np.full(size, start), np.full(size, last_day)
        np.maximum.at(last, clock.group[inside], returned[inside])
        np.minimum.at(first, clock.group[inside], returned[inside])
        entered = last.copy()
        np.maximum.at(entered, clock.group, np.minimum(clock.day, last_day))
        begin, by_first, by_last, by_entry, whole = (
            clock.expected_by(at) for at in (np.full(size, start), first, last, entered, np.full(size, last_day))
        )
        span = np.maximum(whole - begin, 1e-12)
        days = np.unique(returned[inside] * size + clock.group[inside]) % size
        columns = (
            np.bincount(days, minlength=size), first, last, entered, (by_last - begin) / span,
            (whole - by_first) / span, (by_last - begin) / np.maximum(by_entry - begin, 1e-12),
        )  # fmt: skip
        return [_Ends(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]


@dataclass(frozen=True)
class _Ends:
    """Of one group: days with a return (returns entered in one go count once), the days of the first and last one and of the last entry of any kind; the share of what was
    expected that was expected by the last return, from the first return on, and by the last return of all up to the last
    entry."""

    returns: int
    first: int
    last: int
    entered: int
    late_share: float
    early_share: float
    late_share_of_entries: float


def _summed_hazard(followed: Days, came: NDArray[np.bool_]) -> FloatArray:
    """Cumulative hazard of a return by age in days, even between `AGE_EDGES`; index 0 is the end of the bleed's own day."""
    longest = int(followed.max(initial=0)) + 1
    ended = np.bincount(followed, minlength=longest)
    at_risk = ended[::-1].cumsum()[::-1]
    returned = np.bincount(followed[came], minlength=longest)
    bins = np.searchsorted(AGE_EDGES, np.arange(longest), side="right") - 1
    rate = np.bincount(bins, returned) / np.maximum(np.bincount(bins, at_risk), 1)
    return np.asarray(np.cumsum(rate[bins]))


def _number(day: dt.date) -> int:
    return (day - EPOCH).days


def _date(day: int) -> dt.date:
    return EPOCH + dt.timedelta(days=int(day))
