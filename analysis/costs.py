"""What comebacks cost per year: all of them, and those each step would prevent."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import DAYS_PER_YEAR, BleedData, bleeds_per_year
from analysis.stats import wilson
from schemas import empty, validate_table
from schemas.intermediate import Returns
from schemas.log import Comebacks
from schemas.outputs import Costs, Steps

ALL = "all re-bleed comebacks"


@dataclass(frozen=True)
class UnitCost:
    """Bench minutes and parts (the shop's currency) of one re-bleed comeback."""

    minutes: float
    parts: float


def cost_per_comeback(data: BleedData, returns: DataFrame[Returns], comebacks: DataFrame[Comebacks]) -> UnitCost:
    """Mean cost over re-bleed returns; the standard's value where a return records none."""
    recorded = returns.join(comebacks.select("comeback_id", "minutes", "parts_cost"), on="comeback_id", how="left")
    default = data.standard.comeback
    mean = recorded.select(
        pl.col("minutes").fill_null(default.minutes), pl.col("parts_cost").fill_null(default.parts_cost)
    ).mean()
    minutes, parts = mean.row(0)
    return UnitCost(default.minutes if minutes is None else minutes, default.parts_cost if parts is None else parts)


def costs(data: BleedData, steps: DataFrame[Steps], unit_cost: UnitCost) -> DataFrame[Costs]:
    """Comebacks per year and their cost: all of them, then each step with an estimate.

    Estimand: the comeback rate of the last year of mature bleeds times bleeds per year, with Wilson limits; for a step,
    preventable_per_100 times bleeds per year, with the step's own limits (the lower one is negative where the step may
    cost nothing). Causes do not add up: two missed steps can contribute to the same comeback.

    Parameters
    ----------
    data
        All accepted bleeds.
    steps
        The ranked steps.
    unit_cost
        Mean cost of one comeback.
    """
    bleeds_yearly = bleeds_per_year(data) if not data.bleeds.is_empty() else 0.0
    mature = data.bleeds.filter("mature")
    last_year = mature.filter(pl.col("age_days") < pl.col("age_days").min() + int(DAYS_PER_YEAR)).get_column(
        "came_back"
    )
    if last_year.is_empty():
        return empty(Costs)
    limits = wilson(int(last_year.sum()), len(last_year))
    estimated = steps.filter(pl.col("preventable_per_100").is_not_null()).sort("rank")
    titles = data.standard.missed_titles
    per_bleed = {
        "comebacks_per_year": [last_year.sum() / len(last_year), *estimated.get_column("preventable_per_100") / 100],
        "comebacks_lo": [limits.lo, *estimated.get_column("lo") / 100],
        "comebacks_hi": [limits.hi, *estimated.get_column("hi") / 100],
    }
    table = (
        pl.DataFrame({"cause": [ALL, *estimated.get_column("step").replace(titles)], **per_bleed})
        .with_columns(pl.col(list(per_bleed)) * bleeds_yearly)
        .with_columns(
            minutes_per_year=pl.col("comebacks_per_year") * unit_cost.minutes,
            parts_per_year=pl.col("comebacks_per_year") * unit_cost.parts,
        )
    )
    return validate_table(Costs, table.select(list(empty(Costs).columns)))
