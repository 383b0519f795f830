"""Log-linear mechanics with proportional hazards, deliberately different from `physical`.

Every missed step adds its effect to one log hazard; signs depend on the logarithm of the air. There are no thresholds, sums of
air or second time shapes.
"""

from __future__ import annotations

import numpy as np

from synthetic.hazard import Cause, FloatArray, SimulatedHazard
from synthetic.missed_steps import Missed
from synthetic.physical import ORDINARY_AIR_ML, Circumstances
from synthetic.procedure import STEPS
from synthetic.workshop import Workshop

AIR_PER_LOG_HAZARD = 0.8
UNSEEN_LUCK = 0.7


def hazard(workshop: Workshop, scale: float, missed: Missed, circumstances: Circumstances) -> SimulatedHazard:
    """Hazards of bleeds with these steps missed; `scale` is the baseline hazard."""
    window = workshop.window_days + 1.0
    causes = (
        Cause("air", workshop.air_shape, window),
        Cause("air", workshop.air_shape, window, workshop.fade_days),
        Cause("leak", workshop.air_shape, window, workshop.fade_days),
        Cause("wear", workshop.wear_shape, workshop.wear_days),
    )
    baseline = scale * np.exp(circumstances.burden + workshop.luck_sd * _total_luck(circumstances))
    air = baseline * np.exp(_log_hazard_of_misses(workshop, missed, circumstances, "air"))
    leak = air * np.expm1(_log_hazard_of_misses(workshop, missed, circumstances, "leak"))
    sizes = np.column_stack([baseline, air - baseline, leak, circumstances.wears.astype(float)])
    return SimulatedHazard(causes, sizes)


def seen_air_ml(workshop: Workshop, missed: Missed, circumstances: Circumstances) -> FloatArray:
    """Free air left, ml, as far as signs show it."""
    visible = np.array([1 - truth.bypass for truth in workshop.steps])
    log_air = circumstances.burden + _log_hazard_of_misses(workshop, missed, circumstances, "air", visible)
    log_air += workshop.luck_sd * circumstances.luck[:, 0]
    return np.asarray(ORDINARY_AIR_ML * np.exp(AIR_PER_LOG_HAZARD * log_air))


def _total_luck(circumstances: Circumstances) -> FloatArray:
    return np.asarray(circumstances.luck[:, 0] + UNSEEN_LUCK * circumstances.luck[:, 1])


def _log_hazard_of_misses(
    workshop: Workshop, missed: Missed, circumstances: Circumstances, acts: str, visible: FloatArray | float = 1.0
) -> FloatArray:
    by_mechanism = np.array([step.acts == acts for step in STEPS])
    inside = np.array([step.id in workshop.internal_only for step in STEPS])
    effect = np.array(workshop.step_effects) * by_mechanism * visible
    everywhere = missed @ np.where(inside, 0.0, effect)
    return np.asarray(everywhere + (missed @ np.where(inside, effect, 0.0)) * circumstances.internal)
