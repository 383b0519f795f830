"""A trial of a changed procedure, once its rows are in the log: arms compared as they were randomised."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.plan.sample_size import precise_rate_bleeds, two_arm_bleeds
from analysis.stats import wilson
from schemas import empty, validate_table
from schemas.outputs import Trial

MIN_WEEKS = 4


@dataclass(frozen=True)
class Contrast:
    """A difference of two rates with its 95% limits and two-sided p-value."""

    difference: float
    lo: float
    hi: float
    p_value: float


def trials(data: BleedData) -> DataFrame[Trial]:
    """Every trial in the log, one arm a row.

    Estimand: the arm's comeback rate within the window less the first arm's (in alphabetical order), among mature
    bleeds as randomised. Where every shop's week holds one arm only, the week was what was randomised: weeks are then
    the sampling units (at least 4 in each arm, else the limits stay empty). Otherwise bleeds are, with Newcombe's
    interval.

    Parameters
    ----------
    prepared
        All accepted bleeds; those with both trial and trial_arm take part.
    """
    taking_part = data.bleeds.filter(pl.col("trial").is_not_null() & pl.col("trial_arm").is_not_null())
    if taking_part.is_empty():
        return empty(Trial)
    rows = [
        row
        for (name,), bleeds in taking_part.sort("trial").group_by("trial", maintain_order=True)
        for row in _arms(str(name), bleeds)
    ]
    return validate_table(Trial, pl.DataFrame(rows, schema=empty(Trial).schema).sort("trial", "arm"))


def by_bleed(missed_1: int, n_1: int, missed_2: int, n_2: int) -> Contrast:
    """Arm 2 less arm 1 when each bleed was randomised.

    Interval: R. G. Newcombe 1998, Stat. Med. 17:873-890, method 10 (Wilson limits squared and added). p-value: the
    two-sided test with the pooled variance.
    """
    p_1, p_2 = missed_1 / n_1, missed_2 / n_2
    limits = wilson([missed_1, missed_2], [n_1, n_2])
    difference = p_2 - p_1
    pooled = (missed_1 + missed_2) / (n_1 + n_2)
    sd = float(np.sqrt(pooled * (1 - pooled) * (1 / n_1 + 1 / n_2)))
    p_value = 2 * NormalDist().cdf(-abs(difference) / sd) if sd > 0 else 1.0
    lo = difference - float(np.hypot(p_2 - limits.lo[1], limits.hi[0] - p_1))
    hi = difference + float(np.hypot(limits.hi[1] - p_2, p_1 - limits.lo[0]))
    return Contrast(difference, lo, hi, p_value)


def by_week(arm_1: pl.DataFrame, arm_2: pl.DataFrame) -> Contrast | None:
    """Arm 2 less arm 1 when whole weeks were randomised; None with fewer than 4 weeks in an arm.

    Ratio estimates of the rates with between-week variances, Student's t on weeks less two (W. G. Cochran 1977,
    Sampling Techniques, chapter 9).

    Parameters
    ----------
    arm_1, arm_2
        One week a row: comebacks, bleeds.
    """
    from scipy import stats

    if min(arm_1.height, arm_2.height) < MIN_WEEKS:
        return None
    rates, variances = zip(*(_ratio(arm) for arm in (arm_1, arm_2)), strict=True)
    difference, sd = rates[1] - rates[0], float(np.sqrt(sum(variances)))
    freedom = arm_1.height + arm_2.height - 2
    half_width = float(stats.t.ppf(0.975, freedom)) * sd
    p_value = float(2 * stats.t.sf(abs(difference) / sd, freedom)) if sd > 0 else 1.0
    return Contrast(difference, difference - half_width, difference + half_width, p_value)


def _arms(name: str, bleeds: pl.DataFrame) -> list[dict[str, object]]:
    mature = bleeds.filter("mature").with_columns(
        week=pl.concat_str(pl.col("shop").fill_null(""), pl.col("started_at").dt.truncate("1w").cast(pl.String))
    )
    arms = sorted(bleeds.get_column("trial_arm").unique().to_list())
    weekly = mature.group_by("week").agg(pl.col("trial_arm").n_unique()).get_column("trial_arm").max() == 1
    rows = []
    for arm in arms:
        own = mature.filter(pl.col("trial_arm") == arm)
        row: dict[str, object] = {
            "trial": name,
            "arm": arm,
            "bleeds": bleeds.filter(pl.col("trial_arm") == arm).height,
            "comebacks": own.get_column("came_back").sum(),
            "rate": own.get_column("came_back").mean(),
        }
        first = mature.filter(pl.col("trial_arm") == arms[0])
        contrast = None if arm == arms[0] or own.is_empty() or first.is_empty() else _contrast(first, own, bool(weekly))
        if contrast is not None:
            row |= {"difference": contrast.difference, "lo": max(contrast.lo, -1), "hi": min(contrast.hi, 1)}
            row |= {"p_value": contrast.p_value}
        rows.append(row)
    return rows


def _contrast(first: pl.DataFrame, second: pl.DataFrame, weekly: bool) -> Contrast | None:
    if weekly:
        return by_week(*(arm.group_by("week").agg(_COMEBACKS, _BLEEDS).sort("week") for arm in (first, second)))
    return by_bleed(
        int(first.get_column("came_back").sum()), first.height, int(second.get_column("came_back").sum()), second.height
    )


_COMEBACKS = pl.col("came_back").sum().alias("comebacks")
_BLEEDS = pl.len().alias("bleeds")


def _ratio(weeks: pl.DataFrame) -> tuple[float, float]:
    y, n = (weeks.get_column(c).to_numpy().astype(float) for c in ("comebacks", "bleeds"))
    rate = y.sum() / n.sum()
    k = len(y)
    return rate, float(((y - rate * n) ** 2).sum() * k / (k - 1) / n.sum() ** 2)


def bleeds_needed(data: BleedData) -> tuple[str, ...]:
    """How many bleeds it takes, at the shop's own rate, to know it closely and to try a changed procedure."""
    followed = data.bleeds.select("mature", "came_back").filter("mature").get_column("came_back")
    if followed.is_empty() or not 0 < (rate := float(followed.mean())) < 1:  # type: ignore[arg-type]
        return ()
    close, arm = precise_rate_bleeds(rate, rate / 4), two_arm_bleeds(rate, rate / 2)
    return (
        f"To know a rate near {rate:.1%} to within a quarter of itself: {close:,} bleeds followed "
        f"(this log has {followed.len():,}).",
        f"To try a procedure that would halve it, found four times in five: {math.ceil(arm):,} bleeds in each arm.",
    )
