"""The coaching effect against an independent regression.

Source: statsmodels' ordinary least squares of missed on after × coached with every technician's own intercept: where
every peer has as many bleeds before as after and as many as each other, its interaction is the same number.
"""

import numpy as np
import pytest
import statsmodels.api as sm

from analysis.people.coaching import Changes, difference

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
    found = difference(Changes(before[:1], after[:1], variance[:1]), Changes(before[1:], after[1:], variance[1:]))
    assert found.change == pytest.approx(theirs.params[0], abs=1e-12)
    assert found.peers_change == pytest.approx(theirs.params[1], abs=1e-12)
