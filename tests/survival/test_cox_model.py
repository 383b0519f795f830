"""The return model against a plain twin."""

import numpy as np
import pytest

from analysis.survival import Block, CoxModel
from tests.survival.plain_cox import plain_fit

BLOCKS = [Block(0, 3, 0.25), Block(3, 11, 1.0, pooled=True)]


def drawn(seed, bleeds=400):
    """Three steps, eight technicians who differ, days at risk up to 60, and who came back."""
    rng = np.random.default_rng(seed)
    who = rng.integers(0, 8, bleeds)
    x = np.hstack([rng.random((bleeds, 3)) < 0.3, np.eye(8)[who]]).astype(float)
    hard = x[:, :3] @ [0.8, 0.3, 0.0] + rng.normal(0, 0.6, 8)[who]
    life = np.ceil(rng.exponential(80 / np.exp(hard))).astype(np.int64)
    watched = rng.integers(1, 60, bleeds)
    return x - x.mean(axis=0), np.minimum(life, watched), life <= watched


@pytest.mark.parametrize("seed", range(4))
def test_a_fit_equals_plain_newton_steps(seed):
    x, days, back = drawn(seed)
    twin = plain_fit(x, days, back, BLOCKS, np.zeros(len(days)), np.full(len(days), -1))
    model = CoxModel.fit(x, days, back, blocks=BLOCKS)
    errors = np.sqrt(np.diag(twin.covariance))
    assert np.abs((model.coefficients - twin.coefficients) / errors).max() < 1e-4  # ridges settle to 1e-7 a round
    assert model.covariance == pytest.approx(twin.covariance, abs=1e-4 * np.abs(twin.covariance).max())  # ridges too
    assert model.jumps == pytest.approx(twin.hazard, rel=1e-5)


def test_late_entry_and_offsets_equal_the_plain_fit():
    x, days, back = drawn(7)
    rng = np.random.default_rng(8)
    offset, entry = rng.normal(0, 0.5, len(days)), np.minimum(rng.integers(-1, 20, len(days)), days - 1)
    twin = plain_fit(x, days, back, [Block(0, 11, 0.5)], offset, entry)
    model = CoxModel.fit(x, days, back, blocks=[Block(0, 11, 0.5)], offset=offset, entry=entry)
    assert model.coefficients == pytest.approx(twin.coefficients, abs=1e-7)
    assert model.jumps == pytest.approx(twin.hazard, rel=1e-7)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("spread", [0.5, 8.0])
def test_a_fit_ends_at_the_same_place_wherever_it_starts(seed, spread):
    """At a spread of 8 two or three bleeds are all that a risk set consists of."""
    x, days, back = drawn(seed)
    start = np.random.default_rng(seed).normal(0, spread, 11)
    near, far = (CoxModel.fit(x, days, back, blocks=BLOCKS, start=one) for one in (None, start))
    assert far.coefficients == pytest.approx(near.coefficients, abs=1e-5)


@pytest.mark.parametrize("late", [False, True])
def test_influence_is_what_leaving_a_bike_out_does(late):
    """Source: the infinitesimal jackknife approximates deletion, L. A. Jaeckel 1972 (from memory)."""
    x, days, back = drawn(11, 1_500)
    x = x[:, :3]
    entry = np.where(np.arange(len(days)) % 3 == 0, np.minimum(5, days - 1), -1) if late else np.full(len(days), -1)
    bike = np.arange(len(days)) % 500
    model = CoxModel.fit(x, days, back, clusters=bike, entry=entry)
    coefficients, level = model.influence(np.eye(3)), model.baseline_influence(30)
    for out in range(0, 500, 50):
        kept = bike != out
        rest = CoxModel.fit(x[kept], days[kept], back[kept], entry=entry[kept])
        moved = model.coefficients - rest.coefficients
        assert coefficients[out] == pytest.approx(moved, abs=0.1 * np.abs(coefficients).max())
        log_ratio = np.log(model.cumulative_hazard(30) / rest.cumulative_hazard(30))
        assert level[out] == pytest.approx(log_ratio, abs=0.1 * np.abs(level).max())


def test_what_cannot_be_fitted_is_refused():
    x, days, back = drawn(1)
    with pytest.raises(ValueError, match="at least one return"):
        CoxModel.fit(x, days, np.zeros(len(days), dtype=bool))
    with pytest.raises(ValueError, match="finite"):
        CoxModel.fit(np.where(x > 0.5, np.nan, x), days, back)
