"""The stages of an audit in order, from a log to a Report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.audit_options import SEED
from analysis.costs import UnitCost, cost_per_comeback, costs
from analysis.dataset import BleedData, bleed_data, bleeds_per_year, fit_data, fit_notes
from analysis.errors import UserError
from analysis.intake import Log
from analysis.lots import FittedReturns, group_columns, lots
from analysis.monitoring import mark_measures, monthly_rates
from analysis.output import read_earlier
from analysis.parallel import Executor, SerialExecutor, limit_threads
from analysis.people import (
    add_ranking_sensitivity,
    coaching_effects,
    credibility,
    learners,
    measure_effects,
    technique_table,
)
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
from analysis.risk import action_results, assess_risk, share_found
from analysis.rounds import EarlierAudit, with_round
from analysis.standard import Standard, built_in, holds
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
from schemas import empty, validate_table
from schemas.intermediate import Incidence
from schemas.log import Measures, Sessions
from schemas.outputs import Costs, Months, Rates

SERIAL = SerialExecutor()
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
    `names_hidden` whether the names in the log are codes already, `since` an earlier audit to compare with.
    """

    window_days: int | None = None
    seed: int = SEED
    covered: ObservationWindow = WHOLE_LOG
    names_hidden: bool = False
    groups: tuple[str, ...] = ()
    since: EarlierAudit | None = None

    def __post_init__(self) -> None:
        if self.window_days is not None and self.window_days < 1:
            raise UserError(
                "the window", f"is {self.window_days} days", "1 or more", "give the days that each bleed is followed"
            )


def run_audit(  # noqa: PLR0913 - the one door, by keyword
    log: Log,
    standard: Standard | None = None,
    *,
    window_days: int | None = None,
    seed: int = SEED,
    observation_window: ObservationWindow = WHOLE_LOG,
    groups: Sequence[str] = (),
    since: str | Path | None = None,
) -> Report:
    """Audit a log: rates, holds, steps, people, risk and plans.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    standard
        The procedure they are compared with; the built-in one if None.
    window_days
        Follow-up window in days; that of the standard if None.
    seed
        Seed of all random numbers.
    observation_window
        The days on which returns were recorded.
    groups
        Columns of the bleeds (fields, or own columns of the map) whose values are compared as lots and kits are.
    since
        The folder of an earlier audit to compare with.

    Raises
    ------
    UserError
        The log is not one, the procedure is not one, the window is shorter than a day, the folder of the earlier audit
        lacks something, or that audit is of a later day.
    """
    if not isinstance(log, Log):
        raise UserError("the log", f"is a {type(log).__name__}", "a Log", "read one: run_audit(read_log(exports))")
    if standard is not None and not isinstance(standard, Standard):
        problem = f"is a {type(standard).__name__}"
        raise UserError("the procedure", problem, "a Standard", "read one with read_standard(path)")
    earlier = None if since is None else read_earlier(since)
    settings = AuditSettings(window_days, seed, observation_window, groups=tuple(groups), since=earlier)
    return run_stages(log, built_in() if standard is None else standard, settings, Clock())


