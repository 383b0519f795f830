"""The coaching effect against an independent regression and a published spread between studies.

Source of the spread: 13 trials of BCG vaccine (G. A. Colditz et al. 1994, J. Am. Med. Assoc. 271:698-702), log risk
ratios, DerSimonian and Laird's variance between trials 0.309 (as the R package metafor prints it; from memory).
Source: statsmodels' ordinary least squares of missed on after × coached with every technician's own intercept: where
every peer has as many bleeds before as after and as many as each other, its interaction is the same number.
"""

import numpy as np
import pytest
import statsmodels.api as sm

from analysis.people.before_after import ShareChanges, difference
from analysis.stats import between_variance

BEFORE = {"Wren": 16, "Sorrel": 8, "Flint": 10, "Alder": 12}
AFTER = {"Wren": 5, "Sorrel": 9, "Flint": 8, "Alder": 12}
BLEEDS = 40


def test_the_change_equals_the_interaction_of_a_regression():
    rows = [
        (miss, who == "Wren", after, who)
        for after, counts in ((0, BEFORE), (1, AFTER))
        for who, missed in counts.items()
        for miss in [1] * missed + [0] * (BLEEDS - missed)
    ]
    y = np.array([row[0] for row in rows], dtype=float)
    post = np.array([row[2] for row in rows], dtype=float)
    own = np.array([row[1] for row in rows], dtype=float)
    people = np.array([[row[3] == who for who in BEFORE] for row in rows], dtype=float)
    theirs = sm.OLS(y, np.column_stack([post * own, post, people])).fit()
    before, after = (np.array([c[w] for w in BEFORE]) / BLEEDS for c in (BEFORE, AFTER))
    variance = np.full(4, 0.01)  # equal, as the counts are
    matches = difference(
        ShareChanges(before[:1], after[:1], variance[:1]), ShareChanges(before[1:], after[1:], variance[1:])
    )
    assert matches.change == pytest.approx(theirs.params[0], abs=1e-12)
    assert matches.peers_change == pytest.approx(theirs.params[1], abs=1e-12)


BCG = (
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761),
    (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232), (17, 1699, 65, 1600),
    (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
)  # fmt: skip
"""Cases and others with the vaccine and without."""


def test_the_spread_between_peers_is_dersimonian_and_lairds():
    ill, well, ill_0, well_0 = np.array(BCG, dtype=float).T
    effect = np.log(ill / (ill + well)) - np.log(ill_0 / (ill_0 + well_0))
    variance = 1 / ill - 1 / (ill + well) + 1 / ill_0 - 1 / (ill_0 + well_0)
    assert between_variance(effect, variance) == pytest.approx(0.3088, abs=5e-5)
