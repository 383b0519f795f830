"""Physical mechanics: missed steps leave air in the brake, leaks let it in, and both make the lever soft.

Amounts of air add up, in units of an ordinary bleed, and difficult work leaves more. The hazard grows faster than the air and
only above a threshold. Leaks have their own hazards, and the seals of one model may wear out. Hazards are not proportional.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from synthetic.hazard import Cause, FloatArray, SimulatedHazard
from synthetic.missed_steps import Missed
from synthetic.procedure import PLACE, STEPS
from synthetic.workshop import Workshop

AIR_POWER = 1.3
ORDINARY_AIR_ML = 0.02
MIN_AIR = 0.02
ORDINARY_AIR_HAZARD = 2.0
LEAK_BURDEN = 0.4
LUCK_OF_A_MISS_SD = 0.5


@dataclass(frozen=True)
class Circumstances:
    """What the outcome depends on besides the steps, one entry per bleed.

    `burden` is the log hazard of work, technician, bike and month, `luck` two standard normals (air, missed step), `internal`
    the hose routing, `wears` marks a model whose seals wear out. `chance` and `roll` (bleeds × steps) decide misses, `look`
    (uniform) the number of bubbles in the first pass given the air.
    """

    burden: FloatArray
    luck: FloatArray
    internal: NDArray[np.bool_]
    wears: NDArray[np.bool_]
    chance: FloatArray
    roll: FloatArray
    look: FloatArray

    def of(self, rows: NDArray[np.intp]) -> Circumstances:
        return Circumstances(**{f.name: getattr(self, f.name)[rows] for f in fields(Circumstances)})


def hazard(workshop: Workshop, scale: float, missed: Missed, circumstances: Circumstances) -> SimulatedHazard:
    """Hazards of bleeds with these steps missed; `scale` is the baseline hazard."""
    window = workshop.window_days + 1.0
    causes = (
        Cause("air", workshop.air_shape, window),
        Cause("air", workshop.air_shape, window, workshop.fade_days),
        Cause("leak", workshop.leak_shape, window),
        Cause("leak", workshop.leak_shape, window, workshop.fade_days),
        Cause("wear", workshop.wear_shape, workshop.wear_days),
    )
    clean = np.zeros_like(missed)
    air = scale * _air_hazard(workshop, missed, circumstances)
    baseline_air = scale * _air_hazard(workshop, clean, circumstances)
    leak = scale * _leak_hazard(workshop, missed, circumstances)
    baseline_leak = scale * _leak_hazard(workshop, clean, circumstances)
    wear = circumstances.wears.astype(float)
    sizes = np.column_stack([baseline_air, air - baseline_air, baseline_leak, leak - baseline_leak, wear])
    return SimulatedHazard(causes, sizes)


def seen_air_ml(workshop: Workshop, missed: Missed, circumstances: Circumstances) -> FloatArray:
    """Free air left, ml, as far as signs show it."""
    return ORDINARY_AIR_ML * _relative_air(workshop, missed, circumstances, visible=True)


def _air_hazard(workshop: Workshop, missed: Missed, circumstances: Circumstances) -> FloatArray:
    excess = _relative_air(workshop, missed, circumstances, visible=False) - workshop.air_threshold
    return np.asarray(np.maximum(excess, MIN_AIR) ** AIR_POWER)


def _relative_air(workshop: Workshop, missed: Missed, circumstances: Circumstances, *, visible: bool) -> FloatArray:
    """Air in units of an ordinary bleed."""
    baseline = np.exp(workshop.luck_sd * circumstances.luck[:, 0] / AIR_POWER)
    added = np.zeros(len(missed))
    for step, truth, effect in zip(STEPS, workshop.steps, workshop.step_effects, strict=True):
        if step.acts == "air" and effect != 0.0:
            amount = np.expm1(effect / AIR_POWER) * (1 - truth.bypass if visible else 1.0)
            added += amount * _acts_here(workshop, step.id, missed, circumstances)
    miss_luck = np.exp(LUCK_OF_A_MISS_SD * circumstances.luck[:, 1] - LUCK_OF_A_MISS_SD**2 / 2)
    return np.asarray(np.exp(circumstances.burden / AIR_POWER) * (baseline + added * miss_luck))


def _leak_hazard(workshop: Workshop, missed: Missed, circumstances: Circumstances) -> FloatArray:
    added = np.ones(len(missed))
    for place, (step, effect) in enumerate(zip(STEPS, workshop.step_effects, strict=True)):
        if step.acts == "leak" and effect != 0.0:
            added += np.expm1(effect) * missed[:, place]
    odds = workshop.leak_share / (1 - workshop.leak_share)
    return np.asarray(ORDINARY_AIR_HAZARD * odds * np.exp(LEAK_BURDEN * circumstances.burden) * added)


def _acts_here(workshop: Workshop, step: str, missed: Missed, circumstances: Circumstances) -> NDArray[np.bool_]:
    column = missed[:, PLACE[step]]
    return np.asarray(column & circumstances.internal) if step in workshop.internal_only else column
