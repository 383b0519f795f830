"""The risk of a re-bleed on simulated workshops with known truth (slow lane).

Each world's bleeds are cut in time: the model learns from the first 70%, followed up to the first of the last 30%, and
tells these. It is scored against each bleed's true risk as the expected outcome, which takes most of the luck out. The
true risk holds luck that no log shows, so that no model reaches it: boosted trees taught the true risks themselves, on
42,000 bleeds, reach 0.95 of its gain in log loss in the base family and 0.93 in the loglinear one. 700 bleeds hold about
70 returns to learn from, 2,100 about 230.

The aims for the share are 0.78 at 1,000 bleeds and 0.86 at 3,000. At 1,000 bleeds 0.76 was reached over 20 worlds (base 0.72,
loglinear 0.79; 95% limits of the mean 0.73 to 0.79: the aim is neither shown nor ruled out). At 3,000 the aim is missed:
0.84 (0.84, 0.83), measured before the trees were halved, which on 15 other worlds of five families changed it by
+0.005 ± 0.006. What is held here is that no change loses more than 0.03 of that. A tenth of the bleeds caught 31 and 42
of 100 comebacks at 1,000 (the true risks themselves 34 and 45), 33 and 41 at 3,000 (34 and 44); calibration slopes 1.00
and 1.05 at 1,000.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier

from analysis.risk import bleed_features, history_of, risk_model
from analysis.risk.calibration import calibration_line, odds
from analysis.risk.cells import Cells
from analysis.risk.foretold import outcome_of
from analysis.risk.trees import told_inputs, values_of_all
from analysis.standard import built_in
from synthetic import family, made
from tests.worlds import log_of_made, prepared_from

pytestmark = pytest.mark.truth
WORLDS, FIRST_SEED = 10, 71_000
FAMILIES = ("base", "loglinear")
SIZES = (1000, 3000)


@dataclass(frozen=True)
class Told:
    """What came of one world: shares of the true risk's gain in log loss (model, default trees), comebacks per 100 among
    the tenth of bleeds told (truly) riskiest, and the slope and level of the calibration."""

    share: float
    trees_share: float
    caught: float
    best_caught: float
    slope: float
    expected_over_told: float


@cache
def told(name: str, sessions: int, seed: int) -> Told:
    world = made(family(name, sessions), seed)
    log = log_of_made(world)
    ready = prepared_from(log)
    features = bleed_features(log, built_in(), history_of(ready.bleeds, 90))
    outcome = outcome_of(ready)
    first = int(np.sort(outcome.day)[int(0.7 * len(outcome.day))])
    before, after = np.flatnonzero(outcome.day < first), np.flatnonzero(outcome.day >= first)
    course = outcome.course.of(before).cut(first - 1 - outcome.day[before])
    rng = np.random.default_rng(seed)
    model = risk_model(features.of(before), course, 90, rng)
    risk = model.told(features.table[after]).risk
    beside = ready.bleeds.select("session_id").join(
        world.truth_bleeds, on="session_id", maintain_order="left", how="left"
    )
    truth = beside.get_column("risk").to_numpy()[after]
    followed = before[first - 1 - outcome.day[before] >= 90]
    trees = _default_trees(features, followed, outcome.came_back[followed], after)
    return Told(
        share=_share(risk, truth),
        trees_share=_share(trees, truth),
        caught=_caught(risk, truth),
        best_caught=_caught(truth, truth),
        slope=_slope(risk, truth),
        expected_over_told=float(truth.sum() / risk.sum()),
    )


def _default_trees(features, rows, came_back, asked):
    cells = Cells(features.table)
    x = values_of_all(cells, [one.column for one in told_inputs(cells, features.steps)])
    grown = HistGradientBoostingClassifier(random_state=0).fit(x[rows], came_back)
    return np.clip(grown.predict_proba(x[asked])[:, 1], 1e-6, 1 - 1e-6)


def _loss(risk, truth):
    return -float((truth * np.log(risk) + (1 - truth) * np.log1p(-risk)).mean())


def _share(risk, truth):
    constant = _loss(np.full(len(truth), truth.mean()), truth)
    return (constant - _loss(risk, truth)) / (constant - _loss(truth, truth))


def _caught(risk, truth):
    top = np.argsort(-risk)[: round(0.1 * len(risk))]
    return 100 * truth[top].sum() / truth.sum()


def _slope(risk, truth):
    """The calibration slope against the true risks."""
    line = calibration_line(odds(risk), truth)
    return line.slope


def every(sessions: int, what: str) -> np.ndarray:
    return np.array([getattr(told(name, sessions, FIRST_SEED + i), what) for name in FAMILIES for i in range(WORLDS)])


def middle(values: np.ndarray) -> tuple[float, float]:
    """The mean, and how far its 95% limits lie from it."""
    return float(values.mean()), 1.96 * float(values.std(ddof=1)) / len(values) ** 0.5


@pytest.mark.parametrize("sessions", SIZES)
def test_the_model_beats_boosted_trees_as_they_come(sessions: int) -> None:
    ahead, reach = middle(every(sessions, "share") - every(sessions, "trees_share"))
    assert ahead - reach > 0


@pytest.mark.parametrize(("sessions", "reached"), [(1000, 0.756), (3000, 0.83)])
def test_the_share_of_the_true_risks_gain_is_no_less_than_was_reached(sessions: int, reached: float) -> None:
    share, _ = middle(every(sessions, "share"))
    assert share >= reached - 0.03


@pytest.mark.parametrize("sessions", SIZES)
def test_a_worklist_of_a_tenth_catches_thirty_in_a_hundred_or_most_of_what_the_truth_would(sessions: int) -> None:
    caught, reach = middle(every(sessions, "caught"))
    best, _ = middle(every(sessions, "best_caught"))
    assert caught + reach >= min(30.0, 0.9 * best)


def test_risks_are_as_far_apart_as_they_should_be_at_3000() -> None:
    slope, reach = middle(every(3000, "slope"))
    assert slope + reach >= 0.9
    assert slope - reach <= 1.1


if __name__ == "__main__":
    for sessions in SIZES:
        for name in FAMILIES:
            rows = [told(name, sessions, FIRST_SEED + i) for i in range(WORLDS)]
            for what in Told.__dataclass_fields__:
                mean, reach = middle(np.array([getattr(row, what) for row in rows]))
                print(f"{name:<10} {sessions:>6} {what:<20} {mean:8.3f} ± {reach:.3f}", flush=True)
