"""The work a bleed was: what came in, as a few levels of a few factors, and the distinct kinds of work they make."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.prepared import CASE_MIX
from analysis.rates.raw import NOT_RECORDED
from analysis.stats import level_codes

Numbers = NDArray[np.float64]
Codes = NDArray[np.int64]
WORDS = ("brake_model", *CASE_MIX)
TOGETHER = ("brake", "hose_route")
TRAVEL, TRAVEL_BANDS = "lever_travel_before_mm", 5


@dataclass(frozen=True)
class Work:
    """Each factor's level, one number a bleed, levels in the order of their words; `both` is a pair of factors at once."""

    factors: dict[str, Codes]
    groups: dict[str, Codes] = field(default_factory=dict, repr=False)

    def group(self, bleeds: pl.DataFrame, kind: str) -> Codes:
        """Each bleed's group by a column, numbered in the order of their names: worked out once."""
        if kind in self.factors:
            return self.factors[kind]
        if kind not in self.groups:
            self.groups[kind] = level_codes(bleeds.get_column(kind).fill_null(""))
        return self.groups[kind]

    def kinds(self, without: str | None = None) -> Kinds:
        """The distinct kinds of work, leaving out one factor and the pair it stands in."""
        left = {without, "both"} if without in TOGETHER else {without}
        kept = [place for place, name in enumerate(self.factors) if name not in left]
        finest, place = self._finest
        levels, coarser = np.unique(finest[:, kept], axis=0, return_inverse=True)
        indicators = [np.eye(int(one.max(initial=0)) + 1)[one][:, 1:] for one in levels.T]
        return Kinds(np.hstack(indicators), coarser.reshape(-1)[place])

    @cached_property
    def _finest(self) -> tuple[Codes, Codes]:
        """Every factor's level, one row a distinct kind by all of them; and which of these each bleed is."""
        levels, place = np.zeros((1, 0), dtype=np.int64), np.zeros(1, dtype=np.int64)
        for codes in self.factors.values():
            size = int(codes.max(initial=0)) + 1
            place = place * size + codes
            found = np.bincount(place) > 0
            distinct = np.flatnonzero(found)
            levels = np.column_stack([levels[distinct // size], distinct % size])
            place = (np.cumsum(found) - 1)[place]
        return levels, place


@dataclass(frozen=True)
class Kinds:
    """Distinct kinds of work as indicator columns (a factor's first level has none), and which of them each bleed is."""

    x: Numbers
    place: Codes


def work_of(bleeds: pl.DataFrame) -> Work:
    """What came in with each bleed: words, and lever travel in five bands of equal numbers; not recorded is a level."""
    travel = pl.col(TRAVEL)
    band = (travel.rank() / travel.count() * TRAVEL_BANDS).ceil().cast(pl.Int64).cast(pl.String)
    words = bleeds.select(*(pl.col(name).fill_null("") for name in WORDS), band=band.fill_null(""))
    words = words.with_columns(both=pl.concat_str(*TOGETHER))
    return Work({name: level_codes(words.get_column(name)) for name in words.columns})


def kinds_of(bleeds: pl.DataFrame, words: tuple[str, ...]) -> Kinds:
    """The kinds of work that some columns of words tell apart, and which of them each bleed is; not recorded is a level.

    Parameters
    ----------
    bleeds
        One row a bleed.
    words
        Columns of it.
    """
    return Work({name: level_codes(bleeds.get_column(name).fill_null(NOT_RECORDED)) for name in words}).kinds()
