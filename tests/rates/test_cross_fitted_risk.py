"""Models fitted without one fold, held against the same models fitted afresh on the rows that are left."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.linear_model import LogisticRegression

from analysis.rates.case_mix import CaseMix, CovariatePatterns
from analysis.rates.cross_fitted_risk import cross_fitted_risk


def drawn(seed: int, bleeds: int = 400, folds: int = 4) -> tuple[CovariatePatterns, np.ndarray, np.ndarray, np.ndarray]:
    """Work of three factors, folds, days at risk, and who came back."""
    rng = np.random.default_rng(seed)
    work = CaseMix({name: rng.integers(0, levels, bleeds) for name, levels in (("a", 2), ("b", 3), ("c", 5))})
    hard = 0.7 * (work.factors["a"] == 1) - 0.4 * (work.factors["c"] == 2)
    life = rng.exponential(300 / np.exp(hard)).astype(int)
    watched = rng.integers(1, 200, bleeds)
    return work.patterns(), rng.integers(0, folds, bleeds), np.minimum(life, watched), life <= watched


@pytest.mark.parametrize("seed", range(3))
def test_risk_left_out_is_that_of_a_reference_library_on_the_other_rows(seed: int) -> None:
    """Source: scikit-learn's LogisticRegression, an L2 penalty of 1 on all but the intercept, run to 1e-10."""
    kinds, fold, days, back = drawn(seed)
    counted = days > 20
    found = cross_fitted_risk(kinds, fold, counted.astype(float), back.astype(float))
    x = kinds.x[kinds.pattern_index]
    for k in range(4):
        rest, own = (fold != k) & counted, fold == k
        model = LogisticRegression(C=1.0, solver="newton-cholesky", tol=1e-10).fit(x[rest], back[rest])
        np.testing.assert_allclose(found[own], model.predict_proba(x[own])[:, 1], rtol=1e-7)


@pytest.mark.parametrize("all_back", [True, False])
def test_all_or_none_coming_back_is_a_risk_of_one_or_nought(all_back: bool) -> None:
    kinds, fold, days, _ = drawn(2)
    back = np.full(len(days), float(all_back))
    assert (cross_fitted_risk(kinds, fold, np.ones(len(days)), back) == float(all_back)).all()


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10**6), st.integers(10, 60), st.integers(1, 5))
def test_small_or_separated_data_give_finite_chances(seed: int, bleeds: int, folds: int) -> None:
    kinds, fold, _, _ = drawn(seed, bleeds, folds)
    back = kinds.x[kinds.pattern_index][:, 0] > 0
    risk = cross_fitted_risk(kinds, fold, np.ones(bleeds), back.astype(float))
    assert np.isfinite(risk).all()
    assert ((risk >= 0) & (risk <= 1)).all()


def test_without_a_factor_of_a_pair_the_pair_is_left_out_too() -> None:
    codes = {name: np.array([0, 1, 0, 1]) for name in ("brake", "hose_route", "both", "bike_kind")}
    assert CaseMix(codes).patterns("brake").x.shape[1] == 2
    assert CaseMix(codes).patterns().x.shape[1] == 4


@pytest.mark.parametrize("without", [None, "a", "brake"])
def test_every_bleed_has_the_indicators_of_its_own_levels_and_no_kind_comes_twice(without: str | None) -> None:
    rng = np.random.default_rng(9)
    codes = {name: rng.integers(0, levels, 300) for name, levels in (("a", 4), ("brake", 2), ("both", 3), ("c", 5))}
    kinds = CaseMix(codes).patterns(without)
    left = {without, "both"} if without == "brake" else {without}
    plain = [codes[name][:, None] == np.arange(1, codes[name].max() + 1) for name in codes if name not in left]
    np.testing.assert_array_equal(kinds.x[kinds.pattern_index], np.hstack(plain))
    assert len(np.unique(kinds.x, axis=0)) == len(kinds.x) == kinds.pattern_index.max() + 1
