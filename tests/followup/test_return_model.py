"""The return model held against a plain twin; matrices made of others' columns and rows against the same written out."""

import numpy as np
import pytest

from analysis.followup import (
    Beginning,
    Block,
    beginning_below,
    beginning_beside,
    beginning_near,
    by_cluster,
    clustered,
    fit_returns,
    follow_of,
    influence,
)
from analysis.regression import Below, Joined
from tests.followup.plain_cox import plain_fit

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
def test_a_fit_ends_where_plain_newton_steps_end(seed):
    x, days, back = drawn(seed)
    nothing = np.zeros(len(days))
    twin = plain_fit(x, days, back, BLOCKS, nothing, nothing)
    model = fit_returns(x, follow_of(days, back), BLOCKS)
    errors = np.sqrt(np.diag(twin.covariance))
    assert np.abs((model.coefficients - twin.coefficients) / errors).max() < 1e-4  # ridges settle to 1e-7 a round
    assert model.covariance == pytest.approx(twin.covariance, abs=1e-4 * np.abs(twin.covariance).max())  # ridges too
    assert model.hazard == pytest.approx(twin.hazard, rel=1e-5)


def test_strata_and_what_is_added_to_every_row_are_those_of_the_plain_fit():
    x, days, back = drawn(7)
    rng = np.random.default_rng(8)
    offset, stratum = rng.normal(0, 0.5, len(days)), rng.integers(0, 3, len(days))
    twin = plain_fit(x, days, back, [Block(0, 11, 0.5)], offset, stratum)
    model = fit_returns(x, follow_of(days, back, stratum), [Block(0, 11, 0.5)], offset)
    assert model.coefficients == pytest.approx(twin.coefficients, abs=1e-7)
    assert model.hazard == pytest.approx(twin.hazard, rel=1e-7)


def test_a_fit_ends_at_the_same_place_wherever_it_begins():
    x, days, back = drawn(3)
    follow = follow_of(days, back)
    near, far = fit_returns(x, follow, BLOCKS), fit_returns(x, follow, BLOCKS, began=Beginning(np.full(11, 0.7)))
    assert far.coefficients == pytest.approx(near.coefficients, abs=1e-5)


@pytest.mark.parametrize("kept", [tuple(range(11)), (0, 2, 3, 5, 6, 8, 9, 10)])
def test_a_fit_beside_another_begins_with_the_curvature_there_and_ends_where_it_would(kept):
    x, days, back = drawn(4)
    follow = follow_of(days, back)
    beside = np.random.default_rng(9).normal(size=(len(x), 2)) + x[:, :1]
    joined, blocks = Joined(x, kept, beside), [Block(0, len(kept), 0.5), Block(len(kept), len(kept) + 2, 0.1)]
    began = beginning_beside(fit_returns(x, follow, BLOCKS), joined)
    there, anew = fit_returns(joined, follow, blocks, began=began), fit_returns(joined, follow, blocks)
    assert there.coefficients == pytest.approx(anew.coefficients, abs=1e-8)
    assert there.covariance == pytest.approx(anew.covariance, abs=1e-5)
    if len(kept) == x.shape[1]:
        stiff = Block(11, 13, 1e9)  # what stands beside stays nought
        held = fit_returns(joined, follow, [*BLOCKS, stiff])
        assert began.information == pytest.approx(held.information, rel=1e-4, abs=1e-4)


def test_a_fit_of_a_part_of_the_time_or_of_the_columns_begins_near_and_ends_where_it_would():
    x, days, back = drawn(6)
    whole = fit_returns(x, follow_of(days, back), BLOCKS)
    horizon = int(np.median(days))
    cut = follow_of(np.minimum(days, horizon), back & (days <= horizon))
    began = beginning_near(whole, int(cut.returned.sum()))
    near, anew = fit_returns(x, cut, BLOCKS, began=began), fit_returns(x, cut, BLOCKS)
    assert near.coefficients == pytest.approx(anew.coefficients, abs=1e-5)
    kept = (0, 2, 5, 9)
    few, ridge = Joined(x, kept), [Block(0, len(kept), 0.5)]
    near = fit_returns(few, cut, ridge, began=beginning_near(whole, int(cut.returned.sum()), list(kept)))
    assert near.coefficients == pytest.approx(fit_returns(few, cut, ridge).coefficients, abs=1e-7)


