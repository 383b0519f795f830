"""The physical mechanics: missed steps leave air in the circuit, leaks let it in; air and leaks make the lever soft.

Air adds up, in units of what an ordinary bleed leaves, and difficult work keeps more of all of it; its hazard
grows faster than the air and only above a threshold. Leaks are hazards of their own, and one model's seals may wear
out. Nothing here is proportional.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from synthetic.danger import Cause, Danger, Floats
from synthetic.procedure import PLACE, STEPS
from synthetic.technique import Missed
from synthetic.workshop import Workshop

AIR_POWER = 1.3
ORDINARY_AIR_ML = 0.02
LEAST_AIR = 0.02
ORDINARY_AIR_HAZARD = 2.0
LEAK_BURDEN = 0.4
LUCK_OF_A_MISS_SD = 0.5


@dataclass(frozen=True)
class Circumstances:
    """What a bleed's fate depends on besides the steps, one entry a bleed: `burden` (log hazard of work, hands,
    bike and months), `luck` (standard normals: air, miss), `internal` (hose), `wears` (a model whose seals fail)."""

    burden: Floats
    luck: Floats
    internal: NDArray[np.bool_]
    wears: NDArray[np.bool_]

    def of(self, rows: NDArray[np.intp]) -> Circumstances:
        return replace(
            self,
            burden=self.burden[rows],
            luck=self.luck[rows],
            internal=self.internal[rows],
            wears=self.wears[rows],
        )


def danger(workshop: Workshop, scale: float, missed: Missed, around: Circumstances) -> Danger:
    """The hazards of bleeds with these steps missed; `scale` sets the overall rate."""
    window = workshop.window_days + 1.0
    causes = (
        Cause("air", workshop.air_shape, window),
        Cause("air", workshop.air_shape, window, workshop.fade_days),
        Cause("leak", workshop.leak_shape, window),
        Cause("leak", workshop.leak_shape, window, workshop.fade_days),
        Cause("wear", workshop.wear_shape, workshop.wear_days),
    )
    clean = np.zeros_like(missed)
    air = scale * _air_hazard(workshop, missed, around)
    air_anyway = scale * _air_hazard(workshop, clean, around)
    leak = scale * _leak_hazard(workshop, missed, around)
    leak_anyway = scale * _leak_hazard(workshop, clean, around)
    wear = around.wears.astype(float)
    sizes = np.column_stack([air_anyway, air - air_anyway, leak_anyway, leak - leak_anyway, wear])
    return Danger(causes, sizes)


def seen_air_ml(workshop: Workshop, missed: Missed, around: Circumstances) -> Floats:
    """Free air left that the signs can show, ml."""
    return ORDINARY_AIR_ML * _air(workshop, missed, around, shown=True)


def _air_hazard(workshop: Workshop, missed: Missed, around: Circumstances) -> Floats:
    excess = _air(workshop, missed, around, shown=False) - workshop.air_threshold
    return np.asarray(np.maximum(excess, LEAST_AIR) ** AIR_POWER)


def _air(workshop: Workshop, missed: Missed, around: Circumstances, *, shown: bool) -> Floats:
    """Air in units of an ordinary bleed's."""
    left = np.exp(workshop.luck_sd * around.luck[:, 0] / AIR_POWER)
    added = np.zeros(len(missed))
    for step, truth, effect in zip(STEPS, workshop.steps, workshop.step_effects, strict=True):
        if step.acts == "air" and effect != 0.0:
            amount = np.expm1(effect / AIR_POWER) * (1 - truth.bypass if shown else 1.0)
            added += amount * _acts_here(workshop, step.id, missed, around)
    miss_luck = np.exp(LUCK_OF_A_MISS_SD * around.luck[:, 1] - LUCK_OF_A_MISS_SD**2 / 2)
    return np.asarray(np.exp(around.burden / AIR_POWER) * (left + added * miss_luck))


def _leak_hazard(workshop: Workshop, missed: Missed, around: Circumstances) -> Floats:
    added = np.ones(len(missed))
    for place, (step, effect) in enumerate(zip(STEPS, workshop.step_effects, strict=True)):
        if step.acts == "leak" and effect != 0.0:
            added += np.expm1(effect) * missed[:, place]
    odds = workshop.leak_share / (1 - workshop.leak_share)
    return np.asarray(ORDINARY_AIR_HAZARD * odds * np.exp(LEAK_BURDEN * around.burden) * added)


def _acts_here(workshop: Workshop, step: str, missed: Missed, around: Circumstances) -> NDArray[np.bool_]:
    column = missed[:, PLACE[step]]
    return np.asarray(column & around.internal) if step in workshop.internal_only else column
