"""How many bleeds it takes, in words: for a rate, for a step from the shop's own log, for a trial."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.commands.audit_folder import standard_for
from analysis.dataset import MIN_COMEBACKS, BleedData, bleed_data, fit_data
from analysis.errors import UserError
from analysis.intake import read_log
from analysis.plan import (
    PowerStudy,
    StepPower,
    continuity_corrected,
    design_effect,
    estimable_steps,
    one_rate_bleeds,
    precise_rate_bleeds,
    step_power,
    two_arm_bleeds,
    two_arm_power,
)

MIN_SAMPLED, MAX_DRAWN = 200, 2_000_000
MIN_SHARE, MIN_WIDTH, MAX_A_WEEK = 1e-6, 1e-7, 1_000_000
LOG_FRACTIONS = (0.25, 0.5, 1.0)
"""Sizes drawn where none are asked for, in logs like the shop's own."""


@dataclass(frozen=True)
class StepPowerOptions:
    """What was asked for: a miss that makes a return `hazard_ratio` as likely, found with chance `power`."""

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


def rate_text(rate: float, half_width: float | None, detect: float | None, power: float) -> str:
    """How many bleeds, followed for the whole window, it takes to know a rate, or to tell another one from it.

    Raises
    ------
    UserError
        A rate or chance outside 0 to 1, or no difference to find.
    """
    _refuse_shares({"--rate": rate, "--detect": detect, "--power": power})
    half_width = rate / 4 if half_width is None else half_width
    if not MIN_WIDTH <= half_width < 0.5:
        raise UserError(
            "--half-width",
            f"is {half_width:g}",
            f"a half width of {MIN_WIDTH:.7f} to 0.5",
            "0.01 is one point either way",
        )
    close = precise_rate_bleeds(rate, half_width)
    lines = [
        f"To know a rate near {rate:.2%} to within {100 * half_width:.2g} points either way (95%): {close:,} bleeds, each "
        "followed for the whole window."
    ]
    if detect is not None:
        _refuse_same(rate, detect, "--detect")
        needed = math.ceil(one_rate_bleeds(rate, detect, power))
        lines.append(
            f"To find that it has become {detect:.2%}, where {rate:.2%} is known well: {needed:,} bleeds "
            f"({_chance(power)}, one-sided at 5%)."
        )
    return "\n".join(lines)


def trial_text(rate: float, other: float, power: float, bleeds: int | None, weekly: WeeklyTrial | None) -> str:
    """How large a trial of a changed procedure must be, randomised by bleed or by week.

    Raises
    ------
    UserError
        A rate or chance outside 0 to 1, no difference to find, weeks that cannot be.
    """
    _refuse_shares({"--rate": rate, "--target-rate": other, "--power": power})
    _refuse_same(rate, other, "--target-rate")
    plain = two_arm_bleeds(rate, other, power)
    arm = math.ceil(continuity_corrected(plain, rate, other))
    lines = [
        f"From {rate:.2%} to {other:.2%}, each bleed put into its arm by lot: {arm:,} bleeds in each arm, "
        f"{2 * arm:,} in all ({_chance(power)}, two-sided at 5%).",
    ]
    if weekly is not None:
        lines += _weekly_text(arm, weekly)
    if bleeds is not None:
        chance = two_arm_power(rate, other, bleeds, bleeds)
        lines.append(f"With {bleeds:,} bleeds in each arm the difference is found {chance:.0%} of the time.")
    lines.append(
        "Write the trial's name into 'trial', the arm into 'trial_arm' and what was randomised (bleed, bike, technician, "
        "workshop or week) into 'trial_unit' of each bleed; the audit then compares the arms. "
        "Wait for the window after the last bleed. Decide the size before, and look at the end."
    )
    return "\n".join(lines)


@dataclass(frozen=True)
class WeeklyTrial:
    """A trial whose whole weeks are put into an arm: bleeds a week and how alike the bleeds of one week are (0–1)."""

    bleeds_per_week: float
    correlation: float


