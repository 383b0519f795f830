"""One simulated workshop audited, and the results compared with the truth."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from analysis.dataset import BleedData, bleed_data, data_for_fitting
from analysis.intake import Log, read_log
from analysis.monitoring import monthly_rates
from analysis.prove.scenarios import (
    CHANGES,
    CO_OPERATIVE,
    EQUAL_PEOPLE,
    GROUP_FAMILIES,
    PEOPLE_FAMILIES,
    STEP_FAMILIES,
    UNCHANGED,
    WITH_EFFECTS,
    ProofWorkshop,
)
from analysis.prove.workshop_measures import (
    LastBleedPredictions,
    MeasureOutcome,
    false_confounder_outcomes,
    false_curve_outcomes,
    group_outcomes,
    people_outcomes,
    predict_last_bleeds,
    risk_figures,
    step_outcomes,
)
from analysis.rates import expected_risk, rates
from analysis.standard import built_in
from analysis.steps import step_costs
from analysis.survival import ObservationWindow
from synthetic import (
    SimulatedLog,
    Workshop,
    attainable_risks,
    co_operative,
    scenario_workshop,
    simulate,
    write_simulation,
)

EQUAL_SIGNALLED = "equal technicians: any technician flagged"
MONTH_FOUND = "hazard doubles at 130 bleeds a month: dated to within a month"
CHANGE_INVENTED = "nothing changes: a change is reported"
SCAPEGOAT_CLEARED = "difficult jobs and the highest rate, no worse than peers: not flagged"
EASY_WORK_FOUND = "easy jobs and a low rate, worse than peers: flagged"
HARD, EASY = "hard_work", "easy_work"
"""Kinds of two planted problems of the co-operative."""


@dataclass(frozen=True)
class SimulationResult:
    """The results of one workshop.

    For every step with an estimate: its name, estimate with limits, rank, truth, the estimate from comebacks alone, and
    whether the audit says that it leads to comebacks (`called`); the figures of `risk_figures`, by name; and the
    outcomes of other measures.
    """

    family: str
    sessions: int
    steps: list[str] = field(default_factory=list)
    estimate: list[float] = field(default_factory=list)
    lo: list[float] = field(default_factory=list)
    hi: list[float] = field(default_factory=list)
    rank: list[int] = field(default_factory=list)
    truth: list[float] = field(default_factory=list)
    survival_estimate: list[float] = field(default_factory=list)
    called: list[bool] = field(default_factory=list)
    risk: dict[str, float] = field(default_factory=dict)
    facts: list[MeasureOutcome] = field(default_factory=list)


def audit_simulation(scenario: ProofWorkshop) -> SimulationResult:
    """Simulate one workshop, audit it, and compare the results with the truth."""
    rng = np.random.default_rng(scenario.seed)
    if scenario.family == CO_OPERATIVE:
        return SimulationResult(
            scenario.family, scenario.sessions, facts=_co_operative_outcomes(co_operative(scenario.seed), rng)
        )
    workshop = scenario_workshop(scenario.family, scenario.sessions)
    log = simulate(workshop, scenario.seed)
    if scenario.family == EQUAL_PEOPLE:
        return SimulationResult(
            scenario.family,
            scenario.sessions,
            facts=[MeasureOutcome(EQUAL_SIGNALLED, bool(_technician_signals(_bleed_data(log), rng)))],
        )
    if scenario.family in (CHANGES, UNCHANGED):
        return SimulationResult(scenario.family, scenario.sessions, facts=[_change_outcome(workshop, log, rng)])
    if scenario.family in GROUP_FAMILIES:
        return SimulationResult(
            scenario.family, scenario.sessions, facts=group_outcomes(scenario.family, workshop, _bleed_data(log), rng)
        )
    if scenario.family in PEOPLE_FAMILIES:
        return SimulationResult(
            scenario.family, scenario.sessions, facts=people_outcomes(scenario.family, *_read_log(log), rng)
        )
    if scenario.family in STEP_FAMILIES:
        facts = step_outcomes(scenario.family, _bleed_data(log), log.truth_steps, rng)
        return SimulationResult(scenario.family, scenario.sessions, facts=facts)
    return _step_results(scenario, workshop, log, rng)


def _step_results(
    scenario: ProofWorkshop, workshop: Workshop, log: SimulatedLog, rng: np.random.Generator
) -> SimulationResult:
    bleed_log, data = _read_log(log)
    fitted = data_for_fitting(data, scenario.seed)
    costs = step_costs(data, rng, fitted)
    table = costs.table.filter(pl.col("preventable_per_100").is_not_null())
    compared = table.join(log.truth_steps.select("step", truth="preventable_per_100"), on="step", how="inner").sort(
        "step"
    )
    return SimulationResult(
        scenario.family,
        scenario.sessions,
        steps=compared.get_column("step").to_list(),
        estimate=compared.get_column("preventable_per_100").to_list(),
        lo=compared.get_column("lo").to_list(),
        hi=compared.get_column("hi").to_list(),
        rank=compared.get_column("rank").to_list(),
        truth=compared.get_column("truth").to_list(),
        survival_estimate=compared.get_column("survival_estimate").to_list(),
        called=(compared.get_column("verdict") == "costs_comebacks").to_list(),
        risk=_risk_results(workshop, scenario.seed, log, predict_last_bleeds(bleed_log, data, fitted))
        if scenario.family in WITH_EFFECTS
        else {},
        facts=false_confounder_outcomes(costs)
        if scenario.family in WITH_EFFECTS
        else false_curve_outcomes(fitted, costs),
    )


def _risk_results(
    workshop: Workshop, seed: int, log: SimulatedLog, last: LastBleedPredictions | None
) -> dict[str, float]:
    if last is None:
        return {}
    truth = last.bleeds.to_frame().join(log.truth_bleeds, on="session_id", maintain_order="left", how="left")
    foreseen = attainable_risks(workshop, seed, last.bleeds).get_column("foreseeable_risk").to_numpy()
    return risk_figures(last, truth.get_column("risk").to_numpy(), foreseen)


def _technician_signals(data: BleedData, rng: np.random.Generator) -> dict[str, str]:
    """The signal of each technician who has one."""
    people = rates(data, rng).filter(pl.col("kind") == "technician", pl.col("signal").is_in(["high", "low"]))
    return dict(people.select("group", "signal").iter_rows())


def _co_operative_outcomes(log: SimulatedLog, rng: np.random.Generator) -> list[MeasureOutcome]:
    people = dict(log.truth_planted.filter(pl.col("kind").is_in([HARD, EASY])).select("kind", "subject").iter_rows())
    signals = _technician_signals(_bleed_data(log), rng)
    return [
        MeasureOutcome(SCAPEGOAT_CLEARED, signals.get(people[HARD]) != "high"),
        MeasureOutcome(EASY_WORK_FOUND, signals.get(people[EASY]) == "high"),
    ]


def _change_outcome(workshop: Workshop, log: SimulatedLog, rng: np.random.Generator) -> MeasureOutcome:
    data = _bleed_data(log)
    table = monthly_rates(data, expected_risk(data, rng), rng).filter(pl.col("kind") == "all").sort("month")
    change_months = np.flatnonzero(table.get_column("change_began").to_numpy()) + 1
    if not workshop.changes:
        return MeasureOutcome(CHANGE_INVENTED, len(change_months) > 0)
    return MeasureOutcome(MONTH_FOUND, bool(np.any(np.abs(change_months - workshop.changes[0].month) <= 1)))


def _bleed_data(log: SimulatedLog) -> BleedData:
    return _read_log(log)[1]


def _read_log(log: SimulatedLog) -> tuple[Log, BleedData]:
    with tempfile.TemporaryDirectory() as folder:
        write_simulation(log, Path(folder))
        bleed_log = read_log([folder])
    standard = built_in()
    return bleed_log, bleed_data(bleed_log, standard, standard.window_days, ObservationWindow())
