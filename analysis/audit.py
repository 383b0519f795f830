"""The one place that knows the order of the stages: a log in, a Report out."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.costs import bleeds_per_year, cost_of_one, costs
from analysis.followup import (
    EVERY_DAY,
    Covered,
    covered_time,
    ends,
    incidence,
    late_models,
    returns,
    succession,
    weibull,
)
from analysis.hands import HERE, Hands
from analysis.intake import Log
from analysis.order import SEED
from analysis.painter import ready_to_draw
from analysis.people import coaching_effects
from analysis.plan import precise_rate_bleeds, trials, two_arm_bleeds
from analysis.prepared import Prepared, prepared
from analysis.regression import Workers
from analysis.report import Report, Stage
from analysis.stages import (
    MANY,
    credibility_told,
    curves_asked,
    one_thread,
    rates_asked,
    risk_told,
    technique_told,
    without_rows,
)
from analysis.standard import Standard, holds
from analysis.steps import (
    YearlyCost,
    ground_of,
    in_order,
    interactions,
    interactions_told,
    samples_told,
    step_costs,
    what_if,
)


@dataclass
class Clock:
    """Seconds of each stage, those of one begun twice together, and whoever wants to be told when one begins."""

    told: Callable[[str], None] = lambda _: None
    stages: list[Stage] = field(default_factory=list)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        self.told(name)
        began = time.perf_counter()
        yield
        before = sum(one.seconds for one in self.stages if one.name == name)
        self.stages = [one for one in self.stages if one.name != name]
        self.stages.append(Stage(name, before + time.perf_counter() - began))


def audit(
    log: Log,
    standard: Standard,
    *,
    window_days: int | None = None,
    seed: int = SEED,
    covered: Covered = EVERY_DAY,
    names_hidden: bool = False,
    clock: Clock | None = None,
    workers: Workers | None = None,
    hands: Hands = HERE,
) -> Report:
    """Audit a log: rates, holds, steps, and all that follows from them.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    standard
        The procedure they are held against.
    window_days
        The window, days; the standard's own unless given.
    seed
        For everything drawn by lot.
    covered
        The days on which returns were written down.
    names_hidden
        Whether the log's names are codes already.
    clock
        Is told each stage and keeps its seconds.
    workers
        Processes elsewhere that the wide tables of the step costs shall lie on; here unless given.
    hands
        Who may do a stage beside the others, where each keeps to one thread; nobody unless told.
    """
    clock, window = clock or Clock(), window_days or standard.window_days
    hands = hands.carrying(len(log.sessions))
    with one_thread():
        return _audited(log, standard, window, seed, covered, names_hidden, clock, workers, hands)


def _audited(
    log: Log,
    standard: Standard,
    window: int,
    seed: int,
    covered: Covered,
    names_hidden: bool,
    clock: Clock,
    workers: Workers | None,
    hands: Hands,
) -> Report:
    many = len(log.sessions) >= MANY
    if many:  # whoever helps has nothing to do yet
        hands.ask(ready_to_draw)
    with clock.stage("follow up"):
        around = succession(log.sessions)
        found = returns(log, standard, window, around)
        ready = prepared(log, standard, window, covered, found, around)
        one = cost_of_one(ready, found, log.comebacks)
        cost = one.minutes + (one.parts / standard.minute_cost if standard.minute_cost > 0 else 0.0)
        risk_to_come = hands.ask(
            risk_told, without_rows(log), ready, cost, _lot(seed, "risk"), names_hidden, many and hands.beside
        )
        curve = incidence(ready.bleeds)
        life = weibull(ready.bleeds.get_column("days_at_risk").to_numpy().astype(float), ends(ready.bleeds) == 1)
    with clock.stage("rates"):
        rates_to_come = rates_asked(hands, ready, (_lot(seed, "rates"), _lot(seed, "work"), _lot(seed, "months")))
        credibility_to_come = hands.ask(credibility_told, ready)
    with clock.stage("steps"):
        near = hands if workers is None else HERE  # a design that lies with workers is handed to nobody
        step_costed = step_costs(ready, _lot(seed, "steps"), workers)
        technique_to_come = hands.ask(technique_told, ready, step_costed.table)
        ground = ground_of(ready, step_costed.design, _lot(seed, "tolerance"), step_costed.by_return)
        curves_to_come = curves_asked(near, ground)
        if not many:
            hands.ask(ready_to_draw)  # pictures will be asked for next
        declared = interactions(ready, step_costed.design, step_costed.by_return)
        scenarios = what_if(step_costed, YearlyCost(bleeds_per_year(ready), one.minutes, one.parts), _lot(seed, "if"))
        headline = step_costed.layer.name if step_costed.layer else ""
        step_costed = replace(step_costed, design=None, layer=None, by_return=None)  # needed no more, and large
        del ground
    with clock.stage("rates"):  # what nobody has begun is done here, the longest first, before anything is waited for
        rates_to_come.begin()
    with clock.stage("people"):
        credibility_to_come.begin()
        technique_to_come.begin()
        coaching_table = coaching_effects(ready, log.coaching)
    with clock.stage("holds and costs"):
        hold_table = holds(log, standard)
        cost_table = costs(ready, step_costed.table, one)
        trial_table = trials(ready)
    with clock.stage("tolerances"):
        for share in reversed(curves_to_come):
            share.begin()
        curves = in_order([share() for share in curves_to_come])
    with clock.stage("people"):
        technique_table, credibility_table = technique_to_come(), credibility_to_come()
    with clock.stage("rates"):
        rate_table, month_table = rates_to_come()
    with clock.stage("risk"):
        foretold, risk_text = risk_to_come()
    return Report(
        log=log,
        standard=standard,
        as_of=log.as_of,
        window_days=window,
        seed=seed,
        intake=log.intake,
        set_aside=log.set_aside,
        rates=rate_table,
        months=month_table,
        steps=step_costed.table,
        interactions=declared,
        tolerance=curves,
        what_if=scenarios,
        technique=technique_table,
        coaching=coaching_table,
        risk=foretold.risk,
        second_checks=foretold.second_checks,
        model=foretold.model,
        holds=hold_table,
        credibility=credibility_table,
        costs=cost_table,
        trial=trial_table,
        incidence=curve,
        weibull=life,
        comebacks=ready.comebacks,
        too_few=ready.too_few,
        bleeds_per_year=bleeds_per_year(ready),
        ready=ready,
        needed=_needed(ready),
        headline=headline,
        notes=(
            *covered_time(log, covered).words,
            *_wear(ready),
            *step_costed.notes,
            *(samples_told(ready) if headline else ()),
            *interactions_told(declared),
            *foretold.notes,
        ),
        stages=tuple(clock.stages),
        names_hidden=names_hidden,
        model_bytes=foretold.model_bytes,
        risk_text=risk_text,
    )


def _lot(seed: int, stage: str) -> np.random.Generator:
    """A stage's own generator: what one stage draws changes nothing in another."""
    return np.random.default_rng([seed, *stage.encode()])


def _needed(ready: Prepared) -> tuple[str, ...]:
    """How many bleeds it takes, at the shop's own rate, to know it closely and to try a changed procedure."""
    followed = ready.bleeds.select("mature", "came_back").filter("mature").get_column("came_back")
    if followed.is_empty() or not 0 < (rate := float(followed.mean())) < 1:  # type: ignore[arg-type]
        return ()
    close, arm = precise_rate_bleeds(rate, rate / 4), two_arm_bleeds(rate, rate / 2)
    return (
        f"To know a rate near {rate:.1%} to within a quarter of itself: {close:,} bleeds followed "
        f"(this log has {followed.len():,}).",
        f"To try a procedure that would halve it, found four times in five: {math.ceil(arm):,} bleeds in each arm.",
    )


def _wear(ready: Prepared) -> tuple[str, ...]:
    """Models whose returns come late, in words."""
    return tuple(
        f"{late.brake_model} comes back later than other models (shape {late.model.shape:.2f} against "
        f"{late.others.shape:.2f}): that looks like wear-out of a part, not like workmanship."
        for late in late_models(ready.bleeds)
    )
