"""One simulated workshop audited, and what the audit said set beside what is true."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from analysis.followup import Covered
from analysis.intake import Log, read_log
from analysis.prepared import Prepared, fit_data, prepared
from analysis.prove.groups import Fact, group_facts
from analysis.prove.people_facts import people_facts
from analysis.prove.risks import LastBleeds, last_bleeds, risk_figures
from analysis.prove.worlds import (
    CHANGES,
    CHANGES_NOT,
    CO_OPERATIVE,
    EQUAL_PEOPLE,
    GROUP_FAMILIES,
    PEOPLE_FAMILIES,
    WITH_EFFECTS,
    World,
)
from analysis.rates import expected_risk, rates
from analysis.standard import built_in
from analysis.steps import step_costs
from analysis.watch import months
from synthetic import Made, Workshop, co_operative, family, foreseeable, made, write_made

EQUAL_SIGNALLED = "people equal: any gets a signal"
MONTH_FOUND = "hazard doubles at 130 bleeds a month: its month named within one"
CHANGE_INVENTED = "nothing changes: a change is named"
SCAPEGOAT_CLEARED = "hard work and the worst percentage, no worse than peers: no signal"
EASY_WORK_FOUND = "easy work and a good percentage, worse than peers: found"
HARD, EASY = 1, 2
"""Numbers of the two stories of the co-operative."""


@dataclass(frozen=True)
class Held:
    """What came of one world.

    For every step told, in one order: its name, estimate with limits, rank, truth, the estimate by return alone, and
    whether it was called; the figures of `risk_figures`, by their names; and the facts of other measures.
    """

    family: str
    sessions: int
    steps: list[str] = field(default_factory=list)
    estimate: list[float] = field(default_factory=list)
    lo: list[float] = field(default_factory=list)
    hi: list[float] = field(default_factory=list)
    rank: list[int] = field(default_factory=list)
    truth: list[float] = field(default_factory=list)
    by_return: list[float] = field(default_factory=list)
    called: list[bool] = field(default_factory=list)
    risk: dict[str, float] = field(default_factory=dict)
    facts: list[Fact] = field(default_factory=list)


def held(world: World) -> Held:
    """Make one workshop, audit it, and set what it says beside the truth."""
    rng = np.random.default_rng(world.seed)
    if world.family == CO_OPERATIVE:
        return Held(world.family, world.sessions, facts=_people_facts(co_operative(world.seed), rng))
    workshop = family(world.family, world.sessions)
    log = made(workshop, world.seed)
    if world.family == EQUAL_PEOPLE:
        return Held(world.family, world.sessions, facts=[Fact(EQUAL_SIGNALLED, bool(_signals(_ready(log), rng)))])
    if world.family in (CHANGES, CHANGES_NOT):
        return Held(world.family, world.sessions, facts=[_change_fact(workshop, log, rng)])
    if world.family in GROUP_FAMILIES:
        return Held(world.family, world.sessions, facts=group_facts(world.family, workshop, _ready(log), rng))
    if world.family in PEOPLE_FAMILIES:
        return Held(world.family, world.sessions, facts=people_facts(world.family, *_read(log), rng))
    return _steps(world, workshop, log, rng)


def _steps(world: World, workshop: Workshop, log: Made, rng: np.random.Generator) -> Held:
    read, ready = _read(log)
    learned = fit_data(ready, world.seed)
    table = step_costs(ready, rng, learned).table.filter(pl.col("preventable_per_100").is_not_null())
    told = table.join(log.truth_steps.select("step", truth="preventable_per_100"), on="step", how="inner").sort("step")
    return Held(
        world.family,
        world.sessions,
        steps=told.get_column("step").to_list(),
        estimate=told.get_column("preventable_per_100").to_list(),
        lo=told.get_column("lo").to_list(),
        hi=told.get_column("hi").to_list(),
        rank=told.get_column("rank").to_list(),
        truth=told.get_column("truth").to_list(),
        by_return=told.get_column("by_return").to_list(),
        called=(told.get_column("verdict") == "costs_comebacks").to_list(),
        risk=_risk(workshop, world.seed, log, last_bleeds(read, ready, learned))
        if world.family in WITH_EFFECTS
        else {},
    )


def _risk(workshop: Workshop, seed: int, made_log: Made, last: LastBleeds | None) -> dict[str, float]:
    if last is None:
        return {}
    truth = last.bleeds.to_frame().join(made_log.truth_bleeds, on="session_id", maintain_order="left", how="left")
    foreseen = foreseeable(workshop, seed, last.bleeds).get_column("foreseeable_risk").to_numpy()
    return risk_figures(last, truth.get_column("risk").to_numpy(), foreseen)


def _signals(ready: Prepared, rng: np.random.Generator) -> dict[str, str]:
    """Technicians with a signal, and which."""
    people = rates(ready, rng).filter(pl.col("kind") == "technician", pl.col("signal").is_in(["high", "low"]))
    return dict(people.select("group", "signal").iter_rows())


def _people_facts(log: Made, rng: np.random.Generator) -> list[Fact]:
    who = dict(log.truth_stories.filter(pl.col("story").is_in([HARD, EASY])).select("story", "who").iter_rows())
    signals = _signals(_ready(log), rng)
    return [
        Fact(SCAPEGOAT_CLEARED, signals.get(who[HARD]) != "high"),
        Fact(EASY_WORK_FOUND, signals.get(who[EASY]) == "high"),
    ]


def _change_fact(workshop: Workshop, log: Made, rng: np.random.Generator) -> Fact:
    ready = _ready(log)
    table = months(ready, expected_risk(ready, rng), rng).filter(pl.col("kind") == "all").sort("month")
    began = np.flatnonzero(table.get_column("change_began").to_numpy()) + 1
    if not workshop.changes:
        return Fact(CHANGE_INVENTED, len(began) > 0)
    return Fact(MONTH_FOUND, bool(np.any(np.abs(began - workshop.changes[0].month) <= 1)))


def _ready(log: Made) -> Prepared:
    return _read(log)[1]


def _read(log: Made) -> tuple[Log, Prepared]:
    with tempfile.TemporaryDirectory() as folder:
        write_made(log, Path(folder))
        read = read_log([folder])
    standard = built_in()
    return read, prepared(read, standard, standard.window_days, Covered())
