"""Variance components of an unbalanced two-way random layout by restricted maximum likelihood."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.plan.gauge_data import GaugeData
from analysis.plan.variance_components import Components, pivotal_draws
from analysis.stats import chi_square_tail

FloatArray = NDArray[np.float64]
RESAMPLES = 200
WITH, WITHOUT = (0, 1, 2), (0, 2)
"""Places of technician, interaction and item among a study's indicators; the interaction may be left out."""


@dataclass(frozen=True)
class _Reml:
    variances: FloatArray
    log_likelihood: float


def unbalanced_components(study: GaugeData, rng: np.random.Generator, pool_above_p: float) -> Components:
    """Components by restricted maximum likelihood (H. D. Patterson & R. Thompson 1971, Biometrika 58:545-554).

    The interaction is kept when its likelihood-ratio p-value (half chi-square, on the boundary) is at most
    `pool_above_p`. Limits by pivotal draws where every technician read every item, else by a parametric bootstrap.
    """
    full, without = _reml(study, WITH), _reml(study, WITHOUT)
    p = float(0.5 * chi_square_tail(max(0.0, 2 * (full.log_likelihood - without.log_likelihood)), 1))
    pooled = p > pool_above_p
    draws = pivotal_draws(study, rng) if study.complete else _bootstrap(study, full.variances, rng)
    return Components(_expanded((without if pooled else full).variances), draws, interaction_p=p, pooled=pooled)


def _bootstrap(study: GaugeData, variances: FloatArray, rng: np.random.Generator) -> FloatArray:
    simulated = (_simulate(variances, study, rng) for _ in range(RESAMPLES))
    return np.stack([_reml(one, WITH, variances).variances for one in simulated], axis=1)


def _reml(study: GaugeData, included: tuple[int, ...], initial_variances: FloatArray | None = None) -> _Reml:
    """Repeatability and the kept ones of technician, interaction and item, by their logarithms."""
    from scipy import optimize

    spread = float(np.var(study.means)) + study.within / study.degrees_of_freedom
    middle = np.log(max(spread, 1e-12) / (len(included) + 1))
    start = (
        np.full(len(included) + 1, middle)
        if initial_variances is None
        else np.clip(np.log(initial_variances), middle - 12, middle + 3)
    )
    bounds = [(middle - 18, middle + 4)] * len(start)
    best = optimize.minimize(_restricted, start, (study, included), method="L-BFGS-B", jac=True, bounds=bounds)
    return _Reml(np.exp(best.x), float(-best.fun))


def _restricted(logs: FloatArray, study: GaugeData, included: tuple[int, ...]) -> tuple[float, FloatArray]:
    """Minus the restricted log-likelihood, and its slope in the logarithms.

    It is that of the pairs' means, and of the spread within pairs, which is independent of them.
    """
    variances = np.exp(logs)
    parts = [np.diag(variances[0] / study.counts)]
    parts += [variance * study.shapes[place] for place, variance in zip(included, variances[1:], strict=True)]
    covariance = np.sum(parts, axis=0)
    inverse = np.linalg.inv(covariance)
    row = inverse.sum(axis=0)
    projected = inverse - np.outer(row, row) / row.sum()
    residual = projected @ study.means
    within = study.within / variances[0]
    likelihood = -0.5 * (np.linalg.slogdet(covariance)[1] + np.log(row.sum()) + residual @ study.means)
    likelihood -= 0.5 * (study.degrees_of_freedom * logs[0] + within)
    slope = np.array([-0.5 * ((projected * part).sum() - residual @ part @ residual) for part in parts])
    slope[0] -= 0.5 * (study.degrees_of_freedom - within)
    return -float(likelihood), -slope


def _simulate(variances: FloatArray, study: GaugeData, rng: np.random.Generator) -> GaugeData:
    means = rng.normal(0, np.sqrt(variances[0] / study.counts))
    for indicator, variance in zip(study.indicators, variances[1:], strict=True):
        means += indicator @ rng.normal(0, np.sqrt(variance), indicator.shape[1])
    return replace(study, means=means, within=float(variances[0] * rng.chisquare(study.degrees_of_freedom)))


def _expanded(variances: FloatArray) -> FloatArray:
    """All four in their order; an interaction left out is 0."""
    return np.insert(variances, 2, 0.0) if len(variances) == 3 else variances
