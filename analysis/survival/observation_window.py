"""The days on which returns were recorded, as given or as far as the log itself shows.

A gap in the returns at either end of the log that is too long to be chance narrows the window, and raises a question.
Returns of a shop occur at the rate its bleeds produce them: each bleed at the hazard of its age, until it comes back or
its brake is bled again. On the scale of expected returns they are uniform, so that all n returns fall within the first
share u of what was expected with probability u^n; likewise for the last.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.intake import Log
from analysis.stats import level_codes
from schemas.intermediate import Returns

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]
MONTH_DAYS = 31
"""Returns that start later, or stop earlier, than bleeds by more than this raise a note."""
ALPHA = 0.01
"""Probability, over both ends, that a log with all returns recorded raises a question about all shops together; half as
much again for single shops."""
MIN_RETURNS = 5
AGE_EDGES = (0, 3, 7, 14, 30, 60, 90, 180, 365)
"""Days of age between which the hazard of a return is taken as constant."""
EPOCH = dt.date(1970, 1, 1)
NEVER = 100_000
"""Days to an event that did not happen."""


@dataclass(frozen=True)
class RecordingSpan:
    """The first and last day on which returns were recorded; None where only the log limits them."""

    returns_from: dt.date | None = None
    returns_to: dt.date | None = None


@dataclass(frozen=True)
class ObservationWindow:
    """The days on which returns were recorded: of all shops, and of single shops where they differ.

    `questions` ask about gaps found in the log, `in_question` names the shops they are about.
    """

    returns_from: dt.date | None = None
    returns_to: dt.date | None = None
    shops: Mapping[str, RecordingSpan] = field(default_factory=dict)
    questions: tuple[str, ...] = ()
    in_question: frozenset[str] = frozenset()

    def span(self, shop: str | None) -> RecordingSpan:
        """A shop's own days, or those of all shops together (None)."""
        if shop is None:
            return RecordingSpan(self.returns_from, self.returns_to)
        return self.shops.get(shop, RecordingSpan())

    def end_at(self, shop: str | None, last: dt.date, missing: float, log_end: dt.date) -> ObservationWindow:
        """End the window on `last`, and ask whether about `missing` returns after it were not recorded."""
        question = (
            f"{_workshop_name(shop)}: no return is recorded after {last}, although about {missing:.0f} would be expected by "
            f"{log_end}. Until this is answered, later bleeds do not count as successes{_not_compared_clause(shop)}. If "
            f"returns were not recorded after that day, use --returns-to {_option_text(shop, last)}; if they were recorded "
            f"and there were none, use --returns-to {_option_text(shop, log_end)}."
        )
        return self._add_question(shop, replace(self.span(shop), returns_to=last), question)

    def start_at(self, shop: str | None, first: dt.date, missing: float, log_start: dt.date) -> ObservationWindow:
        """Start the window on `first`, and ask whether about `missing` returns before it were not recorded."""
        question = (
            f"{_workshop_name(shop)}: no return is recorded before {first}, although about {missing:.0f} would be expected from "
            f"{log_start} until then. Until this is answered, earlier bleeds do not count as successes{_not_compared_clause(shop)}. If "
            f"returns were not recorded before that day, use --returns-from {_option_text(shop, first)}; if they were "
            f"recorded and there were none, use --returns-from {_option_text(shop, log_start)}."
        )
        return self._add_question(shop, replace(self.span(shop), returns_from=first), question)

    def _add_question(self, shop: str | None, span: RecordingSpan, question: str) -> ObservationWindow:
        window = replace(self, questions=(*self.questions, question))
        if shop is None:
            return replace(window, returns_from=span.returns_from, returns_to=span.returns_to)
        return replace(window, shops={**self.shops, shop: span}, in_question=self.in_question | {shop})


WHOLE_LOG = ObservationWindow()


def _workshop_name(shop: str | None) -> str:
    return "All workshops" if shop is None else shop


def _not_compared_clause(shop: str | None) -> str:
    return "" if shop is None else ", and this workshop is not called better or worse than others"


