"""Risks fitted without one fold, compared with the same models fitted afresh to the other rows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.linear_model import LogisticRegression

from analysis.rates.case_mix import INTERACTION, CaseMix, CovariatePatterns
from analysis.rates.expected_risk import fit_cross_fitted_risk


def simulated(
    seed: int, bleeds: int = 400, folds: int = 4
) -> tuple[CovariatePatterns, np.ndarray, np.ndarray, np.ndarray]:
    """Covariate patterns of three factors, folds, days at risk, and who came back."""
    rng = np.random.default_rng(seed)
    case_mix = CaseMix({name: rng.integers(0, levels, bleeds) for name, levels in (("a", 2), ("b", 3), ("c", 5))})
    log_hazard = 0.7 * (case_mix.factors["a"] == 1) - 0.4 * (case_mix.factors["c"] == 2)
    life = rng.exponential(300 / np.exp(log_hazard)).astype(int)
    observed = rng.integers(1, 200, bleeds)
    return case_mix.patterns(), rng.integers(0, folds, bleeds), np.minimum(life, observed), life <= observed


def risk_of_each_bleed(
    patterns: CovariatePatterns, fold: np.ndarray, included: np.ndarray, returned: np.ndarray
) -> np.ndarray:
    return fit_cross_fitted_risk(patterns, fold, included.astype(float), returned.astype(float)).of_each_bleed


@pytest.mark.parametrize("seed", range(3))
def test_the_risk_in_a_fold_is_that_of_a_reference_library_fitted_to_the_other_rows(seed: int) -> None:
    """Source: scikit-learn's LogisticRegression, an L2 penalty of 1 on all but the intercept, run to 1e-10."""
    patterns, fold, days, returned = simulated(seed)
    included = days > 20
    risk = risk_of_each_bleed(patterns, fold, included, returned)
    x = patterns.x[patterns.pattern_index]
    for k in range(4):
        rest, own = (fold != k) & included, fold == k
        model = LogisticRegression(C=1.0, solver="newton-cholesky", tol=1e-10).fit(x[rest], returned[rest])
        np.testing.assert_allclose(risk[own], model.predict_proba(x[own])[:, 1], rtol=1e-7)


@pytest.mark.parametrize("all_returned", [True, False])
def test_if_all_or_none_came_back_the_risk_is_one_or_zero(all_returned: bool) -> None:
    patterns, fold, days, _ = simulated(2)
    returned = np.full(len(days), float(all_returned))
    assert (risk_of_each_bleed(patterns, fold, np.ones(len(days)), returned) == float(all_returned)).all()


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10**6), st.integers(10, 60), st.integers(1, 5))
def test_small_or_separated_data_give_finite_risks(seed: int, bleeds: int, folds: int) -> None:
    patterns, fold, _, _ = simulated(seed, bleeds, folds)
    returned = patterns.x[patterns.pattern_index][:, 0] > 0
    risk = risk_of_each_bleed(patterns, fold, np.ones(bleeds), returned)
    assert np.isfinite(risk).all()
    assert ((risk >= 0) & (risk <= 1)).all()


def test_leaving_out_a_factor_leaves_out_its_interaction_too() -> None:
    codes = {name: np.array([0, 1, 0, 1]) for name in ("brake", "hose_route", INTERACTION, "bike_kind")}
    assert CaseMix(codes).patterns("brake").x.shape[1] == 2
    assert CaseMix(codes).patterns().x.shape[1] == 4


@pytest.mark.parametrize("without", [None, "a", "brake"])
def test_every_bleed_has_the_indicators_of_its_levels_and_patterns_are_distinct(without: str | None) -> None:
    rng = np.random.default_rng(9)
    sizes = (("a", 4), ("brake", 2), (INTERACTION, 3), ("c", 5))
    codes = {name: rng.integers(0, levels, 300) for name, levels in sizes}
    patterns = CaseMix(codes).patterns(without)
    dropped = {without, INTERACTION} if without == "brake" else {without}
    plain = [codes[name][:, None] == np.arange(1, codes[name].max() + 1) for name in codes if name not in dropped]
    np.testing.assert_array_equal(patterns.x[patterns.pattern_index], np.hstack(plain))
    assert len(np.unique(patterns.x, axis=0)) == len(patterns.x) == patterns.pattern_index.max() + 1
