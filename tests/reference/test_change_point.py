"""Since when: the change point of known series.

Sources
- The Nile at Aswan 1871-1970, as shipped with statsmodels: the textbook break is after 1898 (G. W. Cobb 1978, Biometrika
  65:243-251, from memory), mean flows before and after 1097.75 and 849.97 (recomputed).
- British coal-mining disasters a year 1851-1962 (R. G. Jarrett 1979, Biometrika 66:191-193, as printed in teaching scripts
  of the single-change Poisson model; the copies differ in three years and agree on the change): most likely after 1891, the
  41st year; 3.1 disasters a year before, 0.9 after (from memory, and the sums of the printed series).
"""

import numpy as np
import pytest
from statsmodels.datasets import nile

from analysis.monitoring import change_point

DISASTERS = np.array([
    4, 5, 4, 1, 0, 4, 3, 4, 0, 6, 3, 3, 4, 0, 2, 6, 3, 3, 5, 4, 5, 3, 1, 4, 4, 1, 5, 5, 3, 4, 2, 5, 2, 2, 3, 4, 2, 1, 3,
    2, 2, 1, 1, 1, 1, 3, 0, 0, 1, 0, 1, 1, 0, 0, 3, 1, 0, 3, 2, 2, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 2, 1, 0, 0, 0, 1, 1,
    0, 2, 3, 3, 1, 1, 2, 1, 1, 1, 1, 2, 4, 2, 0, 0, 0, 1, 4, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1,
], dtype=float)  # fmt: skip


def test_the_nile_changed_after_1898():
    years, flow = nile.load().data["year"].to_numpy(), nile.load().data["volume"].to_numpy()
    change = change_point(flow, np.ones(100), np.random.default_rng(1))
    assert years[change.index - 1] == 1898
    assert change.ratio == pytest.approx(849.97222 / 1097.75, rel=1e-6)
    assert change.p_value < 1 / 1000  # none of 999 series without a change came near


def test_coal_mining_grew_safer_after_1891():
    change = change_point(DISASTERS, np.ones(112), np.random.default_rng(1))
    assert 1851 + change.index - 1 == 1891
    assert DISASTERS[: change.index].mean() == pytest.approx(3.1, abs=0.05)
    assert DISASTERS[change.index :].mean() == pytest.approx(0.9, abs=0.05)
    assert change.p_value <= 0.001


def test_a_change_explained_by_the_expectation_is_not_reported():
    expected = np.where(np.arange(112) < 41, 3.1, 0.9)
    change = change_point(DISASTERS, expected, np.random.default_rng(1))
    assert 1851 + change.index - 1 == 1947  # the later, lesser one that two-change models find (from memory)
    assert change.p_value > 0.01


def test_the_false_positive_rate_is_one_in_twenty():
    rng = np.random.default_rng(3)
    called = sum(change_point(rng.poisson(8.0, 24).astype(float), np.full(24, 8.0), rng, draws=199).p_value <= 0.05
                 for _ in range(400))  # fmt: skip
    assert 5 <= called <= 36  # 20 expected; beyond four standard errors a wrong p-value


def test_too_few_months_or_no_event_give_no_change_point():
    rng = np.random.default_rng(1)
    assert change_point(np.ones(3), np.ones(3), rng) is None
    assert change_point(np.zeros(10), np.ones(10), rng) is None
