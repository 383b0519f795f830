"""Readings of each step, inside or outside the limits as the step was met or missed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.missed_steps import Missed
from synthetic.models import PORT_MET_NM, PORT_MISSED_NM
from synthetic.procedure import PLACE

Columns = dict[str, NDArray]
# steps recorded as yes or no
YES_NO_FIELDS = {
    "pads_out": "pads_out",
    "pistons": "pistons_seated",
    "purge": "kit_purged",
    "upright": "syringes_upright",
    "closed_first": "caliper_closed_first",
    "seals": "port_seals_checked",
    "cleaned": "cleaned",
    "reach_restored": "reach_restored",
}


@dataclass(frozen=True)
class BubbleModel:
    """Mean number of bubbles: a constant plus a number per ml of air."""

    baseline: float
    per_ml: float

    def expected(self, air_ml: NDArray[np.float64]) -> NDArray[np.float64]:
        return self.baseline + self.per_ml * air_ml


LAST_BUBBLES = BubbleModel(0.5, 45.0)


def step_readings(
    missed: Missed, pairs: NDArray[np.int64], seen_ml: NDArray[np.float64], rng: np.random.Generator
) -> Columns:
    """One array per field; the reading of a step is outside its limits exactly if the step was missed."""
    n = len(missed)

    def is_missed(step: str) -> NDArray[np.bool_]:
        return missed[:, PLACE[step]]

    def between(low: float, high: float, digits: int) -> NDArray[np.float64]:
        return np.round(rng.uniform(low, high, n), digits)

    def either(low: tuple[float, float], high: tuple[float, float], share_low: float, digits: int) -> NDArray:
        return np.where(rng.random(n) < share_low, between(*low, digits), between(*high, digits))

    lever_end = between(4.0, 9.0, 1)
    balance = np.where(is_missed("end_balance"), -between(0.0, 4.0, 1), between(0.5, 9.0, 1))
    columns: Columns = {field: ~is_missed(step) for step, field in YES_NO_FIELDS.items()}
    columns |= {
        "lever_reach_mm": np.where(is_missed("reach"), either((60, 74), (81, 96), 0.4, 0), between(75, 80, 0)),
        "blocks_fitted": np.where(is_missed("blocks"), pairs - 1, pairs),
        "block_mm": np.where(pairs == 1, 10.0, 12.0),
        "lever_syringe_fill": np.where(
            is_missed("lever_fill"), either((0.3, 0.6), (0.9, 1.0), 0.6, 2), between(0.65, 0.85, 2)
        ),
        "caliper_syringe_fill": np.where(
            is_missed("caliper_fill"), either((0.0, 0.1), (0.4, 0.75), 0.4, 2), between(0.15, 0.35, 2)
        ),
        "cycles": np.where(is_missed("cycles"), rng.random(n) < 0.93, 2 + rng.binomial(4, 0.25, n)).astype(np.int64),
        "bubbles_last": np.where(
            is_missed("clear_finish"), np.minimum(1 + rng.poisson(LAST_BUBBLES.expected(seen_ml)), 500), 0
        ),
        "lever_vacuum_strokes": np.where(is_missed("lever_vacuum"), rng.integers(0, 2, n), 2 + rng.poisson(3.0, n)),
        "settle_minutes": np.where(
            is_missed("settle"), rng.integers(0, 4, n) / 2, 2 + np.minimum(rng.poisson(3.0, n), 40) * 1.0
        ),
        "lever_syringe_end_ml": lever_end,
        "caliper_syringe_end_ml": np.round(lever_end + balance, 1),
        "lever_port_nm": _sample_port_torque(is_missed("lever_port"), rng),
        "caliper_port_nm": _sample_port_torque(is_missed("caliper_port"), rng),
    }
    columns["volume_moved_ml"] = np.round(columns["cycles"] * rng.uniform(14, 26, n) + rng.uniform(2, 9, n), 0)
    return columns


def _sample_port_torque(missed: NDArray[np.bool_], rng: np.random.Generator) -> NDArray[np.float64]:
    n = len(missed)
    correct = np.round(rng.uniform(*PORT_MET_NM, n), 1)
    low = np.round(rng.uniform(0.4, PORT_MISSED_NM[0] - 0.1, n), 1)
    high = np.round(rng.uniform(PORT_MISSED_NM[1] + 0.1, 3.4, n), 1)
    return np.where(missed, np.where(rng.random(n) < 0.6, low, high), correct)
