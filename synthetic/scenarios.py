"""Scenarios: simulated workshops that differ from the base case in one way each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

from synthetic.technicians import technician_names
from synthetic.workshop import Change, ClusterTrial, Habit, Lesson, ReturnsWritten, StepTruth, Workshop


def _unchanged_workshop(w: Workshop) -> Workshop:
    return w


def _no_effect(w: Workshop) -> Workshop:
    return replace(w, no_effect=True)


def _signs_uninformative(w: Workshop) -> Workshop:
    return replace(w, signs_informative=0.0)


def _effects_bypass_signs(w: Workshop) -> Workshop:
    return w.with_every_step(bypass=1.0)


def _half_bypass(w: Workshop) -> Workshop:
    return w.with_every_step(bypass=0.5)


def _a_few_bypass(w: Workshop) -> Workshop:
    return w.with_steps(
        lever_vacuum=StepTruth("lever_vacuum", 0.20, 0.5, bypass=1.0),
        closed_first=StepTruth("closed_first", 0.08, 0.65, bypass=1.0),
    )


def _early_only(w: Workshop) -> Workshop:
    return replace(w, fade_days=30.0)


def _dominant_by_air(w: Workshop) -> Workshop:
    return w.with_every_step(effect=0.0).with_steps(purge=StepTruth("purge", 0.15, 1.6))


def _dominant_by_leak(w: Workshop) -> Workshop:
    return w.with_every_step(effect=0.0).with_steps(seals=StepTruth("seals", 0.10, 2.8))


def _frequent_bikes(w: Workshop) -> Workshop:
    return replace(w, one_off_share=0.1, mean_gap_days=130.0, bike_sd=0.3)


def _missing_at_random(w: Workshop) -> Workshop:
    return replace(w, missing_random=0.30)


def _missing_selectively(w: Workshop) -> Workshop:
    return replace(w, missing_random=0.22, missing_selective=0.30)


def _few_comebacks(w: Workshop) -> Workshop:
    return replace(w, base_rate=0.025)


def _strong_confounding(w: Workshop) -> Workshop:
    return replace(w, confounding=1.5, case_mix=1.6, difficulty_misses=0.5, skill_sd=0.4, habit_sd=0.9)


def _skipped_together(w: Workshop) -> Workshop:
    return replace(w, together_sd=1.6)


def _reading_moved(w: Workshop) -> Workshop:
    return replace(w, artefacts_mm=(("reach", 1.5), ("reach_restored", 1.0)))


def _reading_moved_unmarked(w: Workshop) -> Workshop:
    return replace(w, artefacts_mm=(("pads_out", 1.5), ("caliper_fill", 1.5)))


def _many_technicians(w: Workshop) -> Workshop:
    return replace(w, technicians=60)


def _seals_wear_out(w: Workshop) -> Workshop:
    return replace(w, wearing_model="Schist 2", wear_days=600.0)


def _drifting_risk(w: Workshop) -> Workshop:
    return replace(w, drift_per_month=0.02, changes=(Change(w.months // 2, 1.5, step="cycles"),))


def _a_shop_changes(w: Workshop) -> Workshop:
    month = max(2, round(0.63 * w.months))
    return replace(w, changes=(Change(month, 0.6931471805599453, shop=w.shops[1 % len(w.shops)]),))


def _one_busy_shop(w: Workshop) -> Workshop:
    return replace(w, shops=w.shops[:1], base_rate=0.10)


def _one_busy_shop_changes(w: Workshop) -> Workshop:
    return replace(_one_busy_shop(w), changes=(Change(max(2, round(0.63 * w.months)), 0.6931471805599453),))


def _only_inside_the_frame(w: Workshop) -> Workshop:
    return replace(w, internal_only=("cycles", "settle"))


def _poor_bookkeeping(w: Workshop) -> Workshop:
    return replace(
        w,
        habits=(
            Habit("Sorrel", recorder="copier"),
            Habit("Flint", recorder="rounder"),
            Habit("Alder", recorder="selective"),
        ),
    )


def _equal_people(w: Workshop) -> Workshop:
    return replace(w, skill_sd=0.0, habit_sd=0.0, no_effect=True)


def _three_equal_people(w: Workshop) -> Workshop:
    return replace(_equal_people(w), technicians=3)


def _wandering_habits(w: Workshop) -> Workshop:
    """Habits drift with a memory of about three months; the worst of a quarter is coached on three steps."""
    lessons = tuple(Lesson("", step, 16, 0.0) for step in ("cycles", "lever_vacuum", "settle"))
    return replace(w, wander_sd=0.5, wander_memory=0.75, lessons=lessons)


def _wandering_habits_learnt(w: Workshop) -> Workshop:
    """The same, but coaching removes about half of the misses."""
    wandering = _wandering_habits(w)
    return replace(wandering, lessons=tuple(replace(lesson, shift=-1.0) for lesson in wandering.lessons))


def _trial_by_workshop(w: Workshop) -> Workshop:
    """Twelve different workshops, half of them randomised to a changed procedure that has no effect."""
    shops = tuple(f"Shop {number}" for number in range(1, 13))
    trial = ClusterTrial(w.months // 3, 0.0)
    return replace(w, shops=shops, technicians=24, shop_sd=0.3, trial=trial, no_effect=True)


def _trial_by_workshop_works(w: Workshop) -> Workshop:
    """The same, but the change halves the hazard."""
    return replace(_trial_by_workshop(w), trial=ClusterTrial(w.months // 3, -0.6931471805599453))


def _early_comebacks(w: Workshop) -> Workshop:
    """Many bikes come back within days, before a weekly list is made."""
    return replace(w, air_shape=0.3)


def _air_threshold(w: Workshop) -> Workshop:
    return replace(w, air_threshold=1.2)


def _loglinear_generator(w: Workshop) -> Workshop:
    return replace(w, generator="loglinear", air_shape=0.75, effect_scale=0.6)


def _loglinear_no_effect(w: Workshop) -> Workshop:
    return replace(_loglinear_generator(w), no_effect=True)


def _skips_passes(w: Workshop) -> Workshop:
    """Few bubbles in the first pass let the mechanic skip the second."""
    return replace(w, skips=1.5)


def _skips_passes_without_effect(w: Workshop) -> Workshop:
    return _skips_passes(w).with_steps(cycles=StepTruth("cycles", 0.15, 0.0))


def _stops_with_bubbles(w: Workshop) -> Workshop:
    """Air that earlier misses left goes on showing, and the mechanic stops before it ends."""
    return replace(w, stops=3.0)


def _unseen_difficulty(w: Workshop) -> Workshop:
    """No step matters; hard use, which nobody records, makes every miss and every kind of return more likely."""
    return replace(w, no_effect=True, unseen_misses=0.5, unseen_hazard=0.5)


def _recorded_once_back(w: Workshop) -> Workshop:
    """No step matters; most misses are written down only once the bike is back."""
    return replace(w, no_effect=True, recorded_once_back=0.6)


def _stops_writing(w: Workshop) -> Workshop:
    return replace(_equal_people(w), returns_written=(ReturnsWritten(w.shops[1], last_month=w.months // 2),))


def _starts_late(w: Workshop) -> Workshop:
    return replace(_equal_people(w), returns_written=(ReturnsWritten(w.shops[1], first_month=w.months // 2),))


def _few_technicians(w: Workshop, technicians: int) -> Workshop:
    """Few equal technicians in one workshop; a few different bikes come often."""
    often = replace(w, one_off_share=0.2, mean_gap_days=90.0, bike_sd=0.5)
    return replace(_equal_people(often), shops=w.shops[:1], technicians=technicians)


def _few_shops(w: Workshop, shops: int) -> Workshop:
    return replace(_few_technicians(w, max(2 * shops, 4)), shops=w.shops[:shops])


def _one_of_five_doubles(w: Workshop) -> Workshop:
    habits = tuple(Habit(name, skill=0.6931471805599453 if name == "Wren" else 0.0) for name in technician_names(5))
    return replace(
        _few_technicians(w, 5), habits=habits, one_off_share=w.one_off_share, mean_gap_days=w.mean_gap_days, bike_sd=0.0
    )


def _one_of_three_shops_worse(w: Workshop) -> Workshop:
    return replace(_equal_people(w), changes=(Change(1, 0.5306282510621704, shop=w.shops[1]),))


def _seasonal_risk(w: Workshop, size: float) -> Workshop:
    return replace(_equal_people(w), season=size)


def _restless_months(w: Workshop) -> Workshop:
    return replace(_equal_people(w), month_sd=0.2)


def _growing_workshop(w: Workshop) -> Workshop:
    return replace(_equal_people(w), growth=4.0)


def _all_of_the_calendar(w: Workshop) -> Workshop:
    return replace(_equal_people(w), season=0.26, month_sd=0.2, growth=4.0)


SCENARIOS: dict[str, Callable[[Workshop], Workshop]] = {
    "base": _unchanged_workshop,
    "no step matters": _no_effect,
    "signs say nothing": _signs_uninformative,
    "effects bypass the signs": _effects_bypass_signs,
    "half bypasses the signs": _half_bypass,
    "a few steps bypass the signs": _a_few_bypass,
    "first 30 days only": _early_only,
    "one dominant step, by air": _dominant_by_air,
    "one dominant step, by leak": _dominant_by_leak,
    "repeats": _frequent_bikes,
    "30% not recorded": _missing_at_random,
    "misses left unrecorded": _missing_selectively,
    "few comebacks": _few_comebacks,
    "strong confounding": _strong_confounding,
    "skipped together": _skipped_together,
    "a marked step moves the reading": _reading_moved,
    "an unmarked step moves the reading": _reading_moved_unmarked,
    "many technicians": _many_technicians,
    "seals wear out": _seals_wear_out,
    "drift": _drifting_risk,
    "a shop changes": _a_shop_changes,
    "one busy shop": _one_busy_shop,
    "one busy shop changes": _one_busy_shop_changes,
    "only inside the frame": _only_inside_the_frame,
    "poor bookkeeping": _poor_bookkeeping,
    "equal people": _equal_people,
    "three equal technicians": _three_equal_people,
    "habits wander, coaching without effect": _wandering_habits,
    "habits wander, coaching with effect": _wandering_habits_learnt,
    "a trial by workshop that does nothing": _trial_by_workshop,
    "a trial by workshop that works": _trial_by_workshop_works,
    "early comebacks": _early_comebacks,
    "air below a threshold does nothing": _air_threshold,
    "a shop stops writing returns": _stops_writing,
    "a shop starts writing returns late": _starts_late,
    "two technicians": partial(_few_technicians, technicians=2),
    "three technicians": partial(_few_technicians, technicians=3),
    "four technicians": partial(_few_technicians, technicians=4),
    "five technicians": partial(_few_technicians, technicians=5),
    "two shops": partial(_few_shops, shops=2),
    "three shops": partial(_few_shops, shops=3),
    "one of five at twice the hazard": _one_of_five_doubles,
    "one of three shops worse": _one_of_three_shops_worse,
    "season of 30%": partial(_seasonal_risk, size=0.26),
    "season of 50%": partial(_seasonal_risk, size=0.41),
    "months differ": _restless_months,
    "volume grows fourfold": _growing_workshop,
    "season, growth and months that differ": _all_of_the_calendar,
    "few first bubbles skip a pass": _skips_passes,
    "few first bubbles skip a pass that does nothing": _skips_passes_without_effect,
    "the last pass stops with bubbles": _stops_with_bubbles,
    "unseen difficulty": _unseen_difficulty,
    "misses recorded once the bike is back": _recorded_once_back,
    "loglinear": _loglinear_generator,
    "loglinear, no step matters": _loglinear_no_effect,
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
