"""The one prepared table a bleed that the estimating rooms take: the log, its follow-up and its steps, row by row."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake import Log
from analysis.standard import Standard, missed_steps
from analysis.stats import FIT_LIMIT, fit_sample
from analysis.survival import (
    WHOLE_LOG,
    ObservationWindow,
    add_follow_up,
    adjacent_bleeds,
    match_returns,
    with_silences,
    workload,
)
from schemas import validate_table
from schemas.intermediate import MissedSteps, Returns

CASE_MIX = ("brake", "hose_route", "job_reason", "fluid_required", "bike_kind", "fluid_out")
CASE_MIX_NUMBERS = ("hose_mm", "shop_temp_c", "lever_travel_before_mm", "piston_pairs")
"""What a job is before anyone works on it, apart from the brake model: the fields that comparisons are adjusted for."""
CONTEXT_CATEGORIES = (*CASE_MIX, "shop")
MIN_COMEBACKS = 40
"""Fewer linked re-bleed comebacks than this, at any age, and nothing is estimated, ranked or predicted."""


@dataclass(frozen=True)
class BleedData:
    """All accepted bleeds, ready to be estimated from.

    `bleeds` is sorted by session_id and holds every column of `schemas.log.Sessions` (empty where not recorded),
    of `schemas.intermediate.Followed` (age_days, observed_days, mature, return_days, next_bleed_days, days_at_risk, end, came_back,
    month) and of `schemas.intermediate.Workload` (bleeds_that_day, place_in_day). `missed` has the same rows in the same
    order: session_id, then one Boolean column a step of `standard` (true missed, false met, empty not recorded).
    `questions` are those that a silence of the log raises, `in_question` the shops they are about.
    """

    bleeds: pl.DataFrame
    missed: DataFrame[MissedSteps]
    standard: Standard
    as_of: dt.date
    window_days: int
    questions: tuple[str, ...] = ()
    in_question: frozenset[str] = frozenset()

    @property
    def comebacks(self) -> int:
        """Bleeds with a linked re-bleed return at any age."""
        return self.bleeds.get_column("return_days").count()

    @property
    def small_sample(self) -> bool:
        """Whether there are too few comebacks for any estimate, rank or risk."""
        return self.comebacks < MIN_COMEBACKS


def bleed_data(
    log: Log,
    standard: Standard,
    window_days: int,
    observation_window: ObservationWindow = WHOLE_LOG,
    returns: DataFrame[Returns] | None = None,
    adjacent: pl.DataFrame | None = None,
) -> BleedData:
    """The log's bleeds beside their follow-up, workload and steps.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    standard
        The procedure they are held against.
    window_days
        The window, days.
    observation_window
        The days on which returns were recorded, as far as known; a silence of the log limits them further.
    returns
        `returns(log, standard, window_days)`, where the caller has it already.
    adjacent
        `succession(log.sessions)`, where the caller has it already.
    """
    adjacent = adjacent_bleeds(log.sessions) if adjacent is None else adjacent
    returns = match_returns(log, standard, window_days, adjacent) if returns is None else returns
    observation_window = with_silences(log, returns, adjacent, observation_window)
    same_rows = (add_follow_up(log, standard, window_days, observation_window, returns, adjacent), workload(log))
    columns = [column for table in same_rows for column in table.drop("session_id", "started_at", strict=False)]
    bleeds = log.sessions.sort("session_id").hstack(columns)
    return BleedData(
        bleeds,
        missed_steps(log, standard),
        standard,
        log.as_of,
        window_days,
        observation_window.questions,
        observation_window.in_question,
    )


DAYS_A_YEAR, MIN_DAYS = 365.25, 30


def yearly(bleeds: pl.Expr, days: pl.Expr) -> pl.Expr:
    """Bleeds a year, from a number of bleeds and the days between the first and the as-of date, at least a month."""
    return bleeds * DAYS_A_YEAR / pl.max_horizontal(days, pl.lit(MIN_DAYS))


def bleeds_per_year(data: BleedData) -> float:
    """From the first bleed to the as-of date, at least a month."""
    return float(data.bleeds.select(yearly(pl.len(), pl.col("age_days").max())).item())


def fit_data(data: BleedData, seed: int, limit: int = FIT_LIMIT) -> BleedData:
    """The bleeds that models learn from: all of them, or whole bikes up to `limit` bleeds (`stats.fit_sample`).

    Parameters
    ----------
    prepared
        All accepted bleeds.
    seed
        Chooses the bikes.
    limit
        Bleeds at most.
    """
    chosen = fit_sample(data.bleeds.get_column("bike_id"), limit, seed)
    if chosen.all():
        return data
    missed = validate_table(MissedSteps, data.missed.filter(chosen))
    return replace(data, bleeds=data.bleeds.filter(chosen), missed=missed)


def fit_notes(data: BleedData, learned: BleedData) -> tuple[str, ...]:
    """A sentence that says from how many bleeds models were fitted; none where from all."""
    bleeds, used = len(data.bleeds), len(learned.bleeds)
    if used == bleeds:
        return ()
    return (
        f"Models were fitted to {used:,} of the {bleeds:,} bleeds: whole bikes, chosen at random. Counts use every bleed, "
        f"and every bleed has its risk. The intervals of the steps are about {(bleeds / used) ** 0.5:.1f} times as wide as "
        "all bleeds would make them.",
    )
