"""One row per bleed: the log with follow-up, workload and missed steps, from which everything is estimated."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake import Log, OwnField
from analysis.standard import Standard, missed_steps
from analysis.stats import FIT_LIMIT, is_in_fit_sample
from analysis.survival import (
    WHOLE_LOG,
    ObservationWindow,
    add_follow_up,
    adjacent_bleeds,
    days_to_other_returns,
    exclude_recording_gaps,
    match_returns,
    workload,
)
from schemas import validate_table
from schemas.intermediate import MissedSteps, Returns

CASE_MIX = ("brake", "hose_route", "job_reason", "fluid_required", "bike_kind", "fluid_out")
CASE_MIX_NUMBERS = ("hose_mm", "shop_temp_c", "lever_travel_before_mm", "piston_pairs")
"""The kind of work, known before anyone starts on it: the fields, with the brake model, that comparisons adjust for."""
CONTEXT_CATEGORIES = (*CASE_MIX, "shop")
DAYS_PER_YEAR, MIN_DAYS = 365.25, 30
MIN_COMEBACKS = 40
"""With fewer matched re-bleed comebacks than this, at any age, nothing is estimated, ranked or predicted."""


@dataclass(frozen=True)
class BleedData:
    """All accepted bleeds.

    `bleeds` is sorted by session_id and has every column of `schemas.log.Sessions` (empty where not recorded),
    `schemas.intermediate.Followed` and `schemas.intermediate.Workload`, and `other_return_days`, to the first return
    for pads, noise, drag or wear (empty if none). `missed` has the same rows in the same order:
    session_id, then one Boolean column per step of `standard` (true missed, false met, empty not recorded).
    `extra` are custom fields that enter the risk model; those with the role context also adjust the steps. `questions` ask
    about gaps in the recording of returns, `in_question` names the shops they are about.
    """

    bleeds: pl.DataFrame
    missed: DataFrame[MissedSteps]
    standard: Standard
    as_of: dt.date
    window_days: int
    questions: tuple[str, ...] = ()
    in_question: frozenset[str] = frozenset()
    extra: tuple[OwnField, ...] = ()

    @property
    def own_field_names(self) -> tuple[str, ...]:
        return tuple(own.name for own in self.extra)

    @property
    def comebacks(self) -> int:
        """Number of bleeds with a matched re-bleed comeback at any age."""
        return self.bleeds.get_column("return_days").count()

    @property
    def small_sample(self) -> bool:
        """Whether there are too few comebacks to estimate, rank or predict anything."""
        return self.comebacks < MIN_COMEBACKS


def bleed_data(
    log: Log,
    standard: Standard,
    window_days: int,
    observation_window: ObservationWindow = WHOLE_LOG,
    returns: DataFrame[Returns] | None = None,
    adjacent: pl.DataFrame | None = None,
) -> BleedData:
    """Join the log's bleeds with their follow-up, workload and missed steps.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    standard
        The procedure that decides missed steps and comebacks.
    window_days
        Length of the window in days.
    observation_window
        The days on which returns were recorded, as far as known; gaps in the log narrow them further.
    returns
        `match_returns(log, standard, window_days)`, if already computed.
    adjacent
        `adjacent_bleeds(log.sessions)`, if already computed.
    """
    adjacent = adjacent_bleeds(log.sessions) if adjacent is None else adjacent
    returns = match_returns(log, standard, window_days, adjacent) if returns is None else returns
    observation_window = exclude_recording_gaps(log, returns, adjacent, observation_window)
    tables = (add_follow_up(log, standard, window_days, observation_window, returns, adjacent), workload(log))
    columns = [column for table in tables for column in table.drop("session_id", "started_at", strict=False)]
    bleeds = log.sessions.sort("session_id").hstack(columns)
    bleeds = bleeds.join(days_to_other_returns(log, standard), on="session_id", how="left", maintain_order="left")
    return BleedData(
        bleeds,
        missed_steps(log, standard),
        standard,
        log.as_of,
        window_days,
        observation_window.questions,
        observation_window.in_question,
    )


def per_year(bleeds: pl.Expr, days: pl.Expr) -> pl.Expr:
    """Bleeds per year, from a count and the days from the first bleed to the as-of date, taken as 30 at least."""
    return bleeds * DAYS_PER_YEAR / pl.max_horizontal(days, pl.lit(MIN_DAYS))


def bleeds_per_year(data: BleedData) -> float:
    """Bleeds per year over the time from the first bleed to the as-of date, taken as 30 days at least."""
    return float(data.bleeds.select(per_year(pl.len(), pl.col("age_days").max())).item())


def data_for_fitting(data: BleedData, seed: int, limit: int = FIT_LIMIT) -> BleedData:
    """The bleeds that models are fitted to: all of them, or whole bikes up to `limit` bleeds (`stats.is_in_fit_sample`).

    Parameters
    ----------
    data
        All accepted bleeds.
    seed
        Seed for choosing bikes.
    limit
        Largest number of bleeds.
    """
    chosen = is_in_fit_sample(data.bleeds.get_column("bike_id"), limit, seed)
    if chosen.all():
        return data
    missed = validate_table(MissedSteps, data.missed.filter(chosen))
    return replace(data, bleeds=data.bleeds.filter(chosen), missed=missed)


def fit_notes(data: BleedData, learned: BleedData) -> tuple[str, ...]:
    """A note on how many bleeds the models were fitted to; empty if to all."""
    bleeds, used = len(data.bleeds), len(learned.bleeds)
    if used == bleeds:
        return ()
    return (
        f"Models were fitted to {used:,} of the {bleeds:,} bleeds: whole bikes, chosen at random. Counts use every "
        "bleed, and every bleed has a risk. The intervals of the steps are about "
        f"{(bleeds / used) ** 0.5:.1f} times as wide as if all bleeds were used.",
    )
