"""The effect of coaching: a difference in differences of the share missed, with peers over the same days as controls."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.stats import FloatArray, benjamini_hochberg, between_variance, student_quantile, student_tail
from schemas import empty, validate_table
from schemas.log import Coaching
from schemas.outputs import CoachingEffect

DAYS_EITHER_SIDE = 183
CHOICE_DAYS = 91
"""The quarter before a coaching, which may have led to it, belongs to neither side: a technician chosen for a bad quarter
does better afterwards anyway. The half year before that quarter and the half year after it are equally far from it, so
habits that vary between periods are as far from the bad quarter on both sides."""
DAYS_BETWEEN_TRIALS = 91
"""Days between two days that show how groups change by themselves."""
MIN_BLEEDS = 10
MIN_PEERS_WITH_OTHER_DAYS, MIN_PEERS = 2, 4
"""Fewest peers if other days of the log show how much technicians change by themselves, and if peers alone must show it."""
MIN_COMEBACKS = 10
CLEAR_Q = 0.05


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


def coaching_effects(data: BleedData, coaching: DataFrame[Coaching]) -> DataFrame[CoachingEffect]:
    """Estimate what each coaching changed.

    Estimand: the coached technician's share missed in the half year after the coaching, minus that in the half year that
    ended a quarter before it, minus the mean change of peers who were not coached on that step in that time. The day
    itself and the quarter before it, which may be why the technician was chosen, count on neither side (regression to
    the mean: A. G. Barnett, J. C. van der Pols & A. J. Dobson 2005, Int. J. Epidemiol. 34:215-220). Habits also vary
    without coaching; how much is estimated around other days of the log, over all steps, and widens the interval. The
    change is empty if either side has fewer than 10 recorded bleeds, or fewer than two peers have as many (four in a log
    without such days). `comebacks_change` is the same difference for the comeback rate of mature bleeds, if the
    technician had at least 10 comebacks. A change is `clear` if its `q_value` is at most 0.05, which controls false
    discoveries over all coachings in the log (Benjamini & Hochberg 1995).

    Parameters
    ----------
    coaching
        Coachings; one whose step is not in the procedure keeps an empty row.
    """
    wander = _estimate_wander(data, coaching) if coaching.height else _Wander(None, None)
    rows = [_effect_row(data, coaching, event, wander) for event in coaching.iter_rows(named=True)]
    table = pl.DataFrame(rows, schema=empty(CoachingEffect).schema)
    q_value = pl.Series(benjamini_hochberg(table.get_column("p_value").fill_null(np.nan).to_numpy())).fill_nan(None)
    table = table.with_columns(q_value=q_value, clear=q_value <= CLEAR_Q)
    return validate_table(CoachingEffect, table.sort("technician", "step", "coached_on"))


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
        for day in _days_between_trials(bleeds):
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


def _days_between_trials(bleeds: pl.DataFrame) -> list[dt.date]:
    """Days with a full period on both sides."""
    start = pl.col("started_at").dt.date()
    first, last = bleeds.select(start.min().alias("first"), start.max().alias("last")).row(0)
    numbers = range(CHOICE_DAYS + DAYS_EITHER_SIDE, (last - first).days - DAYS_EITHER_SIDE + 1, DAYS_BETWEEN_TRIALS)
    return [first + dt.timedelta(days=number) for number in numbers]


class _Wander(NamedTuple):
    """How much technicians change without coaching, in their misses of any step and in their comebacks."""

    missed: PeriodVariance | None
    comebacks: PeriodVariance | None


def _estimate_wander(data: BleedData, coaching: pl.DataFrame) -> _Wander:
    bleeds = data.bleeds.select("technician", "started_at", came_back=pl.when("mature").then("came_back"))
    steps = data.missed.columns[1:]

    def coached(step: str | None, day: dt.date) -> list[str]:
        events = coaching if step is None else coaching.filter(pl.col("step") == step)
        return _coached_near(events, day)

    missed = [bleeds.select("technician", "started_at", yes=data.missed.get_column(step)) for step in steps]
    back = bleeds.select("technician", "started_at", yes="came_back")
    return _Wander(
        estimate_period_variance(missed, "technician", lambda number, day: coached(steps[number], day)),
        estimate_period_variance([back], "technician", lambda _, day: coached(None, day)),
    )


def _effect_row(data: BleedData, coaching: pl.DataFrame, event: dict[str, Any], wander: _Wander) -> dict[str, Any]:
    row = {name: event[name] for name in ("technician", "step", "coached_on")}
    if event["step"] not in data.missed.columns[1:]:
        return row
    coached = _coached_near(coaching.filter(pl.col("step") == event["step"]), event["coached_on"])
    sides = _count_before_after(data, data.missed.get_column(event["step"]), event, coached)
    if sides is not None and sides.peers.height >= _fewest_peers(wander.missed):
        coached_changes = share_changes(sides.coached)
        effect = difference(coached_changes, share_changes(sides.peers), wander.missed)
        row |= {"missed_before": float(coached_changes.before[0]), "missed_after": float(coached_changes.after[0])}
        row |= {f"recorded_{side}": sides.coached.get_column(f"bleeds_{side}").item() for side in ("before", "after")}
        row |= _effect_columns("change", "lo", "hi", effect)
        row |= {"peers_change": effect.peers_change, "p_value": effect.p_value}
    mature = pl.when("mature").then("came_back")
    back = _count_before_after(data, data.bleeds.select(mature.alias("came_back")).to_series(), event, coached)
    if (
        back is not None
        and back.peers.height >= _fewest_peers(wander.comebacks)
        and back.coached.select(pl.sum_horizontal("yes_before", "yes_after")).item() >= MIN_COMEBACKS
    ):
        effect = difference(share_changes(back.coached), share_changes(back.peers), wander.comebacks)
        row |= _effect_columns("comebacks_change", "comebacks_lo", "comebacks_hi", effect)
    return row


def _effect_columns(change: str, lo: str, hi: str, effect: Difference) -> dict[str, float]:
    return {change: effect.change, lo: max(effect.lo, -2.0), hi: min(effect.hi, 2.0)}


@dataclass(frozen=True)
class _BeforeAfter:
    """Counts before and after a coaching, of the coached technician and of the peers."""

    coached: pl.DataFrame
    peers: pl.DataFrame


def _count_before_after(
    data: BleedData, yes: pl.Series, event: dict[str, Any], coached: list[str]
) -> _BeforeAfter | None:
    """Count `yes` (null where not known) before and after the event; None with too few bleeds of the technician."""
    counts = before_after_counts(
        data.bleeds.select("technician", "started_at").with_columns(yes=yes), event["coached_on"]
    )
    own = counts.filter(pl.col("technician") == event["technician"])
    peers = counts.filter(~pl.col("technician").is_in(coached))
    return None if own.is_empty() else _BeforeAfter(own, peers)


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


def _fewest_peers(wander: PeriodVariance | None) -> int:
    return MIN_PEERS if wander is None else MIN_PEERS_WITH_OTHER_DAYS


def _coached_near(coaching: pl.DataFrame, day: dt.date) -> list[str]:
    """Everyone coached within those days."""
    since = (pl.col("coached_on") - pl.lit(day)).dt.total_days()
    return coaching.filter(since.is_between(-CHOICE_DAYS - DAYS_EITHER_SIDE, DAYS_EITHER_SIDE))["technician"].to_list()


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
