"""Did the coaching work: a difference in differences of share missed, with peers over the same days as controls."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.stats import Z95, between_variance
from schemas import empty, validate_table
from schemas.log import Coaching
from schemas.outputs import CoachingEffect

FloatArray = NDArray[np.float64]
DAYS_EITHER_SIDE = 183
MIN_BLEEDS = 10
MIN_COMEBACKS = 10


@dataclass(frozen=True)
class Changes:
    """A share before and after and the variance of its change, one entry a technician."""

    before: FloatArray
    after: FloatArray
    variance: FloatArray

    @property
    def change(self) -> FloatArray:
        return self.after - self.before


@dataclass(frozen=True)
class Difference:
    """A change against peers with its 95% limits, and the peers' own change."""

    change: float
    lo: float
    hi: float
    peers_change: float


def coaching_effects(data: BleedData, coaching: DataFrame[Coaching]) -> DataFrame[CoachingEffect]:
    """What each coaching changed.

    Estimand: the change in the coached technician's share missed over half a year either side of the day, less the
    mean change of peers never coached on that step within those days. The day itself belongs to neither side. With
    fewer than 10 recorded bleeds on either side, or fewer than two peers with as many, the change is left empty: too
    early to tell. `comebacks_change` is the same of the rate of comebacks among mature bleeds, where the coached one has
    at least 10 of them.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    coaching
        Coachings; one whose step the standard does not know keeps an empty row.
    """
    rows = [_effect(data, coaching, event) for event in coaching.iter_rows(named=True)]
    table = pl.DataFrame(rows, schema=empty(CoachingEffect).schema)
    return validate_table(CoachingEffect, table.sort("technician", "step", "coached_on"))


def difference(coached: Changes, peers: Changes) -> Difference:
    """The coached person's change less the peers' mean change.

    Peers' changes are pooled by random effects (DerSimonian & Laird 1986): how much they differ beyond their counts
    widens the interval, for the coached person's change would have wandered as much without any coaching.
    """
    tau2 = between_variance(peers.change, peers.variance)
    pooled = 1 / (peers.variance + tau2)
    mean = float(pooled @ peers.change / pooled.sum())
    sd = float(np.sqrt(coached.variance[0] + tau2 + 1 / pooled.sum()))
    change = float(coached.change[0]) - mean
    return Difference(change, change - Z95 * sd, change + Z95 * sd, mean)


def _effect(data: BleedData, coaching: pl.DataFrame, event: dict[str, Any]) -> dict[str, Any]:
    row = {name: event[name] for name in ("technician", "step", "coached_on")}
    if event["step"] not in data.missed.columns[1:]:
        return row
    coached = _coached(coaching, event)
    sides = _before_after(data, data.missed.get_column(event["step"]), event, coached)
    if sides is not None:
        coached_changes = _changes(sides.coached)
        step_effect = difference(coached_changes, _changes(sides.peers))
        row |= {"missed_before": float(coached_changes.before[0]), "missed_after": float(coached_changes.after[0])}
        row |= {f"recorded_{side}": sides.coached.get_column(f"bleeds_{side}").item() for side in ("before", "after")}
        row |= _limited("change", "lo", "hi", step_effect) | {"peers_change": step_effect.peers_change}
    mature = pl.when("mature").then("came_back")
    back = _before_after(data, data.bleeds.select(mature.alias("came_back")).to_series(), event, coached)
    if back is not None and back.coached.select(pl.sum_horizontal("yes_before", "yes_after")).item() >= MIN_COMEBACKS:
        comeback_effect = difference(_changes(back.coached), _changes(back.peers))
        row |= _limited("comebacks_change", "comebacks_lo", "comebacks_hi", comeback_effect)
    return row


def _limited(change: str, lo: str, hi: str, difference: Difference) -> dict[str, float]:
    return {change: difference.change, lo: max(difference.lo, -2.0), hi: min(difference.hi, 2.0)}


@dataclass(frozen=True)
class _BeforeAfter:
    """Counts either side of the day, of the coached one and of the peers."""

    coached: pl.DataFrame
    peers: pl.DataFrame


def _before_after(
    data: BleedData, outcome: pl.Series, event: dict[str, Any], coached: list[str]
) -> _BeforeAfter | None:
    """How often `outcome` (empty where not known) either side of the day; None where there is too little to tell."""
    counts = _counts(data.bleeds.select("technician", "started_at").with_columns(yes=outcome), event["coached_on"])
    own = counts.filter(pl.col("technician") == event["technician"])
    peers = counts.filter(~pl.col("technician").is_in(coached))
    return None if own.is_empty() or peers.height < 2 else _BeforeAfter(own, peers)


def _counts(bleeds: pl.DataFrame, day: dt.date) -> pl.DataFrame:
    """Of technician, started_at and yes: those with enough known on both sides of the day."""
    span = dt.timedelta(days=DAYS_EITHER_SIDE)
    within_span = bleeds.with_columns(day=pl.col("started_at").dt.date())
    within_span = within_span.filter(pl.col("yes").is_not_null(), pl.col("day").is_between(day - span, day + span))
    after, before = pl.col("yes").filter(pl.col("day") > day), pl.col("yes").filter(pl.col("day") < day)
    sides = within_span.group_by("technician").agg(
        yes_before=before.sum(), bleeds_before=before.len(), yes_after=after.sum(), bleeds_after=after.len()
    )
    return sides.filter(pl.min_horizontal("bleeds_before", "bleeds_after") >= MIN_BLEEDS).sort("technician")


def _coached(coaching: pl.DataFrame, event: dict[str, Any]) -> list[str]:
    """Whoever was coached on the same step within those days, the person in question included."""
    within_span = (pl.col("coached_on") - pl.lit(event["coached_on"])).dt.total_days().abs() <= DAYS_EITHER_SIDE
    return coaching.filter(pl.col("step") == event["step"], within_span).get_column("technician").to_list()


def _changes(counts: pl.DataFrame) -> Changes:
    column = {name: counts.get_column(name).to_numpy().astype(float) for name in counts.columns[1:]}
    variance = sum(_variance(column[f"yes_{side}"], column[f"bleeds_{side}"]) for side in ("before", "after"))
    return Changes(
        before=column["yes_before"] / column["bleeds_before"],
        after=column["yes_after"] / column["bleeds_after"],
        variance=np.asarray(variance),
    )


def _variance(missed: FloatArray, bleeds: FloatArray) -> FloatArray:
    """Of a share, one miss and one success added (A. Agresti & B. Caffo 2000, Am. Stat. 54:280-288)."""
    p = (missed + 1) / (bleeds + 2)
    return p * (1 - p) / (bleeds + 2)
