"""Total effects through a later step against a published example of the g-formula.

Source: M. A. Hernán & J. M. Robins, Causal Inference: What If, chapters 20 and 21, table 20.1 (cells from memory): first
treatment A0, later covariate L1, second treatment without effect; the mean outcome is 84, 52, 76 and 44 for (A0, L1) =
(0, 0), (0, 1), (1, 0), (1, 1), L1 has probability .75 without and .5 with A0, and the g-formula gives 60 in both cases.
A0 takes the place of the missed step and L1 that of the later one.
"""

import numpy as np
import pytest

from analysis.steps.total_effects import indirect_effect

MEANS = np.array([[84.0, 52.0], [76.0, 44.0]])
CELLS = {(0, 0): 4000, (0, 1): 12000, (1, 0): 8000, (1, 1): 8000}
"""Number of people by A0 and L1."""


@pytest.fixture(scope="module")
def people():
    return np.array([cell for cell, count in CELLS.items() for _ in range(count)])


def test_the_direct_effect_and_the_one_through_the_covariate_cancel(people):
    treated, covariate = people[:, 0].astype(float), people[:, 1]
    direct = treated @ (MEANS[1, covariate] - MEANS[0, covariate]) / len(people)
    chance = [covariate[treated == group].mean() for group in (0, 1)]
    change = np.full(len(people), chance[1] - chance[0])
    through = indirect_effect(treated, change, np.full(len(people), MEANS[0, 1]), np.full(len(people), MEANS[0, 0]))
    share = treated.mean()
    assert direct / share == pytest.approx(-8.0)
    assert through / share == pytest.approx(8.0)
    by_g_formula = [MEANS[group] @ [1 - chance[group], chance[group]] for group in (0, 1)]
    assert by_g_formula == pytest.approx([60.0, 60.0])
    assert (direct + through) / share == pytest.approx(by_g_formula[1] - by_g_formula[0])