def test_a_fit_of_rows_that_come_once_more_begins_near_and_ends_where_it_would():
    x, days, back = drawn(7)
    whole = fit_returns(x, follow_of(days, back), BLOCKS)
    horizon = int(np.median(days))
    later = np.flatnonzero(days > horizon)
    below = Below(x, later, 3)
    follow = follow_of(
        np.concatenate([np.minimum(days, horizon), days[later]]),
        np.concatenate([back & (days <= horizon), back[later]]),
        np.repeat([0, 1], [len(days), len(later)]),
    )
    blocks = [*BLOCKS, Block(11, 14, 0.5)]
    began = beginning_below(whole, below, int((back & (days <= horizon)).sum()))
    near, anew = fit_returns(below, follow, blocks, began=began), fit_returns(below, follow, blocks)
    assert near.coefficients == pytest.approx(anew.coefficients, abs=1e-5)


@pytest.mark.parametrize("seed", range(6))
def test_ridges_are_not_settled_where_a_search_is_far_from_its_end(seed):
    x, days, back = drawn(seed)
    follow = follow_of(days, back)
    lost = np.random.default_rng(seed).normal(0, 8, 11)  # there two or three bleeds are all that a risk set consists of
    near, far = fit_returns(x, follow, BLOCKS), fit_returns(x, follow, BLOCKS, began=Beginning(lost))
    assert far.coefficients == pytest.approx(near.coefficients, abs=1e-5)


def test_a_fit_of_many_bleeds_in_single_precision_is_that_in_double():
    x, days, back = drawn(5, 60_000)
    follow = follow_of(days, back)
    double, single = fit_returns(x, follow, BLOCKS), fit_returns(x.astype(np.float32), follow, BLOCKS)
    errors = np.sqrt(np.diag(double.covariance))
    assert np.abs((double.coefficients - single.coefficients) / errors).max() < 1e-3  # a thousandth of a standard error
    assert single.covariance == pytest.approx(double.covariance, abs=1e-4 * np.abs(double.covariance).max())


def written_out(x, later):
    """`Below` with three columns apart, as one matrix."""
    again = np.hstack([np.zeros((len(later), 3)), x[later][:, 3:], x[later][:, :3]])
    return np.vstack([np.hstack([x, np.zeros((len(x), 3))]), again])


def same(one, other, follow, blocks, cluster):
    ours, theirs = fit_returns(one, follow, blocks), fit_returns(other, follow, blocks)
    assert ours.coefficients == pytest.approx(theirs.coefficients, abs=1e-9)
    assert ours.covariance == pytest.approx(theirs.covariance, abs=1e-9)
    along = np.random.default_rng(1).normal(size=(other.shape[1], 4))
    rows = clustered(influence(other, theirs) @ along, cluster)
    assert by_cluster(one, ours, along, cluster) == pytest.approx(rows, abs=1e-9)


def test_columns_beside_some_of_a_matrix_count_as_the_same_columns_written_out():
    x, days, back = drawn(11, 20_000)  # more rows than one chunk holds
    beside = np.random.default_rng(2).normal(size=(len(x), 2))
    bike = np.random.default_rng(3).permutation(np.arange(len(x)) % 5_000)
    joined = Joined(x, (0, 2, 5, 6), beside)
    same(joined, np.hstack([x[:, [0, 2, 5, 6]], beside]), follow_of(days, back), [Block(0, 6, 1.0)], bike)


def test_rows_once_more_below_count_as_the_same_rows_written_out():
    x, days, back = drawn(12, 20_000)
    later = np.flatnonzero(days > 20)
    follow = follow_of(
        np.concatenate([np.minimum(days, 20), days[later]]),
        np.concatenate([back & (days <= 20), back[later]]),
        np.repeat([0, 1], [len(days), len(later)]),
    )
    bike = np.arange(len(x)) % 5_000
    same(Below(x, later, 3), written_out(x, later), follow, [Block(0, 14, 1.0)], np.concatenate([bike, bike[later]]))
