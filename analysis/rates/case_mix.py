"""The work a bleed was: what came in, as a few levels of a few factors, and the distinct kinds of work they make."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import CASE_MIX
from analysis.rates.crude import NOT_RECORDED
from analysis.stats import level_codes

FloatArray = NDArray[np.float64]
Codes = NDArray[np.int64]
CASE_MIX_FIELDS = ("brake_model", *CASE_MIX)
INTERACTING_FIELDS = ("brake", "hose_route")
TRAVEL, TRAVEL_BANDS = "lever_travel_before_mm", 5


@dataclass(frozen=True)
class CaseMix:
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

    def patterns(self, leaving_out: str | None = None) -> CovariatePatterns:
        """The distinct kinds of work, leaving out one factor and the pair it stands in."""
        dropped = {leaving_out, "both"} if leaving_out in INTERACTING_FIELDS else {leaving_out}
        indices = [place for place, name in enumerate(self.factors) if name not in dropped]
        finest, place = self._finest_patterns
        levels, coarser = np.unique(finest[:, indices], axis=0, return_inverse=True)
        indicators = [np.eye(int(one.max(initial=0)) + 1)[one][:, 1:] for one in levels.T]
        return CovariatePatterns(np.hstack(indicators), coarser.reshape(-1)[place])

    @cached_property
    def _finest_patterns(self) -> tuple[Codes, Codes]:
        """Every factor's level, one row a distinct kind by all of them; and which of these each bleed is."""
        levels, place = np.zeros((1, 0), dtype=np.int64), np.zeros(1, dtype=np.int64)
        for codes in self.factors.values():
            size = int(codes.max(initial=0)) + 1
            place = place * size + codes
            present = np.bincount(place) > 0
            distinct = np.flatnonzero(present)
            levels = np.column_stack([levels[distinct // size], distinct % size])
            place = (np.cumsum(present) - 1)[place]
        return levels, place


@dataclass(frozen=True)
class CovariatePatterns:
    """Distinct kinds of work as indicator columns (a factor's first level has none), and which of them each bleed is."""

    x: FloatArray
    pattern_index: Codes


def build_case_mix(bleeds: pl.DataFrame) -> CaseMix:
    """What came in with each bleed: words, and lever travel in five bands of equal numbers; not recorded is a level."""
    travel = pl.col(TRAVEL)
    band = (travel.rank() / travel.count() * TRAVEL_BANDS).ceil().cast(pl.Int64).cast(pl.String)
    words = bleeds.select(*(pl.col(name).fill_null("") for name in CASE_MIX_FIELDS), band=band.fill_null(""))
    words = words.with_columns(both=pl.concat_str(*INTERACTING_FIELDS))
    return CaseMix({name: level_codes(words.get_column(name)) for name in words.columns})


def covariate_patterns(bleeds: pl.DataFrame, fields: tuple[str, ...]) -> CovariatePatterns:
    """The kinds of work that some columns of words tell apart, and which of them each bleed is; not recorded is a level.

    Parameters
    ----------
    bleeds
        One row a bleed.
    fields
        Columns of it.
    """
    return CaseMix({name: level_codes(bleeds.get_column(name).fill_null(NOT_RECORDED)) for name in fields}).patterns()
