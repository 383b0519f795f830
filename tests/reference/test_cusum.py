"""The risk-adjusted CUSUM's weights, path and run lengths, against published numbers.

Sources
- S. H. Steiner, R. J. Cook, V. T. Farewell & T. Treasure 2000, Biostatistics 1:441-452, p. 446: log-likelihood weights at
  Parsonnet scores 0 and 50, logit p = -3.68 + 0.077 S (as kept in the tests of the R package vlad).
- S. E. Rigdon & R. D. Fricker, in the same tests, intercept -3.67; the weight at (19, 0) from the formula, -0.0945 (the
  printed -0.0954 has two digits exchanged).
- The tests of the R packages cusum (path) and vlad (run lengths and a limit by Markov chain: Beta(1, 3) over 71 as mix).
"""

import numpy as np
import pytest
from scipy import stats

from analysis.watch import limit_for, path, run_length, weights


def chance(score, intercept=-3.68, slope=0.077):
    return 1 / (1 + np.exp(-(intercept + slope * score)))


MIX = chance(71 * stats.beta(1, 3).ppf((np.arange(4000) + 0.5) / 4000), -3.6798, 0.0768)


def test_steiners_chances():
    assert chance(np.array([0.0, 50.0])) == pytest.approx([0.0246024, 0.5423979], abs=5e-8)


@pytest.mark.parametrize(
    ("odds_ratio", "printed"), [(2, (-0.024, 0.669, -0.433, 0.260)), (0.5, (0.012, -0.681, 0.316, -0.377))]
)
def test_steiners_weights(odds_ratio, printed):
    p = chance(np.array([0.0, 0.0, 50.0, 50.0]))
    assert weights(p, np.array([0.0, 1, 0, 1]), odds_ratio) == pytest.approx(printed, abs=5e-4)  # three decimals


def test_rigdon_and_frickers_weights():
    p = chance(np.array([19.0, 0, 0, 19]), -3.67)
    assert weights(p, np.array([1.0, 0, 1, 0]), 2) == pytest.approx([0.5986, -0.0245, 0.6686, -0.0945], abs=1e-4)
    assert weights(p[:1], np.zeros(1), 0.5)[0] == pytest.approx(0.05083, abs=1e-5)


def test_a_path_never_falls_below_nought():
    outcome = np.array([0, 1, 0, 0, 0, 0, 0, 1, 0, 0])
    found = path(np.where(outcome == 1, 0.6, -0.2))
    assert found == pytest.approx([0, 0.6, 0.4, 0.2, 0, 0, 0, 0.6, 0.4, 0.2])


@pytest.mark.parametrize(
    ("odds_ratio", "limit", "length"), [(2, 4.5, 4474.738), (0.5, 4.5, 5658.854), (2, 2.5178, 500)]
)
def test_run_lengths_of_a_known_mix(odds_ratio, limit, length):
    # Two Markov chains of different grids differ by about 1.4%; here the mix is 24 even levels besides.
    assert run_length(MIX, odds_ratio, limit) == pytest.approx(length, rel=0.03)


def test_the_limit_of_a_run_length_of_five_hundred():
    assert limit_for(MIX, 2, 500) == pytest.approx(2.5178, abs=0.03)  # 0.03 of height is 3% of run length


def test_simulated_charts_bracket_the_run_length():
    rng = np.random.default_rng(9)
    charts, limit = 1500, 2.5178
    height, length = np.zeros(charts), np.zeros(charts)
    running = np.ones(charts, dtype=bool)
    while running.any():
        p = rng.choice(MIX, charts)
        height = np.maximum(height + weights(p, (rng.random(charts) < p).astype(float), 2), 0)
        length += running
        running &= height <= limit
    error = length.std() / np.sqrt(charts)
    assert abs(length.mean() - run_length(MIX, 2, limit)) < 4 * error  # four standard errors
    assert abs(length.mean() - 500) < 4 * error
