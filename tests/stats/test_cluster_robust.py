"""Sums within clusters and the cluster-robust covariance."""

import numpy as np
import pytest
import statsmodels.api as sm

from analysis.stats import clustered_covariance, sum_within_clusters


@pytest.mark.parametrize(
    ("clusters", "rows", "columns"), [(300, 9000, 3), (5, 3, 2), (1, 0, 2), (10, 100, 0), (7, 50, 1)]
)
def test_rows_are_summed_within_clusters(clusters, rows, columns):
    rng = np.random.default_rng(rows)
    cluster, table, weight = rng.integers(0, clusters, rows), rng.normal(size=(rows, columns)), rng.random(rows)
    for own in (None, weight):
        plain = np.zeros((clusters, columns))
        np.add.at(plain, cluster, table if own is None else table * own[:, None])
        for layout in (table, np.asfortranarray(table)):
            assert sum_within_clusters(layout, cluster, own, clusters) == pytest.approx(plain)
        if columns:
            assert sum_within_clusters(table[:, 0], cluster, own, clusters) == pytest.approx(plain[:, 0])


def test_the_sandwich_of_a_regression_equals_an_independent_library():
    """Source: statsmodels' OLS with cluster-robust errors, without its correction for few clusters."""
    rng = np.random.default_rng(4)
    x, cluster = rng.normal(size=(500, 3)), rng.integers(0, 60, 500)
    y = x @ [1, 0, 2] + rng.normal(size=60)[cluster] + rng.normal(size=500)
    theirs = sm.OLS(y, x).fit(cov_type="cluster", cov_kwds={"groups": cluster, "use_correction": False})
    influence = (x * theirs.resid[:, None]) @ np.linalg.inv(x.T @ x)
    assert clustered_covariance(influence, cluster) == pytest.approx(theirs.cov_params())
