"""Changes in a workshop: whether misses and comebacks fell after one, against workshops without it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.people.before_after import (
    CHOICE_DAYS,
    DAYS_EITHER_SIDE,
    PeriodVariance,
    ShareChanges,
    before_after_counts,
    difference,
    estimate_period_variance,
    share_changes,
)
from analysis.people.coaching import CLEAR_Q
from analysis.stats import Z95, benjamini_hochberg
from schemas import empty, validate_table
from schemas.log import Measures
from schemas.outputs import MeasureEffects

EARLY_DAYS = 30
MIN_COMEBACKS = 10
"""Fewest comebacks on both sides together of a workshop whose comebacks are compared."""


@dataclass(frozen=True)
class _Outcome:
    """One outcome: its name, the least number of bleeds with it, and each bleed's shop, start and whether it has it.

    `alike` are outcomes that are taken to vary as much by themselves.
    """

    name: str
    minimum: int
    bleeds: pl.DataFrame = field(repr=False)
    alike: list[pl.DataFrame] = field(repr=False)


def measure_effects(data: BleedData, measures: DataFrame[Measures]) -> DataFrame[MeasureEffects]:
    """Estimate what each change in a workshop changed.

    Estimand: the share of bleeds with the outcome in the half year after the first day, minus that in the half year that
    ended a quarter before it, minus the mean change in workshops that changed nothing on the same step in that time. The
    quarter before is left out because a bad quarter is often the reason for a change (`before_after.difference`). Workshops
    also drift without any change; how much is estimated around days on which nothing began, and widens the interval.
    Outcomes: the step missed, a comeback within the window, a comeback within 30 days. With a single workshop, a change in
    all of them, or too few such days, only before and after are compared, and no change is called clear. `q_value`
    controls false discoveries over all rows (Benjamini & Hochberg 1995).

    Parameters
    ----------
    measures
        Changes; an empty shop means all workshops.
    """
    rows = []
    for event in measures.select("began_on", "what", "shop", "step").unique().iter_rows(named=True):
        rows += [event | _effect_row(outcome, measures, event) for outcome in _list_outcomes(data, event["step"])]
    table = pl.DataFrame(rows, schema=empty(MeasureEffects).schema)
    q_value = pl.Series(benjamini_hochberg(table.get_column("p_value").fill_null(np.nan).to_numpy())).fill_nan(None)
    table = table.with_columns(q_value=q_value, clear=q_value <= CLEAR_Q)
    return validate_table(MeasureEffects, table.sort("began_on", "what", "shop", "outcome"))


def _list_outcomes(data: BleedData, step: str | None) -> list[_Outcome]:
    days, observed = pl.col("return_days"), pl.col("observed_days")
    early = pl.when(observed >= EARLY_DAYS).then((days <= EARLY_DAYS).fill_null(False))
    bleeds = data.bleeds.select(
        "started_at",
        shop=pl.col("shop").fill_null("not recorded"),
        comebacks=pl.when("mature").then("came_back"),
        early_comebacks=early,
    )
    outcomes = []
    for name in ("comebacks", "early_comebacks"):
        own = bleeds.select("shop", "started_at", yes=name)
        outcomes.append(_Outcome(name, MIN_COMEBACKS, own, [own]))
    if step not in data.missed.columns[1:]:
        return outcomes
    steps = {
        one.name: bleeds.select("shop", "started_at").with_columns(yes=one) for one in data.missed.drop("session_id")
    }
    return [_Outcome("missed", 0, steps[str(step)], list(steps.values())), *outcomes]


def _effect_row(outcome: _Outcome, measures: pl.DataFrame, event: dict[str, Any]) -> dict[str, Any]:
    """One row, without q-value."""
    row: dict[str, Any] = {"outcome": outcome.name, "comparison": "too_few"}
    counts = before_after_counts(_group_by_workshop(outcome, event["shop"]), event["began_on"], "shop")
    own = counts if event["shop"] is None else counts.filter(pl.col("shop") == event["shop"])
    if own.is_empty() or own.select(pl.sum_horizontal("yes_before", "yes_after")).sum().item() < outcome.minimum:
        return row
    if event["shop"] is None:
        own = own.select(pl.lit("").alias("shop"), pl.exclude("shop").sum())
    others = counts.filter(~pl.col("shop").is_in(_changing_shops(measures, event)))
    change = share_changes(own)
    row |= {"before": float(change.before[0]), "after": float(change.after[0])}
    row |= {f"bleeds_{side}": own.get_column(f"bleeds_{side}").item() for side in ("before", "after")}
    alike = outcome.alike if event["shop"] is not None else [one.with_columns(shop=pl.lit("")) for one in outcome.alike]
    wander = estimate_period_variance(
        alike, "shop", lambda _, day: _changing_shops(measures, event | {"began_on": day, "shop": None})
    )
    if wander is None or event["shop"] is None or others.is_empty():
        return row | _before_after_columns(change, wander)
    effect = difference(change, share_changes(others), wander)
    return row | {
        "comparison": "other_workshops",
        "change": effect.change,
        "lo": max(effect.lo, -2.0),
        "hi": min(effect.hi, 2.0),
        "others_change": effect.peers_change,
        "p_value": effect.p_value,
    }


def _group_by_workshop(outcome: _Outcome, shop: str | None) -> pl.DataFrame:
    """The bleeds by workshop; for a change in all of them, those of all together."""
    return outcome.bleeds if shop is not None else outcome.bleeds.with_columns(shop=pl.lit(""))  # no workshop's name


def _before_after_columns(change: ShareChanges, wander: PeriodVariance | None) -> dict[str, Any]:
    """Before and after only; without days that show how workshops vary by themselves, the interval is that of the counts."""
    own = float(change.change[0])
    between = 0.0 if wander is None else wander.variance
    half = Z95 * float(change.variance[0] + between * change.slope[0] ** 2) ** 0.5
    comparison = "too_few_days" if wander is None else "before_after"
    return {"comparison": comparison, "change": own, "lo": max(own - half, -2.0), "hi": min(own + half, 2.0)}


def _changing_shops(measures: pl.DataFrame, event: dict[str, Any]) -> list[str]:
    """Workshops with a change on the same step (or on no step) within those days, the one in question among them."""
    since = (pl.col("began_on") - pl.lit(event["began_on"])).dt.total_days()
    recent = since.is_between(-CHOICE_DAYS - DAYS_EITHER_SIDE, DAYS_EITHER_SIDE)
    about = pl.col("step").is_null() | pl.lit(event["step"] is None) | pl.col("step").eq_missing(event["step"])
    rows = measures.filter(recent, about)
    return [name for name in (event["shop"], *rows.get_column("shop")) if name]
