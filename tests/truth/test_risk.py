"""The risk of a re-bleed on simulated workshops with known truth (slow lane).

Each world's bleeds are cut in time: the model learns from the first 70%, followed up to the first of the last 30%, and
tells these. It is scored against each bleed's true risk as the expected outcome, which takes most of the luck out. The
true risk holds luck that no log shows, so that no model reaches it: one that knew the world's own parameters and read
the same log would reach 0.95 of its gain in log loss in the base family and 0.93 in the loglinear one
(`synthetic/attainable_risk.py`; two worlds of 3,000 each). 700 bleeds hold about 70 returns to learn from, 2,100 about 230.

The aims for the share are 0.78 at 1,000 bleeds, 0.86 at 3,000 and 0.905 at 20,000. Over 20 worlds each 0.85 was reached at
1,000 (base 0.84, loglinear 0.85; 95% limits of the mean 0.83 to 0.86), 0.876 at 3,000 (0.88, 0.87; 0.867 to 0.886) and
0.917 at 20,000 (0.918, 0.915; 0.913 to 0.921); over 20 others 0.84 (0.81 to 0.87) at 1,000 and 0.876 (0.861 to 0.891) at
3,000, over four at 20,000 0.914 (0.905 to 0.922): the aims are met. What is held here is that no change loses more than
0.03 of that. A tenth of the bleeds caught 32 and 43 of 100 comebacks at 1,000 (the true risks themselves 34 and 45), 33
and 42 at 3,000 (34 and 44); calibration slopes were 1.01 and 0.99 at 1,000, 1.02 and 1.02 at 3,000 (over the others 1.09
and 0.96).
"""

from functools import cache

import numpy as np
import pytest

from analysis.prove.workshop_measures import CAUGHT, MAX_CAUGHT, SHARE, SLOPE, TREES, predict_last_bleeds, risk_figures
from analysis.stats import Z95
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import log_of_made, prepared_from

pytestmark = pytest.mark.truth
WORLDS, FIRST_SEED = 10, 71_000
FAMILIES = ("base", "loglinear")
SIZES = (1000, 3000)


@cache
def message(name: str, sessions: int, seed: int) -> dict[str, float]:
    """The proof's figures of one world; its ceiling, dear to reckon, is not asked for."""
    world = simulate(scenario_workshop(name, sessions), seed)
    log = log_of_made(world)
    data = prepared_from(log)
    last = predict_last_bleeds(log, data, data)
    assert last is not None
    other = last.bleeds.to_frame().join(world.truth_bleeds, on="session_id", maintain_order="left", how="left")
    truth = other.get_column("risk").to_numpy()
    return risk_figures(last, truth, truth)


def every(sessions: int, what: str) -> np.ndarray:
    return np.array([message(name, sessions, FIRST_SEED + i)[what] for name in FAMILIES for i in range(WORLDS)])


def middle(values: np.ndarray) -> tuple[float, float]:
    """The mean, and how far its 95% limits lie from it."""
    return float(values.mean()), Z95 * float(values.std(ddof=1)) / len(values) ** 0.5


@pytest.mark.parametrize("sessions", SIZES)
def test_the_model_beats_boosted_trees_with_default_settings(sessions: int) -> None:
    ahead, reach = middle(every(sessions, SHARE) - every(sessions, TREES))
    assert ahead - reach > 0


@pytest.mark.parametrize(("sessions", "reached"), [(1000, 0.847), (3000, 0.876)])
def test_the_share_of_the_true_risks_gain_is_no_less_than_was_reached(sessions: int, reached: float) -> None:
    share, _ = middle(every(sessions, SHARE))
    assert share >= reached - 0.03


@pytest.mark.parametrize("sessions", SIZES)
def test_a_worklist_of_a_tenth_catches_thirty_in_a_hundred_or_most_of_what_the_truth_would(sessions: int) -> None:
    caught, reach = middle(every(sessions, CAUGHT))
    best, _ = middle(every(sessions, MAX_CAUGHT))
    assert caught + reach >= min(30.0, 0.9 * best)


def test_risks_are_calibrated_at_3000_bleeds() -> None:
    slope, reach = middle(every(3000, SLOPE))
    assert slope + reach >= 0.9
    assert slope - reach <= 1.1


if __name__ == "__main__":
    for sessions in SIZES:
        for name in FAMILIES:
            rows = [message(name, sessions, FIRST_SEED + i) for i in range(WORLDS)]
            for what in (SHARE, TREES, SLOPE, CAUGHT, MAX_CAUGHT):
                mean, reach = middle(np.array([row[what] for row in rows]))
                print(f"{name:<10} {sessions:>6} {what:<20} {mean:8.3f} ± {reach:.3f}", flush=True)
