"""Parameters of a simulated workshop: technicians, brakes, habits, events and record keeping."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Literal

from synthetic.procedure import STEP_IDS

Generator = Literal["physical", "loglinear"]


@dataclass(frozen=True)
class StepTruth:
    """How often a step is missed, and the effect of a miss.

    `effect` is the log hazard ratio of a miss in an otherwise ordinary bleed; `bypass` is the share of it that no stand
    reading shows.
    """

    id: str
    share_missed: float
    effect: float
    bypass: float = 0.0


@dataclass(frozen=True)
class Change:
    """A change from `month` on (1 is the first of the log) in `shop` (empty: all).

    `shift` is added to the logit of missing `step` or, if `step` is empty, to the log hazard.
    """

    month: int
    shift: float
    shop: str = ""
    step: str = ""


@dataclass(frozen=True)
class Lesson:
    """A coaching session of one technician on one step in `month`; `shift` is added to the logit of missing it.

    An empty `technician` means the one with the highest share missed in that month and the two before.
    """

    technician: str
    step: str
    month: int
    shift: float


@dataclass(frozen=True)
class ReturnRecordingMonths:
    """A workshop that recorded returns only from `first_month` to `last_month` (0: to the end of the log)."""

    shop: str
    first_month: int = 1
    last_month: int = 0


@dataclass(frozen=True)
class ClusterTrial:
    """A trial from `month` on in which half of the workshops, chosen at random, change their procedure.

    The change adds `shift` to their log hazard (0: no effect).
    """

    month: int
    shift: float
    name: str = "new procedure"


@dataclass(frozen=True)
class Habit:
    """Fixed characteristics of one technician; values of None are sampled.

    `skill` is a log hazard ratio beyond the recorded steps (above 0 is worse); `taste` the preference for difficult brakes;
    `recorder` the way of recording: honest, copier, rounder or selective; `plain` technicians miss each step at the rate of
    the workshop; `sloppy` adds to the logit of missing single steps.
    """

    technician: str
    skill: float | None = None
    taste: float | None = None
    recorder: str = "honest"
    plain: bool = False
    sloppy: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Newcomer:
    """A technician who begins in `month`; `shift` is added to the logit of missing each step, and halves every
    `halving_months` (infinite: never)."""

    technician: str
    month: int
    shift: float = 0.0
    halving_months: float = float("inf")


STEP_TRUTHS = (
    StepTruth("reach", 0.30, 0.0),
    StepTruth("pads_out", 0.05, 0.0),
    StepTruth("pistons", 0.07, 0.6),
    StepTruth("blocks", 0.05, 0.65),
    StepTruth("lever_fill", 0.15, 0.15),
    StepTruth("caliper_fill", 0.14, 0.0),
    StepTruth("purge", 0.12, 1.6),
    StepTruth("cycles", 0.15, 1.3),
    StepTruth("clear_finish", 0.17, 1.05),
    StepTruth("lever_vacuum", 0.20, 0.7),
    StepTruth("settle", 0.25, 0.35),
    StepTruth("end_balance", 0.22, 0.2),
    StepTruth("upright", 0.10, 0.5),
    StepTruth("closed_first", 0.08, 0.95),
    StepTruth("seals", 0.06, 2.1),
    StepTruth("caliper_port", 0.12, 1.4),
    StepTruth("lever_port", 0.10, 0.9),
    StepTruth("cleaned", 0.09, 0.0),
    StepTruth("reach_restored", 0.16, 0.0),
)


@dataclass(frozen=True)
class Workshop:
    """Parameters of a simulated workshop.

    Shares and rates are fractions 0–1; effects are log hazard ratios, as are `season` (its maximum) and `month_sd`; `*_sd` are
    standard deviations; `growth` is the number of customers on the last day divided by that on the first. `wander_sd` is the
    standard deviation of each technician's monthly change in the logit of missing a step, `wander_memory` its correlation from
    month to month, `shop_sd` that of the log hazards of workshops.

    What a mechanic sees can steer the work: `skips` is subtracted from the logit of missing the passes per unit of log
    bubbles in the first pass, `stops` added to the logit of stopping with bubbles per unit of log air that earlier misses
    left. A difficulty that nobody records (standard normal) adds `unseen_misses` to the logit of every miss and
    `unseen_hazard` to the log hazard of comebacks and of other returns. `recorded_once_back` is the share of misses that are
    recorded only if the bike comes back.

    Each shop uses `fluid_lots` lots one after another and
    `kits` kits side by side (0: not recorded); `bad_lot` and `bad_kit` are log hazards of the first shop's middle lot and
    first kit (`lot_air` is true if the lot does harm by air, which stand readings show), `kit_wear` that of every kit for each 100 days of the log.
    """

    sessions: int = 3000
    months: int = 30
    as_of: dt.date = dt.date(2026, 6, 30)
    window_days: int = 90
    shops: tuple[str, ...] = ("Tarnholt", "Velmoor", "Quay Street")
    technicians: int = 14
    habits: tuple[Habit, ...] = ()
    base_rate: float = 0.06
    generator: Generator = "physical"
    steps: tuple[StepTruth, ...] = STEP_TRUTHS
    no_effect: bool = False
    effect_scale: float = 1.0
    internal_only: tuple[str, ...] = ()
    leak_share: float = 0.2
    air_threshold: float = 0.3
    air_shape: float = 0.6
    leak_shape: float = 0.9
    fade_days: float = float("inf")
    skill_sd: float = 0.2
    habit_sd: float = 0.6
    wander_sd: float = 0.0
    wander_memory: float = 0.0
    shop_sd: float = 0.0
    rush: float = 0.15
    together_sd: float = 0.5
    difficulty_misses: float = 0.15
    confounding: float = 0.5
    taste_sd: float = 1.0
    pace_spread: float = 0.4
    case_mix: float = 1.0
    luck_sd: float = 0.35
    bike_sd: float = 0.0
    one_off_share: float = 0.5
    mean_gap_days: float = 330.0
    missing_random: float = 0.03
    missing_selective: float = 0.0
    context_missing: float = 0.02
    signs_missing: float = 0.03
    signs_informative: float = 1.0
    travel_noise_mm: float = 1.0
    artefacts_mm: tuple[tuple[str, float], ...] = (("reach", 0.8), ("reach_restored", 0.4))
    drift_per_month: float = 0.0
    changes: tuple[Change, ...] = ()
    lessons: tuple[Lesson, ...] = ()
    trial: ClusterTrial | None = None
    wearing_model: str = ""
    wear_days: float = 700.0
    wear_shape: float = 3.0
    wrong_fluids: int = 0
    wrong_kits: int = 0
    other_returns: float = 0.015
    return_without_session: float = 0.4
    return_without_brake: float = 0.02
    return_reported_by_session: float = 0.08
    passes_share: float = 0.0
    season: float = 0.0
    month_sd: float = 0.0
    growth: float = 1.0
    skips: float = 0.0
    stops: float = 0.0
    unseen_misses: float = 0.0
    unseen_hazard: float = 0.0
    recorded_once_back: float = 0.0
    returns_written: tuple[ReturnRecordingMonths, ...] = ()
    newcomers: tuple[Newcomer, ...] = ()
    fluid_lots: int = 0
    kits: int = 0
    bad_lot: float = 0.0
    lot_air: bool = False
    bad_kit: float = 0.0
    kit_wear: float = 0.0

    def __post_init__(self) -> None:
        if tuple(step.id for step in self.steps) != STEP_IDS:
            raise ValueError(
                f"Workshop.steps: the {len(STEP_IDS)} steps in their order, got other ones; use with_steps"
            )
        if self.sessions < 1 or self.months < 1 or not self.shops or self.technicians < len(self.shops):
            raise ValueError("Workshop: at least one session, month and shop, and one technician per shop")
        if not 0 < self.base_rate < 0.5:
            raise ValueError(f"Workshop.base_rate: a fraction between 0 and 0.5, got {self.base_rate}")

    @property
    def step_effects(self) -> tuple[float, ...]:
        """Log hazard ratio of missing each step, in the order of the procedure."""
        scale = 0.0 if self.no_effect else self.effect_scale
        return tuple(scale * step.effect for step in self.steps)

    def with_steps(self, **changed: StepTruth) -> Workshop:
        """The workshop with some steps replaced, by ID."""
        return replace(self, steps=tuple(changed.get(step.id, step) for step in self.steps))

    def with_every_step(self, *, effect: float | None = None, bypass: float | None = None) -> Workshop:
        """The workshop with the same effect or bypass for every step."""
        return replace(self, steps=tuple(_change_step(step, effect, bypass) for step in self.steps))


def _change_step(step: StepTruth, effect: float | None, bypass: float | None) -> StepTruth:
    return replace(
        step,
        effect=step.effect if effect is None else effect,
        bypass=step.bypass if bypass is None else bypass,
    )
