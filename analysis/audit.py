"""The stages of an audit in order, from a log to a Report."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import cast

import numpy as np
from pandera.typing.polars import DataFrame

from analysis.audit_options import SEED
from analysis.costs import UnitCost, cost_per_comeback, costs
from analysis.dataset import BleedData, bleed_data, bleeds_per_year, fit_data, fit_notes
from analysis.intake import Log
from analysis.monitoring import early_signs, monthly_rates
from analysis.parallel import Executor, SerialExecutor, limit_threads
from analysis.people import add_ranking_sensitivity, coaching_effects, credibility, technique_table
from analysis.plan import bleeds_needed, trials
from analysis.rates import build_case_mix, expected_risk, rates
from analysis.report import (
    Clock,
    FollowUpResults,
    PeopleResults,
    PlanResults,
    RateResults,
    Report,
    RiskResults,
    StepResults,
)
from analysis.risk import assess_risk
from analysis.standard import Standard, holds
from analysis.steps import (
    YearlyCost,
    dose_response_base,
    dose_response_curves,
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
    late_model_notes,
    match_returns,
    observed_period,
    weibull,
)
from schemas.log import Sessions

SERIAL = SerialExecutor()
Notes = tuple[str, ...]


@dataclass(frozen=True)
class AuditSettings:
    """Settings that change the figures of an audit.

    `window_days` is the follow-up window (None: that of the standard), `covered` the days on which returns were recorded,
    `names_hidden` whether the names in the log are codes already.
    """

    window_days: int | None = None
    seed: int = SEED
    covered: ObservationWindow = WHOLE_LOG
    names_hidden: bool = False


def run_audit(
    log: Log,
    standard: Standard,
    *,
    window_days: int | None = None,
    seed: int = SEED,
    observation_window: ObservationWindow = WHOLE_LOG,
    names_hidden: bool = False,
) -> Report:
    """Audit a log: rates, holds, steps, people, risk and plans.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    standard
        The procedure they are compared with.
    window_days
        Follow-up window in days; that of the standard if None.
    seed
        Seed of all random numbers.
    observation_window
        The days on which returns were recorded.
    names_hidden
        Whether the names in the log are codes already.
    """
    return run_stages(log, standard, AuditSettings(window_days, seed, observation_window, names_hidden), Clock())


def run_stages(
    log: Log, standard: Standard, settings: AuditSettings, clock: Clock, executor: Executor = SERIAL
) -> Report:
    """`run_audit` with a clock and an executor for the risk; the results do not depend on the executor."""
    with limit_threads():
        with clock.stage("follow up"):
            followed, unit_cost = run_follow_up(log, standard, settings)
        ready, learned = followed.data, fit_data(followed.data, settings.seed)
        with clock.stage("risk"):
            risk = executor.submit(run_risk, _without_tables(log), ready, unit_cost, settings)
        with clock.stage("rates"):
            rate_results = run_rates(ready, learned, settings.seed)
        with clock.stage("steps"):
            steps, step_notes = run_steps(ready, learned, unit_cost, settings.seed)
        with clock.stage("people"):
            people = PeopleResults(
                technique=technique_table(ready, steps.steps), coaching=coaching_effects(ready, log.coaching)
            )
        with clock.stage("holds and costs"):
            plan = run_plan(log, ready, steps, unit_cost, settings.seed)
        with clock.stage("risk"):
            risk_results = risk.result()
    groups = vars(followed) | vars(rate_results) | vars(steps) | vars(people) | vars(risk_results) | vars(plan)
    return Report(
        log=log,
        standard=standard,
        as_of=log.as_of,
        window_days=ready.window_days,
        seed=settings.seed,
        intake=log.intake,
        set_aside=log.set_aside,
        notes=(
            *(ready.questions or observed_period(log, settings.covered).notes),
            *followed.late_model_notes,
            *step_notes,
        ),
        stages=tuple(clock.stages),
        names_hidden=settings.names_hidden,
        **groups,
    )


def run_follow_up(log: Log, standard: Standard, settings: AuditSettings) -> tuple[FollowUpResults, UnitCost]:
    """Prepare one row per bleed with its follow-up; what one comeback costs."""
    window = settings.window_days or standard.window_days
    neighbours = adjacent_bleeds(log.sessions)
    matched = match_returns(log, standard, window, neighbours)
    ready = bleed_data(log, standard, window, settings.covered, matched, neighbours)
    days_at_risk = ready.bleeds.get_column("days_at_risk").to_numpy().astype(float)
    results = FollowUpResults(
        data=ready,
        comebacks=ready.comebacks,
        small_sample=ready.small_sample,
        bleeds_per_year=bleeds_per_year(ready),
        incidence=incidence(ready.bleeds),
        weibull=weibull(days_at_risk, event_type(ready.bleeds) == 1),
        late_model_notes=late_model_notes(ready.bleeds),
    )
    return results, cost_per_comeback(ready, matched, log.comebacks)


def run_risk(log: Log, data: BleedData, unit_cost: UnitCost, settings: AuditSettings) -> RiskResults:
    """Estimate and evaluate the risk of each bleed; the tables of `log` may be empty."""
    whole = replace(log, sessions=cast("DataFrame[Sessions]", data.bleeds.select(log.sessions.columns)))
    minutes, learned = unit_cost.in_minutes(data.standard), fit_data(data, settings.seed)
    with limit_threads("sklearn"):  # no other stage imports it
        results = assess_risk(whole, data, learned, minutes, names_hidden=settings.names_hidden)
    return RiskResults(
        risk=results.risk, second_checks=results.second_checks, model=results.model, model_bytes=results.model_bytes
    )


def run_rates(data: BleedData, learned: BleedData, seed: int) -> RateResults:
    """Compare groups and months with the comebacks expected for their work; test for unusual recording patterns."""
    work = build_case_mix(data.bleeds)
    expected = expected_risk(data, stage_rng(seed, "work"), case_mix=work)
    return RateResults(
        rates=rates(data, stage_rng(seed, "rates"), work),
        months=monthly_rates(data, expected, stage_rng(seed, "months")),
        early_signs=early_signs(data),
        credibility=add_ranking_sensitivity(learned, credibility(data)),
    )


def run_steps(data: BleedData, learned: BleedData, unit_cost: UnitCost, seed: int) -> tuple[StepResults, Notes]:
    """Estimate what missed steps cost, singly and together, and the risk along each measured reading."""
    costs = step_costs(data, stage_rng(seed, "steps"), learned)
    declared = interactions(learned, costs.design, costs.return_model)
    a_year = YearlyCost(bleeds_per_year(data), unit_cost.minutes, unit_cost.parts)
    results = StepResults(
        steps=costs.table,
        interactions=declared,
        tolerance=dose_response_curves(dose_response_base(learned, costs.design, costs.return_model)),
        what_if=what_if(costs, a_year, stage_rng(seed, "if")),
        combined_estimate=costs.estimate.name if costs.estimate else "",
    )
    return results, (*costs.notes, *(fit_notes(data, learned) if costs.estimate else ()), *interaction_notes(declared))


def run_plan(log: Log, data: BleedData, steps: StepResults, unit_cost: UnitCost, seed: int) -> PlanResults:
    """List recalls, yearly costs, results of trials and the sample sizes still needed."""
    return PlanResults(
        holds=holds(log, data.standard),
        costs=costs(data, steps.steps, unit_cost),
        trial=trials(data, stage_rng(seed, "trial")),
        needed=bleeds_needed(data),
    )


def stage_rng(seed: int, stage: str) -> np.random.Generator:
    """A random generator for each stage, so that the stages do not affect each other."""
    return np.random.default_rng([seed, *stage.encode()])


def _without_tables(log: Log) -> Log:
    """The log with its long tables emptied, so that less is sent to the worker; the risk stage does not need them."""
    long = ("sessions", "comebacks", "passes", "links", "set_aside")
    return replace(log, **{name: getattr(log, name).clear() for name in long}, rejected=())
