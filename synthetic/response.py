"""What a mechanic sees steers the work: bubbles in the first pass, and bubbles that go on showing."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from synthetic.hazard import FloatArray
from synthetic.missed_steps import MAX_CHANCE, MIN_CHANCE, Missed
from synthetic.physical import Circumstances
from synthetic.procedure import BEFORE_FIRST_PASS, BEFORE_LAST_PASS, PLACE, STEP_IDS
from synthetic.workshop import Workshop

BUBBLES, BUBBLES_PER_ML, MAX_BUBBLES = 3.0, 180.0, 60
"""Mean bubbles in the first pass: a constant plus a number per ml of air; nobody counts further than the last number."""
TYPICAL_BUBBLES = 7.0


def first_air_ml(mechanics: ModuleType, workshop: Workshop, missed: Missed, circumstances: Circumstances) -> FloatArray:
    """Free air in the first pass, ml: later steps have not been done yet."""
    return np.asarray(mechanics.seen_air_ml(workshop, _keep_steps(missed, BEFORE_FIRST_PASS), circumstances))


def expected_bubbles(air_ml: FloatArray) -> FloatArray:
    """Mean number of bubbles in the first pass."""
    return BUBBLES + BUBBLES_PER_ML * air_ml


def first_bubbles(
    mechanics: ModuleType, workshop: Workshop, missed: Missed, circumstances: Circumstances
) -> NDArray[np.int64]:
    """Bubbles counted in the first pass: more air never gives fewer bubbles in the same bleed."""
    from scipy import stats

    air = first_air_ml(mechanics, workshop, missed, circumstances)
    counts = stats.poisson.ppf(circumstances.look, expected_bubbles(air))
    return np.minimum(counts, MAX_BUBBLES).astype(np.int64)


def adapt_misses_to_bubbles(
    mechanics: ModuleType, workshop: Workshop, missed: Missed, circumstances: Circumstances, fixed: tuple[str, ...] = ()
) -> Missed:
    """The misses, with passes skipped where few bubbles show, and the last one where air still comes.

    Air by luck alone does not steer the last pass: nothing recorded would show it. Steps of `fixed` stay as they are.
    """
    missed = missed.copy()
    if workshop.skips and "cycles" not in fixed:
        bubbles = first_bubbles(mechanics, workshop, missed, circumstances)
        shift = -workshop.skips * np.log((1 + bubbles) / (1 + TYPICAL_BUBBLES))
        missed[:, PLACE["cycles"]] = _is_missed("cycles", shift, circumstances)
    if workshop.stops and "clear_finish" not in fixed:
        usual = replace(circumstances, luck=np.zeros_like(circumstances.luck))
        air = mechanics.seen_air_ml(workshop, _keep_steps(missed, BEFORE_LAST_PASS), usual)
        clean = mechanics.seen_air_ml(workshop, np.zeros_like(missed), usual)
        missed[:, PLACE["clear_finish"]] = _is_missed(
            "clear_finish", workshop.stops * np.log(air / clean), circumstances
        )
    return missed


def _is_missed(step: str, shift: FloatArray, circumstances: Circumstances) -> NDArray[np.bool_]:
    chance = circumstances.chance[:, PLACE[step]]
    shifted = 1 / (1 + (1 - chance) / chance * np.exp(-shift))
    return np.asarray(circumstances.roll[:, PLACE[step]] < np.clip(shifted, MIN_CHANCE, MAX_CHANCE))


def _keep_steps(missed: Missed, steps: tuple[str, ...]) -> Missed:
    return missed & np.isin(STEP_IDS, steps)
