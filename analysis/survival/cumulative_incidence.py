"""Cumulative incidence of re-bleed returns with a later bleed as a competing end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.survival.aalen_johansen import (
    CENSORED,
    OTHER,
    RETURN,
    Counts,
    FloatArray,
    estimate,
    incidence_limits,
    risk_table,
)
from analysis.survival.kaplan_meier import product_limit
from schemas import empty, validate_table
from schemas.intermediate import Incidence


@dataclass(frozen=True)
class IncidenceCurve:
    """Aalen–Johansen estimate at each day that any bleed's time ended.

    `incidence` of the return, its `variance` (Aalen's), `survival` free of either end, and `one_minus_kaplan_meier`, 1 − Kaplan–Meier
    with the competing end as censored, which is never smaller.
    """

    days: Counts
    at_risk: Counts
    incidence: FloatArray
    variance: FloatArray
    survival: FloatArray
    one_minus_kaplan_meier: FloatArray

    def index_at(self, day: float) -> int:
        """Place of the last day not after `day`; -1 before the first."""
        return int(np.searchsorted(self.days, day, side="right")) - 1


def aalen_johansen(days: Counts, end: Counts) -> IncidenceCurve:
    """Cumulative incidence of end 1 with end 2 competing and 0 censored, ties exact.

    Parameters
    ----------
    days, end
        Time at risk in whole days and how it ended, one a bleed.
    """
    distinct, place = np.unique(days, return_inverse=True)
    table = risk_table(np.zeros_like(place), place, end, groups=1, days=len(distinct))
    estimates = estimate(table)
    return IncidenceCurve(
        days=distinct.astype(np.int64),
        at_risk=table.at_risk[0].astype(np.int64),
        incidence=estimates.incidence[0],
        variance=estimates.variance[0],
        survival=estimates.survival[0],
        one_minus_kaplan_meier=1 - product_limit(table.returns[0], table.at_risk[0]),
    )


def event_type(followed: pl.DataFrame) -> Counts:
    """The end of each bleed's time as RETURN, OTHER or CENSORED."""
    codes = {"return": RETURN, "next_bleed": OTHER, "as_of": CENSORED}
    return followed.get_column("end").replace_strict(codes, return_dtype=pl.Int64).to_numpy()


def return_observable() -> pl.Expr:
    """Whether a bleed's return would have been written down, by end, days_at_risk and age_days: those outside the covered
    time were never at risk.

    A bleed of the as-of date itself was watched for its day.
    """
    return ~((pl.col("end") == "as_of") & (pl.col("days_at_risk") == 0) & (pl.col("age_days") > 0))


def incidence(followed: pl.DataFrame) -> DataFrame[Incidence]:
    """Share of bleeds come back by each day, all bleeds used, young ones censored at the as-of date.

    One row for each day on which any bleed's time ended, sorted. `naive` stands beside it to show what counting a
    later bleed as censored would have claimed.

    Parameters
    ----------
    followed
        `schemas.intermediate.Followed`, whatever stands beside it.
    """
    at_risk = followed.select("end", "days_at_risk", "age_days").filter(return_observable())
    if at_risk.is_empty():
        return empty(Incidence)
    curve = aalen_johansen(at_risk.get_column("days_at_risk").to_numpy(), event_type(at_risk))
    limits = incidence_limits(curve.incidence, curve.variance)
    columns = {"day": curve.days, "at_risk": curve.at_risk, "incidence": curve.incidence}
    table = pl.DataFrame(columns | {"lo": limits.lo, "hi": limits.hi, "naive": curve.one_minus_kaplan_meier})
    return validate_table(Incidence, table.with_columns(pl.col("incidence", "lo", "hi", "naive").clip(0, 1)))
