"""The Cox model against a plain fit."""

import numpy as np
import pytest

from analysis.survival import Block, CoxModel
from tests.survival.plain_cox import plain_fit

BLOCKS = [Block(0, 3, 0.25), Block(3, 11, 1.0, pooled=True)]


def simulated(seed, bleeds=400):
    """Three steps, eight technicians who differ, days at risk up to 60, and which bleeds came back."""
    rng = np.random.default_rng(seed)
    who = rng.integers(0, 8, bleeds)
    x = np.hstack([rng.random((bleeds, 3)) < 0.3, np.eye(8)[who]]).astype(float)
    log_hazard = x[:, :3] @ [0.8, 0.3, 0.0] + rng.normal(0, 0.6, 8)[who]
    life = np.ceil(rng.exponential(80 / np.exp(log_hazard))).astype(np.int64)
    observed = rng.integers(1, 60, bleeds)
    return x - x.mean(axis=0), np.minimum(life, observed), life <= observed


@pytest.mark.parametrize("seed", range(4))
def test_a_fit_equals_the_plain_fit(seed):
    x, days, returned = simulated(seed)
    plain = plain_fit(x, days, returned, BLOCKS, np.zeros(len(days)), np.full(len(days), -1))
    model = CoxModel.fit(x, days, returned, blocks=BLOCKS)
    errors = np.sqrt(np.diag(plain.covariance))
    assert np.abs((model.coefficients - plain.coefficients) / errors).max() < 1e-4  # ridges converge to 1e-7
    assert model.covariance == pytest.approx(plain.covariance, abs=1e-4 * np.abs(plain.covariance).max())  # same reason
    assert model.jumps == pytest.approx(plain.hazard, rel=1e-5)


def test_late_entry_and_offsets_equal_the_plain_fit():
    x, days, returned = simulated(7)
    rng = np.random.default_rng(8)
    offset, entry = rng.normal(0, 0.5, len(days)), np.minimum(rng.integers(-1, 20, len(days)), days - 1)
    plain = plain_fit(x, days, returned, [Block(0, 11, 0.5)], offset, entry)
    model = CoxModel.fit(x, days, returned, blocks=[Block(0, 11, 0.5)], offset=offset, entry=entry)
    assert model.coefficients == pytest.approx(plain.coefficients, abs=1e-7)
    assert model.jumps == pytest.approx(plain.hazard, rel=1e-7)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("spread", [0.5, 8.0])
def test_a_fit_does_not_depend_on_its_start(seed, spread):
    """At a spread of 8, two or three bleeds dominate every risk set."""
    x, days, returned = simulated(seed)
    start = np.random.default_rng(seed).normal(0, spread, 11)
    default, other = (CoxModel.fit(x, days, returned, blocks=BLOCKS, start=one) for one in (None, start))
    assert other.coefficients == pytest.approx(default.coefficients, abs=1e-5)


@pytest.mark.parametrize("late", [False, True])
def test_influence_approximates_leaving_a_bike_out(late):
    """Source: the infinitesimal jackknife approximates deletion, L. A. Jaeckel 1972 (from memory)."""
    x, days, returned = simulated(11, 1_500)
    x = x[:, :3]
    entry = np.where(np.arange(len(days)) % 3 == 0, np.minimum(5, days - 1), -1) if late else np.full(len(days), -1)
    bike = np.arange(len(days)) % 500
    model = CoxModel.fit(x, days, returned, clusters=bike, entry=entry)
    coefficients, level = model.influence(np.eye(3)), model.baseline_influence(30)
    for out in range(0, 500, 50):
        others = bike != out
        rest = CoxModel.fit(x[others], days[others], returned[others], entry=entry[others])
        moved = model.coefficients - rest.coefficients
        assert coefficients[out] == pytest.approx(moved, abs=0.1 * np.abs(coefficients).max())
        log_ratio = np.log(model.cumulative_hazard(30) / rest.cumulative_hazard(30))
        assert level[out] == pytest.approx(log_ratio, abs=0.1 * np.abs(level).max())


def test_data_that_cannot_be_fitted_raise():
    x, days, returned = simulated(1)
    with pytest.raises(ValueError, match="at least one return"):
        CoxModel.fit(x, days, np.zeros(len(days), dtype=bool))
    with pytest.raises(ValueError, match="finite"):
        CoxModel.fit(np.where(x > 0.5, np.nan, x), days, returned)
