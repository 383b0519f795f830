"""The risk-adjusted CUSUM's weights, path and run lengths, against published numbers.

Sources
- S. H. Steiner, R. J. Cook, V. T. Farewell & T. Treasure 2000, Biostatistics 1:441-452, p. 446: log-likelihood weights at
  Parsonnet scores 0 and 50, logit p = -3.68 + 0.077 S (as kept in the tests of the R package vlad).
- S. E. Rigdon & R. D. Fricker, in the same tests, intercept -3.67; the weight at (19, 0) from the formula, -0.0945 (the
  printed -0.0954 has two digits exchanged).
- The tests of the R packages cusum (path) and vlad (limit 2.5178 of a run length of 500: Beta(1, 3) over 71 as mix).
"""

import numpy as np
import pytest
from scipy import stats

from analysis.monitoring import cusum, log_likelihood_ratios


def chance(score, intercept=-3.68, slope=0.077):
    return 1 / (1 + np.exp(-(intercept + slope * score)))


MIX = chance(71 * stats.beta(1, 3).ppf((np.arange(4000) + 0.5) / 4000), -3.6798, 0.0768)


def test_steiners_probabilities():
    assert chance(np.array([0.0, 50.0])) == pytest.approx([0.0246024, 0.5423979], abs=5e-8)


@pytest.mark.parametrize(
    ("odds_ratio", "printed"), [(2, (-0.024, 0.669, -0.433, 0.260)), (0.5, (0.012, -0.681, 0.316, -0.377))]
)
def test_steiners_weights(odds_ratio, printed):
    p = chance(np.array([0.0, 0.0, 50.0, 50.0]))
    assert log_likelihood_ratios(p, np.array([0.0, 1, 0, 1]), odds_ratio) == pytest.approx(
        printed, abs=5e-4
    )  # three decimals


def test_rigdon_and_frickers_weights():
    p = chance(np.array([19.0, 0, 0, 19]), -3.67)
    assert log_likelihood_ratios(p, np.array([1.0, 0, 1, 0]), 2) == pytest.approx(
        [0.5986, -0.0245, 0.6686, -0.0945], abs=1e-4
    )
    assert log_likelihood_ratios(p[:1], np.zeros(1), 0.5)[0] == pytest.approx(0.05083, abs=1e-5)


def test_a_cusum_is_never_negative():
    outcome = np.array([0, 1, 0, 0, 0, 0, 0, 1, 0, 0])
    weights = cusum(np.where(outcome == 1, 0.6, -0.2))
    assert weights == pytest.approx([0, 0.6, 0.4, 0.2, 0, 0, 0, 0.6, 0.4, 0.2])


def test_bleeds_of_equal_risk_have_one_common_weight():
    p = np.full(130, 0.08)
    back = (np.arange(130) < 17).astype(float)
    for odds_ratio in (2.0, 0.5):
        whole = log_likelihood_ratios(p[:1], np.array([17.0]), odds_ratio, 130)
        assert whole[0] == pytest.approx(log_likelihood_ratios(p, back, odds_ratio).sum(), rel=1e-12)


def test_simulated_charts_run_as_long_as_the_published_limit_says():
    rng = np.random.default_rng(9)
    charts, limit = 1500, 2.5178
    height, length = np.zeros(charts), np.zeros(charts)
    running = np.ones(charts, dtype=bool)
    while running.any():
        p = rng.choice(MIX, charts)
        height = np.maximum(height + log_likelihood_ratios(p, (rng.random(charts) < p).astype(float), 2), 0)
        length += running
        running &= height <= limit
    error = length.std() / np.sqrt(charts)
    assert abs(length.mean() - 500) < 4 * error  # four standard errors