def step_power_text(options: StepPowerOptions, progress: Callable[[str], None] = lambda _: None) -> str:
    """How many bleeds it takes to see a step's cost, by simulation from the shop's own log.

    Raises
    ------
    UserError
        The exports, map or standard; an unknown step, one hardly ever missed or met; too few comebacks to draw from.
    """
    if not 0 < options.hazard_ratio < 100 or options.hazard_ratio == 1:
        raise UserError(
            "--hazard-ratio", f"is {options.hazard_ratio:g}", "above 0, at most 100, and not 1", "2 is twice as likely"
        )
    _refuse_shares({"--power": options.power})
    progress("reading the log")
    log = read_log(options.exports, options.map_path, options.as_of)
    standard = standard_for(log, options.standard_path)
    ready = bleed_data(log, standard, standard.window_days)
    _refuse_step(ready, options.step)
    sizes = options.bleeds or tuple(
        max(MIN_SAMPLED, 100 * round(ready.bleeds.height * share / 100)) for share in LOG_FRACTIONS
    )
    for size in sizes:
        if not MIN_SAMPLED <= size <= MAX_DRAWN:
            raise UserError("--bleeds", f"is {size:,}", f"{MIN_SAMPLED} to {MAX_DRAWN:,}", "ask for other sizes")
    study = PowerStudy(
        options.step, options.hazard_ratio, tuple(sorted(set(map(int, sizes)))), options.power, options.runs
    )
    power = step_power(fit_data(ready, options.seed), study, np.random.default_rng(options.seed), progress)
    title = next(step.title for step in standard.steps if step.id == options.step)
    return _step_lines(power, title, options.runs)


def _step_lines(power: StepPower, title: str, runs: int) -> str:
    lines = [
        f"“{title}”: a miss that makes a return {power.study.hazard_ratio:g} times as likely. Meeting it always would spare "
        f"{power.prevented_per_100:.2f} comebacks per 100 bleeds in a log like this one.",
        f"Drawn from this log {runs} times at each size, returns planted, the audit's return model fitted (p ≤ 0.05):",
    ]
    lines += [
        f"  {at.bleeds:>9,} bleeds ({at.comebacks:,.0f} comebacks): found {at.share_detected:.0%} of the time "
        f"({at.lo:.0%} to {at.hi:.0%})"
        for at in power.sizes
    ]
    if power.required_bleeds is None:
        return "\n".join([*lines, "At these sizes it cannot be told from chance: ask for larger ones with --bleeds."])
    limits = f"{_rounded(power.required_lo)} to {_rounded(power.required_hi)}"
    lines.append(
        f"Found {power.study.power:.0%} of the time from about {_rounded(power.required_bleeds)} bleeds ({limits}). Where the signs on the "
        "stand foretell returns, the audit needs fewer; with false discoveries held over all steps, somewhat more."
    )
    return "\n".join(lines)


def _rounded(bleeds: float | None) -> str:
    """To two digits: more would be show."""
    if bleeds is None or bleeds > 1e8:
        return "past reach"
    return f"{round(bleeds, 1 - math.floor(math.log10(bleeds))):,.0f}"


def _weekly_text(arm: int, weekly: WeeklyTrial) -> list[str]:
    if not 1 <= weekly.bleeds_per_week <= MAX_A_WEEK or not 0 <= weekly.correlation < 1:
        raise UserError(
            "--bleeds-a-week, --correlation",
            f"are {weekly.bleeds_per_week:g} and {weekly.correlation:g}",
            f"1 to {MAX_A_WEEK:,}, and 0 to below 1",
            "0.01 where nothing is known",
        )
    larger = design_effect(weekly.bleeds_per_week, weekly.correlation)
    needed = math.ceil(arm * larger)
    weeks = max(math.ceil(needed / weekly.bleeds_per_week), 4)
    return [
        f"With whole weeks put into an arm by lot, {weekly.bleeds_per_week:g} bleeds a week that are alike by "
        f"{weekly.correlation:g}: {larger:.2f} times as many, {needed:,} bleeds or {weeks:,} weeks in each arm."
    ]


def _refuse_step(data: BleedData, step: str) -> None:
    known = [one.id for one in data.standard.steps]
    if step not in known:
        raise UserError("--step", f"{step!r} is no step of {data.standard.name}", ", ".join(known), "name one of them")
    if data.small_sample:
        raise UserError(
            "the exports",
            f"hold {data.comebacks} re-bleed comebacks",
            f"{MIN_COMEBACKS} or more to draw from",
            "until then: rebleed plan trial, which needs no log",
        )
    estimable = estimable_steps(data)
    if step not in estimable:
        raise UserError(
            "--step",
            f"{step} is hardly ever missed, met or written down in this log",
            f"one of {', '.join(estimable) or 'none yet'}",
            "name another step",
        )


def _refuse_shares(shares: dict[str, float | None]) -> None:
    for option, value in shares.items():
        if value is not None and not MIN_SHARE <= value <= 1 - MIN_SHARE:
            raise UserError(option, f"is {value:g}", "a fraction between 0 and 1, at least 0.000001", "6% is 0.06")


def _refuse_same(rate: float, other: float, option: str) -> None:
    if rate == other:
        raise UserError(option, f"is {other:g}, the same as --rate", "another rate", "say what should be found")


def _chance(power: float) -> str:
    return f"found {power:.0%} of the time"
