"""The effect of coaching: a difference in differences of the share missed, with peers over the same days as controls."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.people.before_after import (
    CHOICE_DAYS,
    DAYS_EITHER_SIDE,
    Difference,
    PeriodVariance,
    before_after_counts,
    difference,
    estimate_period_variance,
    share_changes,
)
from analysis.stats import benjamini_hochberg
from schemas import empty, validate_table
from schemas.log import Coaching
from schemas.outputs import CoachingEffect

MIN_PEERS_WITH_OTHER_DAYS, MIN_PEERS = 2, 4
"""Fewest peers if other days of the log show how much technicians change by themselves, and if peers alone must show it."""
MIN_COMEBACKS = 10
CLEAR_Q = 0.05


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


def _fewest_peers(wander: PeriodVariance | None) -> int:
    return MIN_PEERS if wander is None else MIN_PEERS_WITH_OTHER_DAYS


def _coached_near(coaching: pl.DataFrame, day: dt.date) -> list[str]:
    """Everyone coached within those days."""
    since = (pl.col("coached_on") - pl.lit(day)).dt.total_days()
    return coaching.filter(since.is_between(-CHOICE_DAYS - DAYS_EITHER_SIDE, DAYS_EITHER_SIDE))["technician"].to_list()