def _option_text(shop: str | None, day: dt.date) -> str:
    return str(day) if shop is None else f"'{shop}={day}'"


def recording_notes(log: Log, observation_window: ObservationWindow = WHOLE_LOG) -> tuple[str, ...]:
    """A sentence each if returns start later, or stop earlier, than bleeds by more than a month (31 days).

    A note names the option that sets the observation window, unless `observation_window` sets it: without it a bleed
    whose return was not recorded would count as a success. The window is as far as known.
    """
    first_bleed, last_bleed = _first_and_last(log.sessions.get_column("started_at"))
    first_return, last_return = _first_and_last(log.comebacks.get_column("returned_at"))
    late = observation_window.returns_from is None and _days_between(first_bleed, first_return) > MONTH_DAYS
    early = observation_window.returns_to is None and _days_between(last_return, last_bleed) > MONTH_DAYS
    notes = []
    if late:
        notes.append(
            f"The first return is on {first_return}, the first bleed on {first_bleed}: if returns were not recorded "
            f"before then, use --returns-from {first_return}, so that earlier bleeds are not counted as successes."
        )
    if early:
        notes.append(
            f"The last return is on {last_return}, the last bleed on {last_bleed}: if returns were not recorded after that, "
            f"use --returns-to {last_return}, so that later bleeds are not counted as successes."
        )
    return tuple(notes)


def _first_and_last(times: pl.Series) -> tuple[dt.date | None, dt.date | None]:
    days = times.dt.date()
    return days.min(), days.max()  # type: ignore[return-value]


def _days_between(earlier: dt.date | None, later: dt.date | None) -> int:
    return (later - earlier).days if earlier and later else 0


def exclude_recording_gaps(
    log: Log, returns: DataFrame[Returns], adjacent: pl.DataFrame, window: ObservationWindow
) -> ObservationWindow:
    """Narrow the window where returns stop early or start late (a significant gap), and ask about it.

    All shops together are tested first, then each shop within their days. Limits that `window` already sets are not
    questioned. `returns` is `match_returns` of the log, `adjacent` its `adjacent_bleeds`; the window is as far as
    known.
    """
    if log.sessions.is_empty() or returns.is_empty():
        return window
    shops = log.sessions.sort("session_id").get_column("shop")
    first = returns.group_by("session_id").agg(back=pl.col("days").min())
    bleeds = adjacent.select("session_id", "day", gap=(pl.col("next_day") - pl.col("day")).dt.total_days())
    bleeds = bleeds.join(first, on="session_id", how="left", maintain_order="left")
    day = bleeds.get_column("day").to_physical().cast(pl.Int64).to_numpy()
    back, gap = (bleeds.get_column(name).fill_null(NEVER).to_numpy().astype(np.int64) for name in ("back", "gap"))
    returned, at_risk = (back < NEVER) & (back <= gap), np.minimum(back, gap)
    last_day = _day_number(min(log.as_of, window.returns_to or log.as_of))
    hazard = _cumulative_hazard(np.minimum(at_risk, np.maximum(last_day - day, 0)), returned & (day + back <= last_day))
    all_shops = _GapTestData(day, at_risk, np.zeros_like(day), hazard, returned, (None,))
    window = all_shops.narrow(window, last_day)
    names = tuple(shops.unique().sort().to_list())
    if len(names) == 1:
        return window
    each_shop = _GapTestData(day, at_risk, level_codes(shops), hazard, returned, names)
    return each_shop.narrow(window, _day_number(min(log.as_of, window.returns_to or log.as_of)))


@dataclass(frozen=True)
class _GroupEnds:
    """The returns of one group at either end of the log.

    `return_days` counts days with a return (returns entered together count once); `first_return` and `last_return` are
    days, `last_entry` the last day of a return or bleed. Shares of the returns expected over the whole time: by the last
    return (`share_by_last`), and from the first return on (`share_from_first`); `share_of_entries` is the share by the
    last return of those expected by the last entry.
    """

    return_days: int
    first_return: int
    last_return: int
    last_entry: int
    share_by_last: float
    share_from_first: float
    share_of_entries: float


