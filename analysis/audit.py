"""The stages of an audit in their order: a log in, a Report out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import cast

import numpy as np
from pandera.typing.polars import DataFrame

from analysis.costs import CostOfOne, cost_of_one, costs
from analysis.followup import (
    EVERY_DAY,
    Covered,
    covered_time,
    ends,
    incidence,
    late_model_notes,
    returns,
    succession,
    weibull,
)
from analysis.intake import Log
from analysis.order import SEED
from analysis.parallel import Executor, SerialExecutor, limit_threads
from analysis.people import coaching_effects, credibility, technique, with_robustness
from analysis.plan import bleeds_needed, trials
from analysis.prepared import Prepared, bleeds_per_year, fit_data, fit_notes, prepared
from analysis.rates import expected_risk, rates, work_of
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
from analysis.risk import risk_found
from analysis.standard import Standard, holds
from analysis.steps import (
    YearlyCost,
    dose_response_base,
    interactions,
    interactions_told,
    step_costs,
    tolerance_curves,
    what_if,
)
from analysis.watch import months
from schemas.log import Sessions

SERIAL = SerialExecutor()
Notes = tuple[str, ...]


@dataclass(frozen=True)
class AuditSettings:
    """What changes the figures of an audit.

    `window_days` (the standard's own if None) is how long a bleed is followed; `covered` holds the days on which
    returns were recorded; `names_hidden` says that the log's names are codes already.
    """

    window_days: int | None = None
    seed: int = SEED
    covered: Covered = EVERY_DAY
    names_hidden: bool = False


def run_audit(
    log: Log,
    standard: Standard,
    *,
    window_days: int | None = None,
    seed: int = SEED,
    covered: Covered = EVERY_DAY,
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
        Days a bleed is followed; the standard's own unless given.
    seed
        Of every random number.
    covered
        The days on which returns were recorded.
    names_hidden
        Whether the log's names are codes already.
    """
    return run_stages(log, standard, AuditSettings(window_days, seed, covered, names_hidden), Clock())


def run_stages(
    log: Log, standard: Standard, settings: AuditSettings, clock: Clock, executor: Executor = SERIAL
) -> Report:
    """As `run_audit`, with a clock; the risk is submitted to the executor, and is the same on any."""
    with limit_threads():
        with clock.stage("follow up"):
            followed, unit_cost = run_follow_up(log, standard, settings)
        ready, learned = followed.ready, fit_data(followed.ready, settings.seed)
        with clock.stage("risk"):
            risk = executor.submit(run_risk, _without_tables(log), ready, unit_cost, settings)
        with clock.stage("rates"):
            rate_results = run_rates(ready, learned, settings.seed)
        with clock.stage("steps"):
            steps, step_notes = run_steps(ready, learned, unit_cost, settings.seed)
        with clock.stage("people"):
            people = PeopleResults(
                technique=technique(ready, steps.steps), coaching=coaching_effects(ready, log.coaching)
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
            *(ready.questions or covered_time(log, settings.covered).words),
            *late_model_notes(ready.bleeds),
            *step_notes,
        ),
        stages=tuple(clock.stages),
        names_hidden=settings.names_hidden,
        **groups,
    )


def run_follow_up(log: Log, standard: Standard, settings: AuditSettings) -> tuple[FollowUpResults, CostOfOne]:
    """Prepare one row per bleed with its follow-up; what one comeback costs."""
    window = settings.window_days or standard.window_days
    neighbours = succession(log.sessions)
    matched = returns(log, standard, window, neighbours)
    ready = prepared(log, standard, window, settings.covered, matched, neighbours)
    days_at_risk = ready.bleeds.get_column("days_at_risk").to_numpy().astype(float)
    results = FollowUpResults(
        ready=ready,
        comebacks=ready.comebacks,
        too_few=ready.too_few,
        bleeds_per_year=bleeds_per_year(ready),
        incidence=incidence(ready.bleeds),
        weibull=weibull(days_at_risk, ends(ready.bleeds) == 1),
    )
    return results, cost_of_one(ready, matched, log.comebacks)


def run_risk(log: Log, ready: Prepared, unit_cost: CostOfOne, settings: AuditSettings) -> RiskResults:
    """Each bleed's risk; `log` may be `_without_tables`."""
    whole = replace(log, sessions=cast("DataFrame[Sessions]", ready.bleeds.select(log.sessions.columns)))
    minutes, learned = unit_cost.in_minutes(ready.standard), fit_data(ready, settings.seed)
    with limit_threads("sklearn"):  # imported by no other stage
        found = risk_found(whole, ready, learned, minutes, names_hidden=settings.names_hidden)
    return RiskResults(
        risk=found.risk, second_checks=found.second_checks, model=found.model, model_bytes=found.model_bytes
    )


def run_rates(ready: Prepared, learned: Prepared, seed: int) -> RateResults:
    """Compare groups and months with what the same work would give; test whether the log can be believed."""
    work = work_of(ready.bleeds)
    expected = expected_risk(ready, stage_rng(seed, "work"), work=work)
    return RateResults(
        rates=rates(ready, stage_rng(seed, "rates"), work),
        months=months(ready, expected, stage_rng(seed, "months")),
        credibility=with_robustness(learned, credibility(ready)),
    )


def run_steps(ready: Prepared, learned: Prepared, unit_cost: CostOfOne, seed: int) -> tuple[StepResults, Notes]:
    """Estimate what each missed step costs, alone, together, and along each measured reading."""
    found = step_costs(ready, stage_rng(seed, "steps"), learned)
    declared = interactions(learned, found.design, found.by_return)
    a_year = YearlyCost(bleeds_per_year(ready), unit_cost.minutes, unit_cost.parts)
    results = StepResults(
        steps=found.table,
        interactions=declared,
        tolerance=tolerance_curves(dose_response_base(learned, found.design, found.by_return)),
        what_if=what_if(found, a_year, stage_rng(seed, "if")),
        headline=found.layer.name if found.layer else "",
    )
    return results, (*found.notes, *(fit_notes(ready, learned) if found.layer else ()), *interactions_told(declared))


def run_plan(log: Log, ready: Prepared, steps: StepResults, unit_cost: CostOfOne, seed: int) -> PlanResults:
    """List bleeds to call back, yearly costs, the results of trials and their sizes."""
    return PlanResults(
        holds=holds(log, ready.standard),
        costs=costs(ready, steps.steps, unit_cost),
        trial=trials(ready, stage_rng(seed, "trial")),
        needed=bleeds_needed(ready),
    )


def stage_rng(seed: int, stage: str) -> np.random.Generator:
    """A generator for each stage: what one stage draws changes nothing in another."""
    return np.random.default_rng([seed, *stage.encode()])


def _without_tables(log: Log) -> Log:
    """The log without its long tables, which the prepared bleeds hold already or the risk does not need."""
    long = ("sessions", "comebacks", "passes", "links", "set_aside")
    return replace(log, **{name: getattr(log, name).clear() for name in long}, rejected=())
