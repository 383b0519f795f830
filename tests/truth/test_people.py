"""Whether the log can be believed, and what coaching changed, on simulated workshops with known truth (slow lane).

A share is met when its exact 95% binomial interval reaches into the aim. Seeds were fixed before the first run.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray
from scipy.special import expit

from analysis.people import coaching_effects, credibility
from analysis.stats import exact_binomial_limits
from synthetic import Habit, Lesson, Workshop, scenario_workshop, simulate
from synthetic.procedure import PLACE
from synthetic.tables import month_end
from synthetic.technicians import sample_staff
from tests.simulated_logs import entries_of

pytestmark = pytest.mark.truth
WORKSHOPS, FIRST_SEED = 200, 60_000
COACHED, FIRST_COACHED_SEED = 400, 70_000
FOUND_BY = {"Sorrel": "copied_entries", "Flint": "favourite_digits", "Alder": "recorded_only_when_met"}
"""Of the family `poor bookkeeping`: a copier, a rounder, a selective recorder."""


@dataclass(frozen=True)
class Share:
    """How many of how many, told with its interval."""

    yes: int
    of: int

    @property
    def lo(self) -> float:
        return float(exact_binomial_limits(self.yes, self.of).lo)

    @property
    def hi(self) -> float:
        return float(exact_binomial_limits(self.yes, self.of).hi)

    def __str__(self) -> str:
        return f"{self.yes} of {self.of}: {self.yes / self.of:.1%} ({self.lo:.1%} to {self.hi:.1%})"


@pytest.fixture(scope="module")
def flags() -> pl.DataFrame:
    """Every flag of every workshop, poor bookkeeping and honest, with the family and the seed."""
    parts = []
    for name in ("poor bookkeeping", "base"):
        for seed in range(FIRST_SEED, FIRST_SEED + WORKSHOPS):
            matches = credibility(entries_of(simulate(scenario_workshop(name), seed))).filter("flag")
            parts.append(matches.select("technician", "test", family=pl.lit(name), seed=pl.lit(seed)))
    return pl.concat(parts)


@pytest.mark.parametrize("who", FOUND_BY)
def test_poor_bookkeepers_are_found(flags: pl.DataFrame, who: str) -> None:
    own = flags.filter(family="poor bookkeeping", technician=who, test=FOUND_BY[who])
    share = Share(own.n_unique("seed"), WORKSHOPS)
    print(f"{FOUND_BY[who]}: {share}")
    assert share.hi >= 0.90, share


def test_honest_workshops_are_rarely_flagged(flags: pl.DataFrame) -> None:
    share = Share(flags.filter(family="base").n_unique("seed"), WORKSHOPS)
    print(f"honest workshops with any flag: {share}")
    assert share.lo <= 0.05, share


def test_honest_colleagues_of_poor_bookkeepers_are_rarely_flagged(flags: pl.DataFrame) -> None:
    own = flags.filter(pl.col("family") == "poor bookkeeping", ~pl.col("technician").is_in(list(FOUND_BY)))
    share = Share(own.n_unique("seed"), WORKSHOPS)
    print(f"workshops with an honest colleague flagged: {share}")
    assert share.lo <= 0.05, share


@dataclass(frozen=True)
class Coached:
    """One coaching of one workshop: what was told of it, and what is true."""

    step: str
    change: float
    lo: float
    hi: float
    truth: float


LEARNT = Lesson("Alder", "cycles", 14, -2.0)
NOT_LEARNT = Lesson("Cinder", "lever_vacuum", 14, 0.0)
COACHED_SHOP = replace(
    Workshop(), lessons=(LEARNT, NOT_LEARNT), habits=(Habit("Alder", sloppy=(("cycles", 1.5),)), Habit("Cinder"))
)


@pytest.fixture(scope="module")
def coachings() -> list[Coached]:
    return [one for seed in range(FIRST_COACHED_SEED, FIRST_COACHED_SEED + COACHED) for one in coached(seed)]


def coached(seed: int) -> list[Coached]:
    """Both coachings of one workshop; one that is too early to tell is left out."""
    world = simulate(COACHED_SHOP, seed)
    ready = entries_of(world)
    message = coaching_effects(ready, world.coaching).drop_nulls("change")
    return [
        Coached(row["step"], row["change"], row["lo"], row["hi"], lesson_effect(ready.bleeds, row["step"], seed))
        for row in message.iter_rows(named=True)
    ]


def lesson_effect(bleeds: pl.DataFrame, step: str, seed: int) -> float:
    """What the lesson does to the share missed, on average over the coached one's bleeds of the half year after it.

    The chance of a miss is the generator's own formula (`synthetic.missed_steps`); the hurry of a bleed, which nobody sees,
    is averaged over by Gauss and Hermite.
    """
    lesson = next(one for one in COACHED_SHOP.lessons if one.step == step)
    staff = sample_staff(COACHED_SHOP, np.random.default_rng(seed))
    shares = np.array([one.share_missed for one in COACHED_SHOP.steps])
    spread = np.hypot(COACHED_SHOP.habit_sd, COACHED_SHOP.together_sd)
    middle = np.log(shares / (1 - shares)) * np.sqrt(1 + 0.346 * spread**2)
    own = after(bleeds, lesson)
    base = middle[PLACE[step]] + staff.habit[staff.names.index(lesson.technician), PLACE[step]] + own
    nodes, weights = np.polynomial.hermite_e.hermegauss(21)
    logit = base[:, None] + COACHED_SHOP.together_sd * nodes
    change = expit(logit + lesson.shift) - expit(logit)
    return float((change @ weights / weights.sum()).mean())


def after(bleeds: pl.DataFrame, lesson: Lesson) -> NDArray[np.float64]:
    """What haste and difficulty add to the logit in the coached one's bleeds of the half year after the lesson."""
    day = pl.col("started_at").dt.date()
    coached_on = month_end(COACHED_SHOP, lesson.month)
    hard = pl.col("job_reason").is_in(["soft_lever", "new_hose", "leak_repair", "comeback"])
    own = bleeds.filter(pl.col("technician") == lesson.technician).with_columns(
        second=pl.col("started_at").rank("ordinal").over(day) - 1.0,
        difficulty=1.2 * (pl.col("hose_route") == "internal").fill_null(False)
        + 0.5 * (pl.col("brake") == "rear")
        + 0.6 * hard,
    )
    own = own.filter(day > coached_on, day <= coached_on + dt.timedelta(days=183))
    rush = COACHED_SHOP.rush * (pl.min_horizontal("second", 6.0) - 0.5)
    return own.select(rush + COACHED_SHOP.difficulty_misses * (pl.col("difficulty") - 1)).to_series().to_numpy()


@pytest.mark.parametrize("step", ["cycles", "lever_vacuum"])
def test_the_interval_of_a_coaching_includes_its_true_effect(coachings: list[Coached], step: str) -> None:
    own = [one for one in coachings if one.step == step]
    share = Share(sum(one.lo <= one.truth <= one.hi for one in own), len(own))
    print(f"coaching intervals that include the truth, {step}: {share}")
    assert len(own) >= 0.9 * COACHED
    assert share.hi >= 0.93, share
    assert share.lo <= 0.97, share


def test_a_coaching_without_effect_is_hardly_ever_called_clear(coachings: list[Coached]) -> None:
    own = [one for one in coachings if one.step == "lever_vacuum"]
    share = Share(sum(one.hi < 0 or one.lo > 0 for one in own), len(own))
    print(f"a change claimed where none was: {share}")
    assert share.lo <= 0.05, share


def test_a_coaching_that_worked_is_mostly_found(coachings: list[Coached]) -> None:
    own = [one for one in coachings if one.step == "cycles"]
    share = Share(sum(one.hi < 0 for one in own), len(own))
    print(f"a change seen where there was one: {share}")
    assert share.hi >= 0.8, share