@dataclass(frozen=True)
class _GapTestData:
    """Groups of bleeds to be tested for gaps; one entry per bleed, days counted from 1970.

    `day` of the bleed, days `at_risk` until it came back or was bled again, its `group`, whether it `returned`;
    `hazard` is the cumulative hazard by age; `names` are the groups' names (None: all shops together).
    """

    day: IntArray
    at_risk: IntArray
    group: IntArray
    hazard: FloatArray
    returned: NDArray[np.bool_]
    names: tuple[str | None, ...]

    def narrow(self, window: ObservationWindow, last_day: int) -> ObservationWindow:
        """The window without a gap at either end of each group's returns."""
        start = _day_number(window.returns_from) if window.returns_from else int(self.day.min())
        alpha = ALPHA / 2 / len(self.names) / (1 if self.names == (None,) else 2)
        for name, ends in zip(self.names, self._find_ends(start, last_day), strict=True):
            span, n = window.span(name), ends.return_days
            if n < MIN_RETURNS:
                continue
            if ends.share_by_last**n < alpha and span.returns_to is None:
                missing = n * (1 / max(ends.share_by_last, 1e-12) - 1)
                bleeds_go_on = ends.share_of_entries**n < alpha
                last = ends.last_return if bleeds_go_on else ends.last_entry
                window = window.end_at(name, _date_from_number(last), missing, _date_from_number(last_day))
            if ends.share_from_first**n < alpha and span.returns_from is None:
                missing = n * (1 / max(ends.share_from_first, 1e-12) - 1)
                window = window.start_at(name, _date_from_number(ends.first_return), missing, _date_from_number(start))
        return window

    def _find_ends(self, start: int, last_day: int) -> list[_GroupEnds]:
        size, return_day = len(self.names), self.day + self.at_risk
        inside = self.returned & (return_day <= last_day) & (return_day >= start)
        last, first = np.full(size, start), np.full(size, last_day)
        np.maximum.at(last, self.group[inside], return_day[inside])
        np.minimum.at(first, self.group[inside], return_day[inside])
        last_entry = last.copy()
        np.maximum.at(last_entry, self.group, np.minimum(self.day, last_day))
        by_start, by_first, by_last, by_entry, by_end = (
            self._expected_returns_by(at)
            for at in (np.full(size, start), first, last, last_entry, np.full(size, last_day))
        )
        total = np.maximum(by_end - by_start, 1e-12)
        return_days = np.unique(return_day[inside] * size + self.group[inside]) % size
        columns = (
            np.bincount(return_days, minlength=size), first, last, last_entry, (by_last - by_start) / total,
            (by_end - by_first) / total, (by_last - by_start) / np.maximum(by_entry - by_start, 1e-12),
        )  # fmt: skip
        return [_GroupEnds(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]

    def _expected_returns_by(self, until: IntArray) -> FloatArray:
        """Returns expected of each group by the end of a day (one day per group), at the hazard of the whole log."""
        age = np.minimum(until[self.group] - self.day, self.at_risk)
        expected = np.where(age >= 0, self.hazard[np.clip(age, 0, len(self.hazard) - 1)], 0.0)
        return np.bincount(self.group, expected, len(until)).astype(float)


def _cumulative_hazard(followed: IntArray, returned: NDArray[np.bool_]) -> FloatArray:
    """Cumulative hazard of a return by age in days, piecewise constant between `AGE_EDGES`; from the bleed's own day."""
    size = int(followed.max(initial=0)) + 1
    at_risk = np.bincount(followed, minlength=size)[::-1].cumsum()[::-1]
    returns = np.bincount(followed[returned], minlength=size)
    bins = np.searchsorted(AGE_EDGES, np.arange(size), side="right") - 1
    rate = np.bincount(bins, returns) / np.maximum(np.bincount(bins, at_risk), 1)
    return np.asarray(np.cumsum(rate[bins]))


def _day_number(day: dt.date) -> int:
    return (day - EPOCH).days


def _date_from_number(day: int) -> dt.date:
    return EPOCH + dt.timedelta(days=int(day))
