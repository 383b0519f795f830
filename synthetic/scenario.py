"""The co-operative: a cargo-bike and hire-fleet group of three workshops, with eight stories planted for certain."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import polars as pl

from synthetic.simulate import STORY_COLUMNS, SimulatedLog, simulate
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
class Story:
    """One planted story: its number, whom or what it is about, its month if it has one, and what is true."""

    story: int
    subject: str
    month: int | None
    what: str


STORIES = (
    Story(1, HARD_WORK, None, "worst raw percentage, takes the internally routed rear brakes, no worse than peers"),
    Story(2, EASY_WORK, None, "good raw percentage, takes the easy work, worse than peers on the same work"),
    Story(3, " ".join(COSTLY_STEPS), None, "these steps cost most of the comebacks"),
    Story(3, " ".join(ARGUED_STEPS), None, "the staff argue about these steps and they cost nothing"),
    Story(4, CHANGED_SHOP, CHANGED_MONTH, f"stops clearing its kit of air ({CHANGED_STEP})"),
    Story(5, LEARNT, COACHED_MONTH, "coached on cycles and improved"),
    Story(5, DID_NOT_LEARN, COACHED_MONTH, "coached on lever_vacuum and did not improve"),
    Story(6, COPIES, None, "copies entries"),
    Story(6, ROUNDS, None, "writes only round numbers"),
    Story(
        7, "holds", None, f"{WRONG_FLUIDS} bleeds with the wrong family of fluid, {WRONG_KITS} with a kit of the other"
    ),
    Story(7, "holds", None, "some left with a lever not firm"),
    Story(8, WEARING_MODEL, None, "seals fail late: wear-out, not workmanship"),
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
    """The co-operative's log with its truth; `truth_stories` tells what was planted, with whom and when."""
    log = simulate(replace(CO_OPERATIVE, sessions=sessions), seed)
    rows = [(s.story, s.subject, s.month, s.what) for s in STORIES]
    return replace(log, truth_stories=pl.DataFrame(rows, schema=STORY_COLUMNS, orient="row"))
