"""The Weibull regression against independent fits.

Source: lifelines' WeibullAFTFitter (its coefficients times minus the shape are log hazard ratios), on 432 men released from
prison (P. H. Rossi, R. A. Berk & K. J. Lenihan 1980) and with late entry.
"""

import numpy as np
import pytest
from lifelines import WeibullAFTFitter
from lifelines.datasets import load_rossi

from analysis.survival import Block, CoxModel, WeibullModel

ARRESTS = load_rossi()
TIME, EVENT = ARRESTS["week"].to_numpy().astype(np.int64), ARRESTS["arrest"].to_numpy() == 1
X = ARRESTS.drop(columns=["week", "arrest"]).to_numpy(dtype=float)
X = X - X.mean(axis=0)


@pytest.mark.parametrize("late", [False, True])
def test_coefficients_errors_and_hazard_equal_an_independent_fit(late):
    table = ARRESTS.copy()
    table[table.columns[2:]] = X
    entry = np.where(np.arange(len(TIME)) % 4 == 0, np.minimum(TIME - 1, 10), 0)
    theirs = WeibullAFTFitter().fit(table.assign(entry=entry), "week", "arrest", entry_col="entry") if late else (
        WeibullAFTFitter().fit(table, "week", "arrest")
    )  # fmt: skip
    ours = WeibullModel.fit(X, TIME, EVENT, entry=entry if late else None)
    shape = float(np.exp(theirs.params_["rho_"].iloc[0]))
    hazard_ratios = -shape * theirs.params_["lambda_"][list(table.columns[2:])].to_numpy()
    assert ours.shape == pytest.approx(shape, rel=1e-4)
    assert ours.coefficients == pytest.approx(hazard_ratios, abs=1e-4)
    assert ours.log_likelihood == pytest.approx(theirs.log_likelihood_, abs=1e-4)
    scale = np.exp(theirs.params_["lambda_"]["Intercept"])
    assert ours.cumulative_hazard(np.array([10, 40])) == pytest.approx((np.array([10, 40]) / scale) ** shape, rel=1e-3)


def test_influence_approximates_leaving_a_bike_out():
    bike = np.arange(len(TIME)) % 72
    model = WeibullModel.fit(X, TIME, EVENT, clusters=bike)
    coefficients, level = model.influence(np.eye(X.shape[1])), model.baseline_influence(30)
    for out in range(0, 72, 9):
        others = bike != out
        rest = WeibullModel.fit(X[others], TIME[others], EVENT[others])
        moved = model.coefficients - rest.coefficients
        assert coefficients[out] == pytest.approx(moved, abs=0.25 * np.abs(coefficients).max())
        log_ratio = np.log(model.cumulative_hazard(30) / rest.cumulative_hazard(30))
        assert level[out] == pytest.approx(log_ratio, abs=0.25 * np.abs(level).max())


def test_ridges_and_offsets_act_as_in_the_cox_model():
    """With Weibull times both models estimate the same coefficients."""
    rng = np.random.default_rng(3)
    x = rng.normal(size=(4_000, 6))
    offset = 0.5 * rng.standard_normal(4_000)
    days = np.ceil(400 * (rng.exponential(size=4_000) / np.exp(0.3 * x[:, 0] + offset)) ** 1.25).astype(np.int64)
    blocks = [Block(1, 6, 1.0, pooled=True)]
    time, event = np.minimum(days, 500), days <= 500
    cox, weibull = (model.fit(x, time, event, blocks=blocks, offset=offset) for model in (CoxModel, WeibullModel))
    assert weibull.coefficients == pytest.approx(cox.coefficients, abs=0.02)
    assert np.sqrt(np.diag(weibull.covariance)) == pytest.approx(np.sqrt(np.diag(cox.covariance)), rel=0.1)
    assert weibull.shape == pytest.approx(0.8, rel=0.05)
