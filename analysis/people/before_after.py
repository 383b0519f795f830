"""Shares before and after a day: their change against others, and how much such shares change without any intervention."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from analysis.stats import FloatArray, between_variance, student_quantile, student_tail

DAYS_EITHER_SIDE = 183
CHOICE_DAYS = 91
"""The quarter before a coaching, which may have led to it, belongs to neither side: a technician chosen for a bad quarter
does better afterwards anyway. The half year before that quarter and the half year after it are equally far from it, so
habits that vary between periods are as far from the bad quarter on both sides."""
DAYS_BETWEEN_TRIALS = 91
"""Days between two days that show how groups change by themselves."""
MIN_BLEEDS = 10


@dataclass(frozen=True)
class ShareChanges:
    """A share before and after and the variance of its change by counts alone, one entry per technician."""

    before: FloatArray
    after: FloatArray
    variance: FloatArray

    @property
    def change(self) -> FloatArray:
        return self.after - self.before

    @property
    def slope(self) -> FloatArray:
        """Derivative of a share by its log odds, p (1 - p), at the mean share; at least that of a share of 2%."""
        mean = np.clip((self.before + self.after) / 2, 0.02, 0.98)
        return mean * (1 - mean)


@dataclass(frozen=True)
class Difference:
    """A change against peers with its 95% limits and two-sided p-value, and the peers' own change."""

    change: float
    lo: float
    hi: float
    p_value: float
    peers_change: float


@dataclass(frozen=True)
class PeriodVariance:
    """Between-period variance: how much groups change without any intervention (log odds), and its degrees of freedom."""

    variance: float
    degrees_of_freedom: float


def difference(coached: ShareChanges, peers: ShareChanges, wander: PeriodVariance | None = None) -> Difference:
    """The coached person's change less the peers' mean change.

    Peers' changes are pooled by random effects (R. DerSimonian & N. Laird 1986, Control. Clin. Trials 7:177-188) on the
    log-odds scale, where the between-period variance is taken to be the same at every share. The interval is a prediction
    interval, because the coached person might have changed just as peers do, without coaching: Student's t with the
    degrees of freedom of the peers' spread (J. P. T. Higgins, S. G. Thompson & D. J. Spiegelhalter 2009, J. R. Stat. Soc.
    A 172:137-159), combined with those of the counts (F. E. Satterthwaite 1946, Biom. Bull. 2:110-114). `wander`, the
    between-period variance estimated from other days of the log, replaces the peers' own spread, which two or three
    peers are too few to estimate.
    """
    between_peers = (
        between_variance(peers.change / peers.slope, peers.variance / peers.slope**2)  # of the log odds
        if wander is None
        else wander.variance
    )
    pooled = 1 / (peers.variance + between_peers * peers.slope**2)
    mean = float(pooled @ peers.change / pooled.sum())
    between = float(between_peers * coached.slope[0] ** 2 + 1 / pooled.sum())
    variance = float(coached.variance[0]) + between
    if wander is None:
        degrees_of_freedom = (len(peers.change) - 1) * (variance / between) ** 2
    else:
        own = max(between_peers * float(coached.slope[0] ** 2), 1e-9)
        degrees_of_freedom = wander.degrees_of_freedom * (variance / own) ** 2
    sd = variance**0.5
    half_width = student_quantile(0.975, degrees_of_freedom) * sd
    change = float(coached.change[0]) - mean
    p_value = 2 * float(student_tail(abs(change) / sd, degrees_of_freedom))
    return Difference(change, change - half_width, change + half_width, p_value, mean)


def estimate_period_variance(
    outcomes: Sequence[pl.DataFrame], group: str, excluded: Callable[[int, dt.date], list[str]]
) -> PeriodVariance | None:
    """How much groups change without any intervention, estimated around other days; None without such days.

    On a day every 91 days the groups' changes of the log odds are compared with their mean (with a single group, with no
    change); their variance beyond the counts' is averaged over the days and the outcomes, which are taken to vary equally
    on the log odds.

    Parameters
    ----------
    outcomes
        For each outcome one row per bleed: the group's column, started_at and `yes`, empty where it is not known.
    group
        Name of the group's column.
    excluded
        Groups that do not count: those with an intervention near this day that concerns the outcome of this number.
    """
    squares = freedom = 0.0
    for number, bleeds in enumerate(outcomes):
        alone = bleeds.get_column(group).n_unique() == 1
        for day in _dates_with_full_periods(bleeds):
            counts = before_after_counts(bleeds, day, group).filter(~pl.col(group).is_in(excluded(number, day)))
            if counts.height < 2 - alone:
                continue
            changes = share_changes(counts)
            value, variance = changes.change / changes.slope, changes.variance / changes.slope**2
            own_freedom = len(value) - (not alone)
            squares += float(((value - (0.0 if alone else value.mean())) ** 2).sum() - variance.mean() * own_freedom)
            freedom += own_freedom
    if not freedom:
        return None
    overlap = DAYS_BETWEEN_TRIALS / (CHOICE_DAYS + 2 * DAYS_EITHER_SIDE)
    return PeriodVariance(max(squares / freedom, 0.0), max(freedom * overlap, 1.0))


def _dates_with_full_periods(bleeds: pl.DataFrame) -> list[dt.date]:
    """Days with a full period on both sides."""
    start = pl.col("started_at").dt.date()
    first, last = bleeds.select(start.min().alias("first"), start.max().alias("last")).row(0)
    numbers = range(CHOICE_DAYS + DAYS_EITHER_SIDE, (last - first).days - DAYS_EITHER_SIDE + 1, DAYS_BETWEEN_TRIALS)
    return [first + dt.timedelta(days=number) for number in numbers]


def before_after_counts(bleeds: pl.DataFrame, day: dt.date, group: str = "technician") -> pl.DataFrame:
    """Counts per group with at least 10 bleeds on both sides; `bleeds` has the group's column, started_at and yes."""
    dated = bleeds.filter(pl.col("yes").is_not_null()).with_columns(
        since=(pl.col("started_at").dt.date() - day).dt.total_days()
    )
    after = pl.col("yes").filter(pl.col("since").is_between(1, DAYS_EITHER_SIDE))
    before = pl.col("yes").filter(pl.col("since").is_between(-CHOICE_DAYS - DAYS_EITHER_SIDE, -CHOICE_DAYS - 1))
    sides = dated.group_by(group).agg(
        yes_before=before.sum(), bleeds_before=before.len(), yes_after=after.sum(), bleeds_after=after.len()
    )
    return sides.filter(pl.min_horizontal("bleeds_before", "bleeds_after") >= MIN_BLEEDS).sort(group)


def share_changes(counts: pl.DataFrame) -> ShareChanges:
    """Shares before and after from counts: a name, then yes and bleeds on both sides."""
    column = {name: counts.get_column(name).to_numpy().astype(float) for name in counts.columns[1:]}
    variance = sum(_share_variance(column[f"yes_{side}"], column[f"bleeds_{side}"]) for side in ("before", "after"))
    return ShareChanges(
        before=column["yes_before"] / column["bleeds_before"],
        after=column["yes_after"] / column["bleeds_after"],
        variance=np.asarray(variance),
    )


def _share_variance(missed: FloatArray, bleeds: FloatArray) -> FloatArray:
    """Variance of a share, with one miss and one success added (A. Agresti & B. Caffo 2000, Am. Stat. 54:280-288)."""
    p = (missed + 1) / (bleeds + 2)
    return p * (1 - p) / (bleeds + 2)
