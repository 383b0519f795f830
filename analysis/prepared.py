"""The one prepared table a bleed that the estimating rooms take: the log, its follow-up and its steps, row by row."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.standard import Standard
from schemas.between import MissedSteps


@dataclass(frozen=True)
class Prepared:
    """All accepted bleeds, ready to be estimated from.

    `bleeds` is sorted by session_id and holds every column of `schemas.log.Sessions` (empty where not recorded),
    of `schemas.between.Followed` (age_days, mature, return_days, next_bleed_days, days_at_risk, end, came_back,
    month) and of `schemas.between.Workload` (bleeds_that_day, place_in_day). `missed` has the same rows in the same
    order: session_id, then one Boolean column a step of `standard` (true missed, false met, empty not recorded).
    """

    bleeds: pl.DataFrame
    missed: DataFrame[MissedSteps]
    standard: Standard
    as_of: dt.date
    window_days: int

    @property
    def comebacks(self) -> int:
        """Bleeds with a linked re-bleed return at any age: what decides whether estimates may be given at all."""
        return self.bleeds.get_column("return_days").count()
