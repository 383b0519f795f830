"""The co-operative: three workshops for cargo bikes and hire fleets, with eight planted problems for the demo; and what it
made of last month's list of recalls and second checks.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import astuple, dataclass, replace
from pathlib import Path

import numpy as np
import polars as pl

from synthetic.simulate import PLANTED_COLUMNS, SimulatedLog, simulate
from synthetic.workshop import Change, Habit, Lesson, StepTruth, Workshop

HARD_WORK, EASY_WORK = "Wren", "Juniper"
LEARNT, DID_NOT_LEARN = "Alder", "Cinder"
COPIES, ROUNDS = "Dace", "Fennel"
CHANGED_SHOP, CHANGED_MONTH, CHANGED_STEP = "Velmoor", 19, "purge"
WEARING_MODEL = "Schist 2"
COSTLY_STEPS, ARGUED_STEPS = ("purge", "cycles", "clear_finish"), ("reach", "caliper_fill")
COACHED_MONTH = 14
WRONG_FLUIDS, WRONG_KITS = 6, 5


@dataclass(frozen=True)
class PlantedProblem:
    """One planted problem: its kind, the person, workshop, model or steps concerned, the month it began, a description."""

    kind: str
    subject: str
    month: int | None
    description: str


PLANTED_PROBLEMS = (
    PlantedProblem(
        "hard_work",
        HARD_WORK,
        None,
        "highest unadjusted comeback rate, but only because of difficult jobs (internal rear hoses)",
    ),
    PlantedProblem(
        "easy_work", EASY_WORK, None, "low unadjusted comeback rate, but more comebacks than peers doing similar work"
    ),
    PlantedProblem("costly_steps", " ".join(COSTLY_STEPS), None, "missing these steps leads to comebacks"),
    PlantedProblem(
        "harmless_steps",
        " ".join(ARGUED_STEPS),
        None,
        "staff argue about these; by design, missing them makes no difference",
    ),
    PlantedProblem("change", CHANGED_SHOP, CHANGED_MONTH, "stopped purging its kit"),
    PlantedProblem("coaching_worked", LEARNT, COACHED_MONTH, "coached on push-pull passes and improved"),
    PlantedProblem(
        "coaching_failed", DID_NOT_LEARN, COACHED_MONTH, "coached on vacuum at the lever and did not improve"
    ),
    PlantedProblem("copied_entries", COPIES, None, "copies entries from earlier bleeds"),
    PlantedProblem("rounded_readings", ROUNDS, None, "rounds every reading"),
    PlantedProblem(
        "wrong_fluids", "recalls", None, f"{WRONG_FLUIDS} with the wrong type of fluid, {WRONG_KITS} with the wrong kit"
    ),
    PlantedProblem("soft_levers", "recalls", None, "some went out with a soft lever"),
    PlantedProblem("late_wear", WEARING_MODEL, None, "seals fail late: wear, not workmanship"),
)

CO_OPERATIVE = Workshop(
    sessions=6000,
    months=30,
    as_of=dt.date(2026, 6, 30),
    shops=("Tarnholt", "Velmoor", "Quay Street"),
    technicians=14,
    base_rate=0.052,
    habits=(
        Habit(HARD_WORK, skill=0.0, taste=7.0, plain=True),
        Habit(EASY_WORK, skill=1.2, taste=-6.0, plain=True),
        Habit(LEARNT, skill=0.0, taste=0.0, plain=True, sloppy=(("cycles", 2.3),)),
        Habit(DID_NOT_LEARN, skill=0.0, taste=0.0, plain=True, sloppy=(("lever_vacuum", 2.3),)),
        Habit(COPIES, skill=0.0, taste=0.0, recorder="copier", plain=True),
        Habit(ROUNDS, skill=0.0, taste=0.0, recorder="rounder", plain=True),
    ),
    skill_sd=0.05,
    habit_sd=0.2,
    confounding=0.8,
    taste_sd=0.2,
    pace_spread=0.15,
    case_mix=3.2,
    difficulty_misses=0.0,
    changes=(Change(CHANGED_MONTH, 2.8, shop=CHANGED_SHOP, step=CHANGED_STEP),),
    lessons=(Lesson(LEARNT, "cycles", COACHED_MONTH, -3.0), Lesson(DID_NOT_LEARN, "lever_vacuum", COACHED_MONTH, 0.0)),
    wearing_model=WEARING_MODEL,
    wear_days=520.0,
    wrong_fluids=WRONG_FLUIDS,
    wrong_kits=WRONG_KITS,
    passes_share=0.35,
).with_steps(
    purge=StepTruth("purge", 0.12, 1.9),
    cycles=StepTruth("cycles", 0.15, 1.6),
    clear_finish=StepTruth("clear_finish", 0.17, 1.35),
    lever_vacuum=StepTruth("lever_vacuum", 0.20, 0.35),
    closed_first=StepTruth("closed_first", 0.08, 0.5),
    seals=StepTruth("seals", 0.05, 1.6),
    caliper_port=StepTruth("caliper_port", 0.10, 0.9),
)


def co_operative(seed: int, sessions: int = CO_OPERATIVE.sessions) -> SimulatedLog:
    """The co-operative's log with its truth; `truth_planted` lists the planted problems."""
    log = simulate(replace(CO_OPERATIVE, sessions=sessions), seed)
    rows = [astuple(problem) for problem in PLANTED_PROBLEMS]
    return replace(log, truth_planted=pl.DataFrame(rows, schema=PLANTED_COLUMNS, orient="row"))


