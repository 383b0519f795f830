"""Cumulative incidence of re-bleed returns with a later bleed as a competing end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.stats import Interval
from schemas import checked
from schemas.between import Followed, Incidence

Numbers = NDArray[np.float64]
Counts = NDArray[np.int64]
RETURN, OTHER, CENSORED = 1, 2, 0
Z95 = 1.959963984540054


@dataclass(frozen=True)
class Curve:
    """Aalen–Johansen estimate at each day that any bleed's time ended.

    `incidence` of the return, its `variance` (Aalen's), `survival` free of either end, and `naive`, 1 − Kaplan–Meier
    with the competing end as censored, which is never smaller.
    """

    days: Counts
    at_risk: Counts
    incidence: Numbers
    variance: Numbers
    survival: Numbers
    naive: Numbers

    def at(self, day: float) -> int:
        """Place of the last day not after `day`; -1 before the first."""
        return int(np.searchsorted(self.days, day, side="right")) - 1


def aalen_johansen(days: Counts, end: Counts) -> Curve:
    """Cumulative incidence of end 1 with end 2 competing and 0 censored, ties exact.

    Sources: O. O. Aalen & S. Johansen 1978, Scand. J. Stat. 5:141-150; Aalen's variance as given by T. M. Braun &
    Z. Yuan 2007, Stat. Med. 26:1170-1180.

    Parameters
    ----------
    days, end
        Time at risk in whole days and how it ended, one a bleed.
    """
    distinct, place = np.unique(days, return_inverse=True)
    size = len(distinct)
    returns = np.bincount(place[end == RETURN], minlength=size).astype(float)
    others = np.bincount(place[end == OTHER], minlength=size).astype(float)
    leaving = np.bincount(place, minlength=size)
    at_risk = (leaving[::-1].cumsum()[::-1]).astype(float)
    ends = returns + others
    survival = np.cumprod(1 - ends / at_risk)
    before = np.concatenate([[1.0], survival[:-1]])
    incidence = np.cumsum(before * returns / at_risk)
    return Curve(
        days=distinct.astype(np.int64),
        at_risk=at_risk.astype(np.int64),
        incidence=incidence,
        variance=_variance(returns, ends, at_risk, before, incidence),
        survival=survival,
        naive=1 - np.cumprod(1 - returns / at_risk),
    )


def incidence_limits(incidence: Numbers, variance: Numbers) -> Interval:
    """95% limits on the complementary log-log scale (J. D. Kalbfleisch & R. L. Prentice 2002), within [0, 1]."""
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = Z95 * np.sqrt(variance) / (np.abs(np.log(incidence)) * incidence)
        lo, hi = incidence ** np.exp(reach), incidence ** np.exp(-reach)
    inside = (incidence > 0) & (incidence < 1)
    return Interval(np.where(inside, lo, incidence), np.where(inside, hi, incidence))


def ends(followed: pl.DataFrame) -> Counts:
    """The end of each bleed's time as RETURN, OTHER or CENSORED."""
    codes = {"return": RETURN, "next_bleed": OTHER, "as_of": CENSORED}
    return followed.get_column("end").replace_strict(codes, return_dtype=pl.Int64).to_numpy()


def incidence(followed: DataFrame[Followed]) -> DataFrame[Incidence]:
    """Share of bleeds come back by each day, all bleeds used, young ones censored at the as-of date.

    One row for each day on which any bleed's time ended, sorted. `naive` stands beside it to show what counting a
    later bleed as censored would have claimed.
    """
    if followed.is_empty():
        return checked(
            Incidence, pl.DataFrame(schema={c: k.dtype.type for c, k in Incidence.to_schema().columns.items()})
        )
    curve = aalen_johansen(followed.get_column("days_at_risk").to_numpy(), ends(followed))
    limits = incidence_limits(curve.incidence, curve.variance)
    table = pl.DataFrame(
        {
            "day": curve.days,
            "at_risk": curve.at_risk,
            "incidence": curve.incidence,
            "lo": limits.lo,
            "hi": limits.hi,
            "naive": curve.naive,
        }
    )
    return checked(Incidence, table)


def _variance(returns: Numbers, ends: Numbers, at_risk: Numbers, before: Numbers, incidence: Numbers) -> Numbers:
    """Sum over days s ≤ t, expanded in powers of I(t) so that it is one pass of cumulative sums."""
    with np.errstate(divide="ignore", invalid="ignore"):
        a = ends / ((at_risk - 1) * (at_risk - ends))
        b = before**2 * returns * (at_risk - returns) / (at_risk**2 * (at_risk - 1))
        c = before * returns * (at_risk - returns) / (at_risk * (at_risk - ends) * (at_risk - 1))
    told = (at_risk > ends) & (at_risk > 1)  # the last bleed followed says nothing of its own spread
    a, b, c = (np.where(told, term, 0.0) for term in (a, b, c))
    spread = incidence**2 * a.cumsum() - 2 * incidence * (a * incidence).cumsum() + (a * incidence**2).cumsum()
    cross = incidence * c.cumsum() - (c * incidence).cumsum()
    return np.maximum(spread + b.cumsum() - 2 * cross, 0.0)
