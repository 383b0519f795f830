"""The time-to-return model without ridges against an independent library on published data.

Source: Stanford heart transplant and acute leukaemia (remission) data as shipped with lifelines; statsmodels' PHReg with
Breslow ties is the independent fit: coefficients, standard errors and baseline to 1e-5.
"""

import numpy as np
import pytest
from lifelines.datasets import load_leukemia, load_rossi
from statsmodels.duration.hazard_regression import PHReg

from analysis.survival import Block, CoxModel

LEUKAEMIA = load_leukemia()
ARRESTS = load_rossi()


def fitted(data, time, event):
    x = data.drop(columns=[time, event]).to_numpy(dtype=float)
    centred = x - x.mean(axis=0)
    theirs = PHReg(data[time].to_numpy(), centred, status=data[event].to_numpy(), ties="breslow").fit()
    ours = CoxModel.fit(centred, data[time].to_numpy().astype(np.int64), data[event].to_numpy() == 1)
    return ours, theirs


@pytest.mark.parametrize(("data", "time", "event"), [(LEUKAEMIA, "t", "status"), (ARRESTS, "week", "arrest")])
def test_coefficients_errors_and_baseline_equal_an_independent_fit(data, time, event):
    ours, theirs = fitted(data, time, event)
    assert ours.coefficients == pytest.approx(theirs.params, abs=1e-5)
    assert np.sqrt(np.diag(ours.covariance)) == pytest.approx(theirs.bse, abs=1e-5)
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-5)
    times, cumulative, _ = theirs.baseline_cumulative_hazard[0]
    before = ours.cumulative_hazard(times.astype(np.int64) - 1)  # theirs is the hazard up to, not with, each time
    assert before == pytest.approx(cumulative, abs=1e-5)


def test_the_sandwich_is_close_to_the_inverse_information_if_the_model_is_right():
    rng = np.random.default_rng(5)
    x = rng.normal(size=(4000, 3))
    days = np.minimum(np.ceil(rng.exponential(400 * np.exp(-x @ [0.5, 0.0, -0.3]))), 300).astype(np.int64)
    model = CoxModel.fit(x, days, days < 300)
    sandwich = np.sqrt((model.influence(np.eye(3)) ** 2).sum(axis=0))
    assert sandwich == pytest.approx(np.sqrt(np.diag(model.covariance)), rel=0.08)  # 4000 rows, about 2000 returns


def test_a_pooled_block_without_variation_is_shrunk_to_zero():
    rng = np.random.default_rng(6)
    who = np.eye(20)[rng.integers(0, 20, 5000)]
    days = np.minimum(np.ceil(rng.exponential(1500, 5000)), 300).astype(np.int64)
    model = CoxModel.fit(who - who.mean(axis=0), days, days < 300, blocks=[Block(0, 20, 1.0, pooled=True)])
    assert np.abs(model.coefficients).max() < 0.1


def test_separation_stays_finite_under_a_ridge():
    x = np.repeat([[0.5], [-0.5]], 50, axis=0)
    days = np.where(x[:, 0] > 0, 10, 100).astype(np.int64)
    model = CoxModel.fit(x, days, x[:, 0] > 0, blocks=[Block(0, 1, 0.25)])
    assert np.isfinite(model.coefficients).all()