TRUE_SHARE_FOUND = 0.7
"""Share of faults that a second check finds."""
RECALL_OUTCOMES = {"re_bled": 0.6, "firm": 0.15, "not_reached": 0.15, "elsewhere": 0.1}
RECALL_MINUTES, CHECK_MINUTES = 22.0, 6.0


@dataclass(frozen=True)
class DoneList:
    """The list filled in, and the returns that did not happen because a check found the fault before."""

    actions: pl.DataFrame
    prevented: pl.Series


def fill_in_list(to_do: pl.DataFrame, log: SimulatedLog, day: dt.date, seed: int) -> DoneList:
    """Fill in a list of recalls and second checks on the days after it was made.

    A bleed has a fault if it comes back later in the simulated log; a check finds 7 of 10. Recalls end by chance.

    Parameters
    ----------
    to_do
        The list of an audit, nothing filled in.
    log
        The log with its truth.
    day
        The day of the audit.
    seed
        For chance.
    """
    rng = np.random.default_rng(seed)
    returns = log.truth_bleeds.select("session_id", "return_days")
    rows = to_do.join(returns, on="session_id", how="left", maintain_order="left")
    faulty = rows.get_column("return_days").is_not_null().to_numpy()
    is_recall = (rows.get_column("kind") == "recall").to_numpy()
    caught_fault = ~is_recall & faulty & (rng.random(rows.height) < TRUE_SHARE_FOUND)
    of_recall = rng.choice(list(RECALL_OUTCOMES), size=rows.height, p=list(RECALL_OUTCOMES.values()))
    outcome = np.where(is_recall, of_recall, np.where(caught_fault, "re_bled", "firm"))
    days = rng.integers(1, 6, rows.height)
    who = rng.choice(log.technicians.get_column("technician").to_numpy(), size=rows.height)
    actions = to_do.with_columns(
        done_on=pl.Series([day + dt.timedelta(days=int(n)) for n in days], dtype=pl.Date),
        by=pl.Series(who.tolist(), dtype=pl.String),
        outcome=pl.Series(outcome.tolist(), dtype=pl.String),
        minutes=pl.Series(np.where(is_recall, RECALL_MINUTES, CHECK_MINUTES)),
    )
    caught = rows.filter(pl.Series(caught_fault | (outcome == "re_bled"))).select("bike_id", "brake")
    later = log.comebacks.filter(pl.col("returned_at").dt.date() > day)
    prevented = later.join(caught, on=["bike_id", "brake"], how="semi").get_column("comeback_id")
    return DoneList(actions, prevented)


def leave_out_returns(path: Path, comeback_ids: pl.Series, encoding: str) -> None:
    """Remove the lines of a text export that begin with one of these return numbers."""
    ids = set(comeback_ids)
    lines = path.read_bytes().decode(encoding).splitlines(keepends=True)
    other_lines = [line for line in lines if line.split(";", 1)[0] not in ids]
    path.write_bytes("".join(other_lines).encode(encoding))
