import sys

import numpy as np
import pytest

from analysis.regression import gathered


def chunks(rows, size):
    return ((slice(at, min(at + size, len(rows))), rows[at : at + size]) for at in range(0, len(rows), size))


@pytest.mark.parametrize("kernel", [True, False])
@pytest.mark.parametrize(
    ("clusters", "rows", "columns"), [(300, 9000, 3), (5, 3, 2), (1, 0, 2), (10, 100, 0), (7, 50, 1)]
)
def test_rows_are_summed_within_their_clusters(clusters, rows, columns, kernel, monkeypatch):
    if not kernel:
        monkeypatch.setitem(sys.modules, "scipy.sparse._sparsetools", None)
    rng = np.random.default_rng(rows)
    cluster, table = rng.integers(0, clusters, rows), rng.normal(size=(rows, columns))
    plain = np.zeros((int(cluster.max(initial=-1)) + 1, columns))
    np.add.at(plain, cluster, table)
    assert np.array_equal(gathered(chunks(table, 64), cluster, columns), plain)
    assert np.array_equal(gathered(chunks(np.asfortranarray(table), 64), cluster, columns), plain)