def run_stages(
    log: Log, standard: Standard, settings: AuditSettings, clock: Clock, executor: Executor = SERIAL
) -> Report:
    """`run_audit` with a clock and an executor for the risk; the results do not depend on the executor."""
    with limit_threads():
        with clock.stage("follow up"):
            followed, unit_cost = run_follow_up(log, standard, settings)
        ready, learned = followed.data, fit_data(followed.data, settings.seed)
        with clock.stage("risk"):
            risk = executor.submit(run_risk, _without_tables(log), ready, unit_cost, replace(settings, since=None))
        with clock.stage("rates"):
            rate_results = run_rates(ready, learned, log.measures, settings.seed)
        with clock.stage("steps"):
            steps, step_notes, fitted = run_steps(ready, learned, unit_cost, settings.seed)
            lot_results = lots(ready, group_columns(log, settings.groups), fitted)
        with clock.stage("people"):
            people = PeopleResults(
                technique=technique_table(ready, steps.steps),
                coaching=coaching_effects(ready, log.coaching),
                measure_effects=measure_effects(ready, log.measures),
            )
            rng = stage_rng(settings.seed, "learners")
            learner_results = learners(ready, log.technicians, rate_results.rates, rng)
        with clock.stage("holds and costs"):
            plan = run_plan(log, ready, steps, unit_cost, settings.seed)
        with clock.stage("risk"):
            risk_results = risk.result()
    if not (log.has_comebacks_table or followed.comebacks):
        followed, rate_results, plan = _unknown(followed, rate_results, plan)
    groups = (
        vars(followed)
        | vars(rate_results)
        | vars(steps)
        | vars(lot_results)
        | vars(people)
        | vars(learner_results)
        | vars(risk_results)
        | vars(plan)
    )
    report = Report(
        log=log,
        standard=ready.standard,
        as_of=log.as_of,
        window_days=ready.window_days,
        seed=settings.seed,
        intake=log.intake,
        set_aside=log.set_aside,
        notes=(
            *(ready.questions or observed_period(log, settings.covered).notes),
            *late_model_notes(ready.bleeds),
            *step_notes,
        ),
        stages=tuple(clock.stages),
        names_hidden=settings.names_hidden,
        **groups,
    )
    if settings.since is None:
        return report
    with clock.stage("since"), limit_threads():
        compared = with_round(report, settings.since)
    return replace(compared, stages=tuple(clock.stages))


def run_follow_up(log: Log, standard: Standard, settings: AuditSettings) -> tuple[FollowUpResults, UnitCost]:
    """Prepare one row per bleed with its follow-up; what one comeback costs."""
    window = standard.window_days if settings.window_days is None else settings.window_days
    neighbours = adjacent_bleeds(log.sessions)
    matched = match_returns(log, standard, window, neighbours)
    ready = bleed_data(log, standard, window, settings.covered, matched, neighbours)
    days_at_risk = ready.bleeds.get_column("days_at_risk").to_numpy().astype(float)
    share = share_found(log, ready)
    if share.estimated and share.share is not None:
        check = replace(standard.second_check, sensitivity=share.share)
        ready = replace(ready, standard=replace(standard, second_check=check))
    results = FollowUpResults(
        data=ready,
        action_results=action_results(log, share, standard.second_check.sensitivity),
        comebacks=ready.comebacks,
        small_sample=ready.small_sample,
        bleeds_per_year=bleeds_per_year(ready),
        incidence=incidence(ready.bleeds),
        weibull=weibull(days_at_risk, event_type(ready.bleeds) == 1),
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


def run_rates(data: BleedData, learned: BleedData, measures: DataFrame[Measures], seed: int) -> RateResults:
    """Compare groups and months with the comebacks expected for their work; test for unusual recording patterns."""
    work = build_case_mix(data.bleeds)
    expected = expected_risk(data, stage_rng(seed, "work"), case_mix=work)
    return RateResults(
        rates=rates(data, stage_rng(seed, "rates"), work),
        months=mark_measures(monthly_rates(data, expected, stage_rng(seed, "months")), measures),
        credibility=add_ranking_sensitivity(learned, credibility(data)),
    )


def _unknown(
    followed: FollowUpResults, results: RateResults, plan: PlanResults
) -> tuple[FollowUpResults, RateResults, PlanResults]:
    """The same without rates and costs: where no return was read, a rate of zero would mean nothing."""
    rates, months = (
        table.with_columns(pl.lit(None, pl.Float64).alias(name) for name in names)
        for table, names in ((results.rates, RATE_COLUMNS), (results.months, MONTH_COLUMNS))
    )
    results = replace(results, rates=validate_table(Rates, rates), months=validate_table(Months, months))
    return replace(followed, incidence=empty(Incidence)), results, replace(plan, costs=empty(Costs))


def run_steps(
    data: BleedData, learned: BleedData, unit_cost: UnitCost, seed: int
) -> tuple[StepResults, Notes, FittedReturns | None]:
    """Estimate what missed steps cost, singly and together, and the risk along each measured reading; the fitted model."""
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
    notes = (*costs.notes, *(fit_notes(data, learned) if costs.estimate else ()), *interaction_notes(declared))
    if costs.design is None or costs.return_model is None:
        return results, notes, None
    return results, notes, FittedReturns(learned, costs.design, costs.return_model)


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
