"""The stand's Poisson regression against an independent library's (scikit-learn's PoissonRegressor)."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.linear_model import PoissonRegressor

from analysis.risk.log_linear import log_linear

SETTLED = 1e-6
"""Both stop short of the very top."""


@pytest.mark.parametrize(("rows", "ridge"), [(60, 2.0), (2000, 2.0), (2000, 1e-3)])
def test_coefficients_are_the_librarys(rows: int, ridge: float) -> None:
    rng = np.random.default_rng(rows)
    x = rng.normal(size=(rows, 8))
    y = rng.poisson(np.exp(0.4 + x[:, 0] - 0.6 * x[:, 1])).astype(float)
    ours = log_linear(x, y, ridge)
    theirs = PoissonRegressor(alpha=ridge / rows, solver="newton-cholesky", tol=1e-10).fit(x, y)
    assert ours.b == pytest.approx(theirs.coef_, abs=SETTLED)
    assert ours.start == pytest.approx(theirs.intercept_, abs=SETTLED)


def test_a_sign_seen_in_one_bleed_alone_comes_to_an_end() -> None:
    x = np.eye(40)[:, :3]
    y = np.zeros(40)
    y[0] = 500.0
    fitted = log_linear(x, y, 2.0)
    assert np.isfinite(fitted.b).all()
    assert fitted.b[0] == fitted.b.max()
