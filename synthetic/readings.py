"""What the bench would write down of each step: readings that meet the standard or miss it, as the step went."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.missed_steps import Missed
from synthetic.models import PORT_MET_NM, PORT_MISSED_NM
from synthetic.procedure import PLACE

Columns = dict[str, NDArray]
# values known to be written as yes or no
TICKS = {
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
class Bubbles:
    """How many bubbles rise on average: some anyway, and so many a ml of air."""

    anyway: float
    a_ml: float

    def expected(self, air_ml: NDArray[np.float64]) -> NDArray[np.float64]:
        return self.anyway + self.a_ml * air_ml


FIRST_BUBBLES, LAST_BUBBLES = Bubbles(3.0, 180.0), Bubbles(0.5, 45.0)


def step_readings(
    missed: Missed, pairs: NDArray[np.int64], seen_ml: NDArray[np.float64], rng: np.random.Generator
) -> Columns:
    """One array a field; a field that decides a step lies outside its limits exactly where the step was missed."""
    n = len(missed)

    def lost(step: str) -> NDArray[np.bool_]:
        return missed[:, PLACE[step]]

    def between(low: float, high: float, digits: int) -> NDArray[np.float64]:
        return np.round(rng.uniform(low, high, n), digits)

    def either(below: tuple[float, float], above: tuple[float, float], share: float, digits: int) -> NDArray:
        return np.where(rng.random(n) < share, between(*below, digits), between(*above, digits))

    lever_end = between(4.0, 9.0, 1)
    balance = np.where(lost("end_balance"), -between(0.0, 4.0, 1), between(0.5, 9.0, 1))
    columns: Columns = {field: ~lost(step) for step, field in TICKS.items()}
    columns |= {
        "lever_reach_mm": np.where(lost("reach"), either((60, 74), (81, 96), 0.4, 0), between(75, 80, 0)),
        "blocks_fitted": np.where(lost("blocks"), pairs - 1, pairs),
        "block_mm": np.where(pairs == 1, 10.0, 12.0),
        "lever_syringe_fill": np.where(
            lost("lever_fill"), either((0.3, 0.6), (0.9, 1.0), 0.6, 2), between(0.65, 0.85, 2)
        ),
        "caliper_syringe_fill": np.where(
            lost("caliper_fill"), either((0.0, 0.1), (0.4, 0.75), 0.4, 2), between(0.15, 0.35, 2)
        ),
        "cycles": np.where(lost("cycles"), rng.random(n) < 0.93, 2 + rng.binomial(4, 0.25, n)).astype(np.int64),
        "bubbles_first": np.minimum(rng.poisson(FIRST_BUBBLES.expected(seen_ml)), 500),
        "bubbles_last": np.where(
            lost("clear_finish"), np.minimum(1 + rng.poisson(LAST_BUBBLES.expected(seen_ml)), 500), 0
        ),
        "lever_vacuum_strokes": np.where(lost("lever_vacuum"), rng.integers(0, 2, n), 2 + rng.poisson(3.0, n)),
        "settle_minutes": np.where(
            lost("settle"), rng.integers(0, 4, n) / 2, 2 + np.minimum(rng.poisson(3.0, n), 40) * 1.0
        ),
        "lever_syringe_end_ml": lever_end,
        "caliper_syringe_end_ml": np.round(lever_end + balance, 1),
        "lever_port_nm": _torque(lost("lever_port"), rng),
        "caliper_port_nm": _torque(lost("caliper_port"), rng),
    }
    columns["volume_moved_ml"] = np.round(columns["cycles"] * rng.uniform(14, 26, n) + rng.uniform(2, 9, n), 0)
    return columns


def _torque(missed: NDArray[np.bool_], rng: np.random.Generator) -> NDArray[np.float64]:
    n = len(missed)
    met = np.round(rng.uniform(*PORT_MET_NM, n), 1)
    low = np.round(rng.uniform(0.4, PORT_MISSED_NM[0] - 0.1, n), 1)
    high = np.round(rng.uniform(PORT_MISSED_NM[1] + 0.1, 3.4, n), 1)
    return np.where(missed, np.where(rng.random(n) < 0.6, low, high), met)
