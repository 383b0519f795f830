"""Case mix: the kind of work of each bleed, known before anyone started on it, as covariate patterns."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import CASE_MIX
from analysis.rates.crude import NOT_RECORDED
from analysis.stats import MAX_LEVELS, frequent_codes, level_codes

FloatArray = NDArray[np.float64]
Codes = NDArray[np.int64]
CASE_MIX_FIELDS = ("brake_model", *CASE_MIX)
INTERACTING_FIELDS = ("brake", "hose_route")
INTERACTION = "interaction"
TRAVEL, TRAVEL_BANDS = "lever_travel_before_mm", 5


@dataclass(frozen=True)
class CovariatePatterns:
    """Distinct covariate patterns as indicator columns: the first level of each factor is the reference; of very many
    levels, all but the most frequent.

    `pattern_index` is the pattern of each bleed.
    """

    x: FloatArray
    pattern_index: Codes


@dataclass(frozen=True)
class CaseMix:
    """Level codes of each case-mix factor, one per bleed, levels sorted; `groups` caches those of other columns."""

    factors: dict[str, Codes]
    groups: dict[str, Codes] = field(default_factory=dict, repr=False)

    def group(self, bleeds: pl.DataFrame, column: str) -> Codes:
        """Level codes of any column of the bleeds."""
        if column in self.factors:
            return self.factors[column]
        if column not in self.groups:
            self.groups[column] = level_codes(bleeds.get_column(column).fill_null(""))
        return self.groups[column]

    def patterns(self, leaving_out: str | None = None) -> CovariatePatterns:
        """The distinct covariate patterns, without one factor and its interaction."""
        dropped = {leaving_out, INTERACTION} if leaving_out in INTERACTING_FIELDS else {leaving_out}
        columns = [column for column, name in enumerate(self.factors) if name not in dropped]
        all_levels, pattern_index = self._all_patterns
        levels, merged_index = np.unique(all_levels[:, columns], axis=0, return_inverse=True)
        pattern_index = merged_index.reshape(-1)[pattern_index]
        return CovariatePatterns(np.hstack([_indicators(codes, pattern_index) for codes in levels.T]), pattern_index)

    @cached_property
    def _all_patterns(self) -> tuple[Codes, Codes]:
        """Levels of all factors, patterns × factors, and the pattern of each bleed."""
        levels, index = np.zeros((1, 0), dtype=np.int64), np.zeros(1, dtype=np.int64)
        for codes in self.factors.values():
            size = int(codes.max(initial=0)) + 1
            index = index * size + codes
            present = np.bincount(index) > 0
            distinct = np.flatnonzero(present)
            levels = np.column_stack([levels[distinct // size], distinct % size])
            index = (np.cumsum(present) - 1)[index]
        return levels, index


def _indicators(codes: Codes, pattern_index: Codes) -> FloatArray:
    """Columns of one factor, `codes` by pattern: all levels but the first, or the most frequent of very many."""
    size = int(codes.max(initial=0)) + 1
    columns = np.arange(1, size) if size <= MAX_LEVELS else frequent_codes(codes[pattern_index])
    return (codes[:, None] == columns).astype(float)


def build_case_mix(bleeds: pl.DataFrame) -> CaseMix:
    """Code the case mix: text fields, and lever travel in five bands of equal size; not recorded is a level."""
    travel = pl.col(TRAVEL)
    band = (travel.rank() / travel.count() * TRAVEL_BANDS).ceil().cast(pl.Int64).cast(pl.String)
    levels = bleeds.select(*(pl.col(name).fill_null("") for name in CASE_MIX_FIELDS), band=band.fill_null(""))
    levels = levels.with_columns(pl.concat_str(*INTERACTING_FIELDS).alias(INTERACTION))
    return CaseMix({name: level_codes(levels.get_column(name)) for name in levels.columns})


def covariate_patterns(bleeds: pl.DataFrame, fields: tuple[str, ...]) -> CovariatePatterns:
    """The distinct covariate patterns of some text columns; not recorded is a level.

    Parameters
    ----------
    bleeds
        One row per bleed.
    fields
        Names of text columns.
    """
    return CaseMix({name: level_codes(bleeds.get_column(name).fill_null(NOT_RECORDED)) for name in fields}).patterns()
