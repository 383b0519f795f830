"""Sample sizes as text: for a rate, for a step by resampling the log, for a trial."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.commands.audit_folder import choose_standard
from analysis.dataset import MIN_COMEBACKS, BleedData, bleed_data, data_for_fitting
from analysis.errors import UserError
from analysis.intake import read_log
from analysis.plan import (
    PowerStudy,
    StepPower,
    bleeds_per_arm,
    continuity_corrected_size,
    design_effect,
    estimable_steps,
    one_rate_bleeds,
    precise_rate_bleeds,
    step_power,
    two_arm_power,
)

MIN_BLEEDS, MAX_BLEEDS = 200, 2_000_000
"""Smallest and largest sample size that is resampled."""
MIN_PROBABILITY, MIN_HALF_WIDTH, MAX_PER_WEEK = 1e-6, 1e-7, 1_000_000
LOG_FRACTIONS = (0.25, 0.5, 1.0)
"""Default sample sizes, as fractions of the log."""


@dataclass(frozen=True)
class StepPowerOptions:
    """Options of `plan step`: a miss multiplies the hazard of a comeback by `hazard_ratio`; `power` is the target."""

    exports: tuple[str, ...]
    step: str
    hazard_ratio: float = 2.0
    power: float = 0.8
    bleeds: tuple[int, ...] = ()
    runs: int = 40
    map_path: str | None = None
    standard_path: str | None = None
    as_of: dt.date | None = None
    seed: int = 1


def rate_sample_size_text(rate: float, half_width: float | None, detect: float | None, power: float) -> str:
    """Sample size to estimate a comeback rate, or to detect a change from it.

    Parameters
    ----------
    rate
        The comeback rate, 0 to 1.
    half_width
        Half the width of the 95% interval wanted; a quarter of `rate` where neither it nor `detect` is given.
    detect
        The changed rate to detect, 0 to 1.
    power
        The chance of detecting it.

    Raises
    ------
    UserError
        A number outside its range, or a changed rate equal to `rate`.
    """
    _check_probabilities({"--rate": rate, "--detect": detect}, example="0.06 for 6%")
    _check_probabilities({"--power": power}, example="0.8 for 80%")
    lines = []
    if half_width is not None or detect is None:
        width = rate / 4 if half_width is None else half_width
        _check_half_width(width)
        lines.append(
            f"To estimate a rate near {rate:.2%} to within ±{_points_text(width)} (95% interval): "
            f"{precise_rate_bleeds(rate, width):,} bleeds, each followed for the whole window."
        )
    if detect is not None:
        _check_different(rate, detect, "--detect")
        needed = math.ceil(one_rate_bleeds(rate, detect, power))
        lines.append(
            f"To detect a {'rise' if detect > rate else 'fall'} to {detect:.2%}, taking {rate:.2%} as known: "
            f"{needed:,} bleeds, each followed for the whole window ({power:.0%} power, one-sided test at 5%)."
        )
    return "\n".join(lines)


def trial_sample_size_text(
    rate: float, target_rate: float, power: float, bleeds: int | None, weekly: WeeklyTrial | None
) -> str:
    """Sample size of a trial of a changed procedure, randomised by bleed or by week.

    Raises
    ------
    UserError
        A number outside its range, or two equal rates.
    """
    _check_probabilities({"--rate": rate, "--target-rate": target_rate}, example="0.06 for 6%")
    _check_probabilities({"--power": power}, example="0.8 for 80%")
    _check_different(rate, target_rate, "--target-rate")
    uncorrected = bleeds_per_arm(rate, target_rate, power)
    arm = math.ceil(continuity_corrected_size(uncorrected, rate, target_rate))
    lines = [
        f"From {rate:.2%} to {target_rate:.2%}, bleeds assigned at random: {arm:,} bleeds per arm, "
        f"{2 * arm:,} in all ({power:.0%} power, two-sided test at 5%).",
    ]
    if weekly is not None:
        lines += _weekly_trial_lines(arm, weekly)
    if bleeds is not None:
        chance = two_arm_power(rate, target_rate, bleeds, bleeds)
        lines.append(f"With {bleeds:,} bleeds per arm the chance of detecting the difference is {chance:.0%}.")
    lines += [
        "For each bleed enter 'trial' (its name), 'trial_arm' (the arm) and 'trial_unit' (what was randomised: bleed, bike, "
        "technician, workshop or week); the audit then compares the arms.",
        "Wait a full window after the last bleed. Fix the sample size in advance and do not look at the results until the end.",
    ]
    return "\n".join(lines)


@dataclass(frozen=True)
class WeeklyTrial:
    """A trial that assigns whole weeks to an arm; `correlation` (0 to 1) is that of bleeds in the same week."""

    bleeds_per_week: float
    correlation: float


def step_power_text(options: StepPowerOptions, progress: Callable[[str], None] = lambda _: None) -> str:
    """Sample size to detect the effect of a missed step, by resampling the workshop's own log.

    Raises
    ------
    UserError
        The exports, map or procedure; an unknown step, or one hardly ever missed or met; too few comebacks.
    """
    if not 0 < options.hazard_ratio < 100 or options.hazard_ratio == 1:
        raise UserError(
            "--hazard-ratio",
            f"{options.hazard_ratio:g} is out of range",
            "a number above 0 and below 100, other than 1",
            "2 doubles the hazard",
        )
    _check_probabilities({"--power": options.power}, example="0.8 for 80%")
    progress("reading the log")
    log = read_log(options.exports, options.map_path, options.as_of)
    standard = choose_standard(log, options.standard_path)
    data = bleed_data(log, standard, standard.window_days)
    _check_step(data, options.step)
    sizes = options.bleeds or tuple(
        max(MIN_BLEEDS, 100 * round(data.bleeds.height * fraction / 100)) for fraction in LOG_FRACTIONS
    )
    for size in sizes:
        if not MIN_BLEEDS <= size <= MAX_BLEEDS:
            raise UserError(
                "--bleeds",
                f"{size:,} is out of range",
                f"{MIN_BLEEDS} to {MAX_BLEEDS:,} bleeds",
                "choose a size in this range",
            )
    study = PowerStudy(
        options.step, options.hazard_ratio, tuple(sorted(set(map(int, sizes)))), options.power, options.runs
    )
    power = step_power(data_for_fitting(data, options.seed), study, np.random.default_rng(options.seed), progress)
    missed_title = next(step.missed_title for step in standard.steps if step.id == options.step)
    return _power_by_sample_size_text(power, missed_title, options.runs)


def _power_by_sample_size_text(power: StepPower, missed_title: str, runs: int) -> str:
    lines = [
        f"“{missed_title}”, assuming that a miss {_effect_text(power.study.hazard_ratio)}: never missing the step would prevent "
        f"{power.prevented_per_100:.2f} comebacks per 100 bleeds in a log like this one.",
        f"{runs} resamples per size with simulated comebacks, analysed with the return model of the audit (p ≤ 0.05):",
    ]
    lines += [
        f"  {size.bleeds:>9,} bleeds ({size.comebacks:,.0f} comebacks): detected {size.share_detected:.0%} of the time "
        f"({size.lo:.0%} to {size.hi:.0%})"
        for size in power.sizes
    ]
    if power.required_bleeds is None:
        return "\n".join([*lines, "No clear effect at these sizes: try larger ones with --bleeds."])
    limits = f"{_rounded_text(power.required_lo)} to {_rounded_text(power.required_hi)}"
    lines += [
        f"Detected {power.study.power:.0%} of the time with about {_rounded_text(power.required_bleeds)} bleeds (95% interval {limits}).",
        "The audit may need fewer (it also uses stand readings) or somewhat more (it tests all steps).",
    ]
    return "\n".join(lines)


def _effect_text(hazard_ratio: float) -> str:
    if hazard_ratio == 2:
        return "doubles the comeback hazard"
    return f"multiplies the comeback hazard by {hazard_ratio:g}"


def _rounded_text(bleeds: float | None) -> str:
    """The number to two significant digits, as precise as the resampling is."""
    if bleeds is None or bleeds > 1e8:
        return "more than 100 million"
    return f"{round(bleeds, 1 - math.floor(math.log10(bleeds))):,.0f}"


def _weekly_trial_lines(arm: int, weekly: WeeklyTrial) -> list[str]:
    if not 1 <= weekly.bleeds_per_week <= MAX_PER_WEEK or not 0 <= weekly.correlation < 1:
        raise UserError(
            "--bleeds-per-week, --correlation",
            f"{weekly.bleeds_per_week:g} and {weekly.correlation:g}: one is out of range",
            f"1 to {MAX_PER_WEEK:,}, and 0 to below 1",
            "use a correlation of 0.01 if you do not know it",
        )
    effect = design_effect(weekly.bleeds_per_week, weekly.correlation)
    needed = math.ceil(arm * effect)
    weeks = max(math.ceil(needed / weekly.bleeds_per_week), 4)
    return [
        f"With whole weeks assigned at random: {needed:,} bleeds or {weeks:,} weeks per arm, {effect:.2f} times as many "
        f"({weekly.bleeds_per_week:g} bleeds per week, correlation {weekly.correlation:g})."
    ]


def _check_step(data: BleedData, step: str) -> None:
    step_ids = [one.id for one in data.standard.steps]
    if step not in step_ids:
        raise UserError(
            "--step", f"{step!r} is not a step of the procedure", ", ".join(step_ids), "use one of these IDs"
        )
    if data.small_sample:
        raise UserError(
            "the exports",
            f"contain {data.comebacks} comebacks",
            f"{MIN_COMEBACKS} or more",
            "until then use 'rebleed plan trial', which needs no log",
        )
    estimable = estimable_steps(data)
    if step not in estimable:
        raise UserError(
            "--step",
            f"{step} is hardly ever missed, done or recorded in this log",
            f"one of {', '.join(estimable)}" if estimable else "a step that is sometimes done and sometimes missed",
            "choose another step" if estimable else "collect more bleeds",
        )


def _check_probabilities(options: dict[str, float | None], example: str) -> None:
    for option, value in options.items():
        if value is not None and not MIN_PROBABILITY <= value <= 1 - MIN_PROBABILITY:
            extreme = " and not too close to either" if 0 < value < 1 else ""
            raise UserError(option, f"{value:g} is not between 0 and 1{extreme}", f"a fraction, for example {example}")


def _check_half_width(half_width: float) -> None:
    if not MIN_HALF_WIDTH <= half_width < 0.5:
        expected = "a half width below 0.5" if half_width >= 0.5 else f"a half width of {MIN_HALF_WIDTH:.7f} or more"
        raise UserError("--half-width", f"{half_width:g} is out of range", expected, "0.01 is ±1 point")


def _check_different(rate: float, other: float, option: str) -> None:
    if rate == other:
        raise UserError(option, f"{other:g} is the same as --rate", "a different rate", "give the rate to detect")


def _points_text(half_width: float) -> str:
    points = f"{100 * half_width:.2g}"
    return f"{points} point" if points == "1" else f"{points} points"
