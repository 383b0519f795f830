"""Scenarios: simulated workshops that differ from the base case in one way each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

from synthetic.technicians import technician_names
from synthetic.workshop import Change, ClusterTrial, Habit, Lesson, ReturnRecordingMonths, StepTruth, Workshop

DOUBLE, HALF = 0.6931471805599453, -0.6931471805599453
"""Log hazard ratios."""
EQUAL_PEOPLE: dict[str, Any] = {"skill_sd": 0.0, "habit_sd": 0.0, "no_effect": True}
LOGLINEAR: dict[str, Any] = {"generator": "loglinear", "air_shape": 0.75, "effect_scale": 0.6}
POOR_BOOKKEEPING = (
    Habit("Sorrel", recorder="copier"), Habit("Flint", recorder="rounder"), Habit("Alder", recorder="selective"),
)  # fmt: skip


def _with(**changes: Any) -> Callable[[Workshop], Workshop]:
    return lambda workshop: replace(workshop, **changes)


def _only_step(step: StepTruth) -> Callable[[Workshop], Workshop]:
    """No other step has an effect."""
    return lambda workshop: workshop.with_every_step(effect=0.0).with_steps(**{step.id: step})


def _month_of_change(w: Workshop) -> int:
    return max(2, round(0.63 * w.months))


def _a_few_bypass(w: Workshop) -> Workshop:
    return w.with_steps(
        lever_vacuum=StepTruth("lever_vacuum", 0.20, 0.5, bypass=1.0),
        closed_first=StepTruth("closed_first", 0.08, 0.65, bypass=1.0),
    )


def _a_shop_changes(w: Workshop) -> Workshop:
    return replace(w, changes=(Change(_month_of_change(w), DOUBLE, shop=w.shops[1 % len(w.shops)]),))


def _one_busy_shop(w: Workshop, changes: bool) -> Workshop:
    change = (Change(_month_of_change(w), DOUBLE),) if changes else ()
    return replace(w, shops=w.shops[:1], base_rate=0.10, changes=change)


def _wandering_habits(w: Workshop, shift: float) -> Workshop:
    """Habits drift with a memory of about three months; the worst of a quarter is coached on three steps."""
    lessons = tuple(Lesson("", step, 16, shift) for step in ("cycles", "lever_vacuum", "settle"))
    return replace(w, wander_sd=0.5, wander_memory=0.75, lessons=lessons)


def _trial_by_workshop(w: Workshop, shift: float) -> Workshop:
    """Twelve different workshops, half of them randomised to a changed procedure."""
    shops = tuple(f"Shop {number}" for number in range(1, 13))
    trial = ClusterTrial(w.months // 3, shift)
    return replace(w, shops=shops, technicians=24, shop_sd=0.3, trial=trial, no_effect=True)


def _few_technicians(w: Workshop, technicians: int) -> Workshop:
    """Few equal technicians in one workshop; a few different bikes come often."""
    often = replace(w, one_off_share=0.2, mean_gap_days=90.0, bike_sd=0.5)
    return replace(often, **EQUAL_PEOPLE, shops=w.shops[:1], technicians=technicians)


def _few_shops(w: Workshop, shops: int) -> Workshop:
    return replace(_few_technicians(w, max(2 * shops, 4)), shops=w.shops[:shops])


def _one_of_five_doubles(w: Workshop) -> Workshop:
    habits = tuple(Habit(name, skill=DOUBLE if name == "Wren" else 0.0) for name in technician_names(5))
    return replace(
        _few_technicians(w, 5), habits=habits, one_off_share=w.one_off_share, mean_gap_days=w.mean_gap_days, bike_sd=0.0
    )


SCENARIOS: dict[str, Callable[[Workshop], Workshop]] = {
    "base": _with(),
    "no step matters": _with(no_effect=True),
    "stand readings predict nothing": _with(signs_informative=0.0),
    "effects not seen in stand readings": lambda w: w.with_every_step(bypass=1.0),
    "half not seen in stand readings": lambda w: w.with_every_step(bypass=0.5),
    "a few steps bypass the signs": _a_few_bypass,
    "first 30 days only": _with(fade_days=30.0),
    "one dominant step, by air": _only_step(StepTruth("purge", 0.15, 1.6)),
    "one dominant step, by leak": _only_step(StepTruth("seals", 0.10, 2.8)),
    "repeats": _with(one_off_share=0.1, mean_gap_days=130.0, bike_sd=0.3),
    "30% not recorded": _with(missing_random=0.30),
    "misses left unrecorded": _with(missing_random=0.22, missing_selective=0.30),
    "few comebacks": _with(base_rate=0.025),
    "strong confounding": _with(confounding=1.5, case_mix=1.6, difficulty_misses=0.5, skill_sd=0.4, habit_sd=0.9),
    "skipped together": _with(together_sd=1.6),
    "a marked step moves the reading": _with(artefacts_mm=(("reach", 1.5), ("reach_restored", 1.0))),
    "an unmarked step moves the reading": _with(artefacts_mm=(("pads_out", 1.5), ("caliper_fill", 1.5))),
    "many technicians": _with(technicians=60),
    "seals wear out": _with(wearing_model="Schist 2", wear_days=600.0),
    "drift": lambda w: replace(w, drift_per_month=0.02, changes=(Change(w.months // 2, 1.5, step="cycles"),)),
    "a shop changes": _a_shop_changes,
    "one busy shop": partial(_one_busy_shop, changes=False),
    "one busy shop changes": partial(_one_busy_shop, changes=True),
    "only inside the frame": _with(internal_only=("cycles", "settle")),
    "poor bookkeeping": _with(habits=POOR_BOOKKEEPING),
    "equal people": _with(**EQUAL_PEOPLE),
    "three equal technicians": _with(**EQUAL_PEOPLE, technicians=3),
    "habits wander, coaching without effect": partial(_wandering_habits, shift=0.0),
    "habits wander, coaching with effect": partial(_wandering_habits, shift=-1.0),  # about half of the misses go
    "a trial by workshop that does nothing": partial(_trial_by_workshop, shift=0.0),
    "a trial by workshop that works": partial(_trial_by_workshop, shift=HALF),
    "early comebacks": _with(air_shape=0.3),  # many within days, before a weekly list is made
    "air below a threshold does nothing": _with(air_threshold=1.2),
    "a shop stops writing returns": lambda w: replace(
        w, **EQUAL_PEOPLE, returns_written=(ReturnRecordingMonths(w.shops[1], last_month=w.months // 2),)
    ),
    "a shop starts writing returns late": lambda w: replace(
        w, **EQUAL_PEOPLE, returns_written=(ReturnRecordingMonths(w.shops[1], first_month=w.months // 2),)
    ),
    "two technicians": partial(_few_technicians, technicians=2),
    "three technicians": partial(_few_technicians, technicians=3),
    "four technicians": partial(_few_technicians, technicians=4),
    "five technicians": partial(_few_technicians, technicians=5),
    "two shops": partial(_few_shops, shops=2),
    "three shops": partial(_few_shops, shops=3),
    "one of five at twice the hazard": _one_of_five_doubles,
    "one of three shops worse": lambda w: replace(
        w, **EQUAL_PEOPLE, changes=(Change(1, 0.5306282510621704, shop=w.shops[1]),)
    ),
    "season of 30%": _with(**EQUAL_PEOPLE, season=0.26),
    "season of 50%": _with(**EQUAL_PEOPLE, season=0.41),
    "months differ": _with(**EQUAL_PEOPLE, month_sd=0.2),
    "volume grows fourfold": _with(**EQUAL_PEOPLE, growth=4.0),
    "season, growth and months that differ": _with(**EQUAL_PEOPLE, season=0.26, month_sd=0.2, growth=4.0),
    "few first bubbles skip a pass": _with(skips=1.5),
    "few first bubbles skip a pass that does nothing": lambda w: replace(w, skips=1.5).with_steps(
        cycles=StepTruth("cycles", 0.15, 0.0)
    ),
    "the last pass stops with bubbles": _with(stops=3.0),  # air that earlier misses left goes on showing
    # hard use, which nobody records, makes every miss and every kind of return more likely
    "unseen difficulty": _with(no_effect=True, unseen_misses=0.5, unseen_hazard=0.5),
    "misses recorded once the bike is back": _with(no_effect=True, recorded_once_back=0.6),
    "loglinear": _with(**LOGLINEAR),
    "loglinear, no step matters": _with(**LOGLINEAR, no_effect=True),
}


def scenario_workshop(name: str, sessions: int = 3000) -> Workshop:
    """The workshop of a named scenario, with this number of bleeds.

    Raises
    ------
    ValueError
        There is no scenario of that name.
    """
    if name not in SCENARIOS:
        raise ValueError(f"name: one of {', '.join(SCENARIOS)}; got {name!r}")
    return SCENARIOS[name](Workshop(sessions=sessions))
