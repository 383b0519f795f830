"""The days on which returns were recorded, and whether the log itself shows fewer of them than of bleeds."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import polars as pl

from analysis.intake import Log

MONTH_DAYS = 31
"""Returns that start later, or stop earlier, than bleeds by more than this are said."""


@dataclass(frozen=True)
class Span:
    """The first and last day on which returns were recorded; None where nothing limits them but the log itself."""

    returns_from: dt.date | None = None
    returns_to: dt.date | None = None


@dataclass(frozen=True)
class ObservationWindow:
    """The days on which returns were recorded: of all shops, and by shop where one differs.

    `questions` are those that a silence in the log raises, `in_question` the shops they are about.
    """

    returns_from: dt.date | None = None
    returns_to: dt.date | None = None
    shops: Mapping[str, Span] = field(default_factory=dict)
    questions: tuple[str, ...] = ()
    in_question: frozenset[str] = frozenset()

    def span(self, shop: str | None) -> Span:
        """A shop's own days, or those of all shops together (None)."""
        if shop is None:
            return Span(self.returns_from, self.returns_to)
        return self.shops.get(shop, Span())

    def closed(self, shop: str | None, last: dt.date, missing: float, end: dt.date) -> ObservationWindow:
        """With the last day of returns that the log itself shows, and the question it raises."""
        question = (
            f"{_named(shop)}: no return is recorded after {last}, where about {missing:.0f} would have been expected by "
            f"{end}. {_UNTIL} later bleeds do not count as successes{_no_praise(shop)}. If returns were not recorded "
            f"after that day, say --returns-to {_option(shop, last)}; if they were and none came, say "
            f"--returns-to {_option(shop, end)}."
        )
        return self._asking(shop, replace(self.span(shop), returns_to=last), question)

    def opened(self, shop: str | None, first: dt.date, missing: float, begin: dt.date) -> ObservationWindow:
        """With the first day of returns that the log itself shows, and the question it raises."""
        question = (
            f"{_named(shop)}: no return is recorded before {first}, where about {missing:.0f} would have been expected "
            f"from {begin} on. {_UNTIL} earlier bleeds do not count as successes{_no_praise(shop)}. If returns were not "
            f"recorded before that day, say --returns-from {_option(shop, first)}; if they were and none came, say "
            f"--returns-from {_option(shop, begin)}."
        )
        return self._asking(shop, replace(self.span(shop), returns_from=first), question)

    def _asking(self, shop: str | None, span: Span, question: str) -> ObservationWindow:
        asked = replace(self, questions=(*self.questions, question))
        if shop is None:
            return replace(asked, returns_from=span.returns_from, returns_to=span.returns_to)
        return replace(asked, shops={**self.shops, shop: span}, in_question=self.in_question | {shop})


_UNTIL = "Until this is answered,"


def _named(shop: str | None) -> str:
    return "All workshops" if shop is None else shop


def _no_praise(shop: str | None) -> str:
    return "" if shop is None else ", and this workshop is called neither better nor worse than others"


def _option(shop: str | None, day: dt.date) -> str:
    return str(day) if shop is None else f"'{shop}={day}'"


WHOLE_LOG = ObservationWindow()


@dataclass(frozen=True)
class ObservedPeriod:
    """The first and last day of bleeds and of returns (None where there are none) and what is to be said of them."""

    first_bleed: dt.date | None
    last_bleed: dt.date | None
    first_return: dt.date | None
    last_return: dt.date | None
    starts_late: bool
    stops_early: bool
    notes: tuple[str, ...]


def observed_period(log: Log, observation_window: ObservationWindow = WHOLE_LOG) -> ObservedPeriod:
    """Whether returns start later or stop earlier than bleeds by more than a month (31 days).

    Where they do and `observation_window` does not say so already, `words` say it and name the option that corrects it: without it
    a bleed outside would count as one that held.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    observation_window
        The days on which returns were recorded, as far as known.
    """
    first_bleed, last_bleed = _first_and_last(log.sessions.get_column("started_at"))
    first_return, last_return = _first_and_last(log.comebacks.get_column("returned_at"))
    late = observation_window.returns_from is None and _days(first_bleed, first_return) > MONTH_DAYS
    early = observation_window.returns_to is None and _days(last_return, last_bleed) > MONTH_DAYS
    words = []
    if late:
        words.append(
            f"Returns begin on {first_return}, bleeds on {first_bleed}: if returns were not recorded before, "
            f"say --returns-from {first_return}, so that earlier bleeds are not counted as successes."
        )
    if early:
        words.append(
            f"Returns end on {last_return}, bleeds on {last_bleed}: if returns were not recorded after, "
            f"say --returns-to {last_return}, so that later bleeds are not counted as successes."
        )
    return ObservedPeriod(first_bleed, last_bleed, first_return, last_return, late, early, tuple(words))


def _first_and_last(moments: pl.Series) -> tuple[dt.date | None, dt.date | None]:
    days = moments.dt.date()
    return days.min(), days.max()  # type: ignore[return-value]


def _days(earlier: dt.date | None, later: dt.date | None) -> int:
    return (later - earlier).days if earlier and later else 0
