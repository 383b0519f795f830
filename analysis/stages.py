"""The stages of an audit: each takes bleeds and settings and returns its group of results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, cast

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.audit_options import SEED
from analysis.costs import UnitCost, cost_per_comeback, costs
from analysis.dataset import BleedData, bleed_data, bleeds_per_year, data_for_fitting, fit_notes
from analysis.errors import UserError
from analysis.intake import Log, OwnField
from analysis.lots import LOT_FIELDS, FittedReturns
from analysis.monitoring import early_signs, mark_measures, monthly_rates
from analysis.parallel import SERIAL, Executor, limit_threads
from analysis.people import add_ranking_sensitivity, credibility
from analysis.plan import bleeds_needed_notes, trials
from analysis.rates import build_case_mix, expected_risk, rates
from analysis.report import FollowUpResults, RateResults, RecallAndCostResults, RiskResults, StepResults
from analysis.rounds import EarlierAudit, action_results, share_found
from analysis.standard import Standard, holds
from analysis.steps import (
    YearlyCost,
    dose_response_curves,
    dose_response_inputs,
    fit_steps,
    interaction_notes,
    interactions,
    step_costs,
    what_if,
)
from analysis.survival import (
    WHOLE_LOG,
    ObservationWindow,
    adjacent_bleeds,
    event_type,
    incidence,
    late_brake_model_notes,
    match_returns,
    weibull,
)
from schemas import empty, validate_table
from schemas.intermediate import Incidence
from schemas.log import Measures, Sessions
from schemas.outputs import Comparison, Costs, ModelQuality, Months, Rates, Risk, SecondChecks

RATE_COLUMNS = (
    "rate", "rate_lo", "rate_hi", "incidence", "incidence_lo", "incidence_hi", "expected", "ratio", "ratio_lo", "ratio_hi",
    "shrunk_rate", "shrunk_lo", "shrunk_hi",
)  # fmt: skip
MONTH_COLUMNS = ("rate", "centre", "lower", "upper")
"""Columns that say nothing where no return was read."""
Notes = tuple[str, ...]


@dataclass(frozen=True)
class AuditSettings:
    """Settings that change the figures of an audit.

    `window_days` is the follow-up window (None: that of the standard), `covered` the days on which returns were recorded,
    `names_hidden` whether the names in the log are codes already, `groups` the columns whose values are compared, `since`
    an earlier audit to compare with, `extra` the custom fields to use, `classifiers` those of scikit-learn to compare the
    risk model with, by name.
    """

    window_days: int | None = None
    seed: int = SEED
    covered: ObservationWindow = WHOLE_LOG
    names_hidden: bool = False
    groups: tuple[str, ...] = ()
    since: EarlierAudit | None = None
    extra: tuple[str, ...] = ()
    classifiers: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.window_days is not None and self.window_days < 1:
            raise UserError(
                "the window", f"is {self.window_days} days", "1 or more", "give the days that each bleed is followed"
            )


def run_follow_up(log: Log, standard: Standard, settings: AuditSettings) -> tuple[FollowUpResults, UnitCost]:
    """Prepare one row per bleed with its follow-up; what one comeback costs."""
    window = standard.window_days if settings.window_days is None else settings.window_days
    neighbours = adjacent_bleeds(log.sessions)
    matched = match_returns(log, standard, window, neighbours)
    ready = bleed_data(log, standard, window, settings.covered, matched, neighbours)
    days_at_risk = ready.bleeds.get_column("days_at_risk").to_numpy().astype(float)
    share = share_found(log, ready)
    if share.has_enough_checks and share.share is not None:
        check = replace(standard.second_check, sensitivity=share.share)
        ready = replace(ready, standard=replace(standard, second_check=check))
    ready = replace(ready, extra=select_own_fields(log, settings.extra))
    results = FollowUpResults(
        data=ready,
        action_results=action_results(log, share, standard.second_check.sensitivity),
        comebacks=ready.comebacks,
        small_sample=ready.small_sample,
        bleeds_per_year=bleeds_per_year(ready),
        incidence=incidence(ready.bleeds),
        weibull=weibull(days_at_risk, event_type(ready.bleeds) == 1),
        late_brake_model_notes=late_brake_model_notes(ready.bleeds),
    )
    return results, cost_per_comeback(ready, matched, log.comebacks)


def run_risk(log: Log, data: BleedData, unit_cost: UnitCost, settings: AuditSettings) -> RiskResults:
    """Estimate and evaluate the risk of each bleed; the tables of `log` may be empty."""
    if data.small_sample:
        return RiskResults(
            risk=empty(Risk), second_checks=empty(SecondChecks), model=empty(ModelQuality), comparison=empty(Comparison)
        )
    whole = replace(log, sessions=cast("DataFrame[Sessions]", data.bleeds.select(log.sessions.columns)))
    learned = data_for_fitting(data, settings.seed)
    with limit_threads("sklearn"):  # no other stage imports it
        from analysis.risk import RiskOptions, assess_risk

        share = share_found(log, data)
        faults = share.faults if share.has_enough_checks else 0
        options = RiskOptions(unit_cost.minutes, settings.names_hidden, settings.classifiers, faults)
        results = assess_risk(whole, data, learned, options)
    return RiskResults(**vars(results))


def select_own_fields(log: Log, names: Sequence[str]) -> tuple[OwnField, ...]:
    """Custom fields of the bleeds by name, with or without `own.`; lots and kits, which no feature uses, likewise.

    Raises
    ------
    UserError
        The bleeds have no such field.
    """
    fields = {name: OwnField("sessions", name, "text", "", "context") for name in LOT_FIELDS}
    fields |= {own.name: own for own in log.own_fields if own.table == "sessions"}
    for name in names:
        if name not in fields and f"own.{name}" not in fields:
            available = ", ".join(own.removeprefix("own.") for own in fields if own not in LOT_FIELDS)
            expected = f"one of {available}" if available else "a custom field of the bleeds, declared in the map"
            raise UserError(
                "--extra", f"the bleeds have no custom field {name!r}", expected, "correct the name, or the map"
            )
    return tuple(fields.get(f"own.{name}") or fields[name] for name in dict.fromkeys(names))


def run_rates(data: BleedData, learned: BleedData, measures: DataFrame[Measures], seed: int) -> RateResults:
    """Compare groups and months with the comebacks expected for their work; test for unusual recording patterns."""
    work = build_case_mix(data.bleeds)
    expected = expected_risk(data, stage_rng(seed, "work"), case_mix=work)
    return RateResults(
        rates=rates(data, stage_rng(seed, "rates"), work),
        months=mark_measures(monthly_rates(data, expected, stage_rng(seed, "months")), measures),
        early_signs=early_signs(data),
        credibility=add_ranking_sensitivity(learned, credibility(data)),
    )


def clear_rates_and_costs(
    followed: FollowUpResults, results: RateResults, plan: RecallAndCostResults
) -> tuple[FollowUpResults, RateResults, RecallAndCostResults]:
    """The same without rates and costs: where no return was read, a rate of zero would mean nothing."""
    rates, months = (
        table.with_columns(pl.lit(None, pl.Float64).alias(name) for name in names)
        for table, names in ((results.rates, RATE_COLUMNS), (results.months, MONTH_COLUMNS))
    )
    results = replace(results, rates=validate_table(Rates, rates), months=validate_table(Months, months))
    return replace(followed, incidence=empty(Incidence)), results, replace(plan, costs=empty(Costs))


def run_steps(
    data: BleedData, learned: BleedData, unit_cost: UnitCost, seed: int, executor: Executor = SERIAL
) -> tuple[StepResults, Notes, FittedReturns | None]:
    """Estimate what missed steps cost, singly and together, and the risk along each measured reading; the fitted model."""
    fitted = fit_steps(learned)
    base = None if fitted is None else dose_response_inputs(learned, fitted.design, fitted.return_model)
    curves = executor.submit(dose_response_curves, base)
    costs = step_costs(data, stage_rng(seed, "steps"), learned, fitted=fitted)
    declared = interactions(learned, costs.design, costs.return_model)
    a_year = YearlyCost(bleeds_per_year(data), unit_cost.minutes, unit_cost.parts)
    results = StepResults(
        steps=costs.table,
        interactions=declared,
        tolerance=curves.result(),
        what_if=what_if(costs, a_year, stage_rng(seed, "if")),
        combined_estimate=costs.estimate.name if costs.estimate else "",
    )
    notes = (*costs.notes, *(fit_notes(data, learned) if costs.estimate else ()), *interaction_notes(declared))
    if costs.design is None or costs.return_model is None:
        return results, notes, None
    return results, notes, FittedReturns(learned, costs.design, costs.return_model)


def run_recalls_and_costs(
    log: Log, data: BleedData, steps: StepResults, unit_cost: UnitCost, seed: int
) -> RecallAndCostResults:
    """List recalls, yearly costs, results of trials and the sample sizes still needed."""
    return RecallAndCostResults(
        holds=holds(log, data.standard),
        costs=costs(data, steps.steps, unit_cost),
        trial=trials(data, stage_rng(seed, "trial")),
        needed=bleeds_needed_notes(data),
    )


def stage_rng(seed: int, stage: str) -> np.random.Generator:
    """A random generator for each stage, so that the stages do not affect each other."""
    return np.random.default_rng([seed, *stage.encode()])
