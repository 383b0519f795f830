"""Several estimates together: joint and multiple tests, rank correlation, unseen causes."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.stats.intervals import chi_square_tail, normal_tail

RANK_TOLERANCE = 1e-10
"""Eigenvalues below this share of the largest count as zero."""
FloatArray = NDArray[np.float64]
GRID = 60


def benjamini_hochberg(p_values: ArrayLike) -> NDArray[np.float64]:
    """q-values (false discovery rate), in the order given; NaN stays NaN and does not count as a test.

    Source: Y. Benjamini & Y. Hochberg 1995, J. R. Stat. Soc. B 57:289-300.
    """
    p = np.asarray(p_values, dtype=float)
    q = np.full_like(p, np.nan)
    tested = np.isfinite(p)
    order = np.argsort(p[tested])[::-1]
    ranks = np.arange(len(order), 0, -1)
    adjusted = np.minimum.accumulate(p[tested][order] * len(order) / ranks)
    q[np.flatnonzero(tested)[order]] = np.minimum(adjusted, 1.0)
    return q


def holm(p_values: ArrayLike) -> NDArray[np.float64]:
    """p-values adjusted for family-wise error, in the order given.

    Source: S. Holm 1979, Scand. J. Stat. 6:65-70.
    """
    p = np.asarray(p_values, dtype=float)
    order = np.argsort(p)
    adjusted = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    result = np.empty_like(p)
    result[order] = np.minimum(adjusted, 1.0)
    return result


def equal_values_p_value(values: ArrayLike, covariance: ArrayLike) -> float:
    """p-value of the hypothesis that correlated estimates have the same true value; NaN with fewer than two.

    Wald test of all differences from the first; the degrees of freedom are the rank of their covariance, so that points
    along a smooth curve count as the few coefficients they come from.

    One estimate per level (k), and their covariance (k × k).

    Source: A. Wald 1943, Trans. Am. Math. Soc. 54:426-482; with independent estimates it is W. G. Cochran's Q (1954,
    Biometrics 10:101-129).
    """
    y, sigma = np.asarray(values, dtype=float), np.asarray(covariance, dtype=float)
    if len(y) < 2 or not (np.isfinite(y).all() and np.isfinite(sigma).all()):
        return float("nan")
    differences = y[1:] - y[0]
    variance = sigma[1:, 1:] - sigma[1:, :1] - sigma[:1, 1:] + sigma[0, 0]
    eigenvalues, directions = np.linalg.eigh((variance + variance.T) / 2)
    estimable = eigenvalues > RANK_TOLERANCE * max(float(eigenvalues[-1]), 0.0)
    if not estimable.any():
        return float("nan")
    components = directions[:, estimable].T @ differences
    return float(chi_square_tail(float((components**2 / eigenvalues[estimable]).sum()), int(estimable.sum())))


def kendall_tau(first: ArrayLike, second: ArrayLike) -> float:
    """Kendall's tau-b of two rankings of the same items; NaN where all of one are tied.

    Source: M. G. Kendall 1945, Biometrika 33:239-251.
    """
    a, b = (np.sign(np.subtract.outer(values, values)) for values in (np.asarray(first), np.asarray(second)))
    untied = float((a * a).sum() * (b * b).sum())
    return float((a * b).sum()) / untied**0.5 if untied else float("nan")


def robustness_value(t: float, degrees_of_freedom: float) -> float:
    """Share of the residual variance of both treatment and outcome that an unmeasured confounder must explain to remove t.

    For the value at a significance level subtract the critical t (with one degree of freedom less) over √(df − 1) from
    t / √df first, and multiply by √df; 0 where nothing is left.

    Source: C. Cinelli & C. Hazlett 2020, J. R. Stat. Soc. B 82:39-67, equation 18.
    """
    f = max(t, 0.0) / np.sqrt(degrees_of_freedom)
    return float((np.sqrt(f**4 + 4 * f**2) - f**2) / 2)


def benchmark_r2(with_treatment: float, with_outcome: float) -> tuple[float, float]:
    """Partial R² with treatment and outcome of an unmeasured confounder as strong as an observed covariate.

    Source: Cinelli & Hazlett 2020, section 4.4. Both are below 1.

    Parameters
    ----------
    with_treatment
        Partial R² of the covariate with the treatment, given the others.
    with_outcome
        Partial R² of the covariate with the outcome, given treatment and the others.
    """
    treatment = with_treatment / (1 - with_treatment)
    linked = with_treatment**2 / (1 - with_treatment) ** 2
    outcome = (1 + np.sqrt(linked)) ** 2 / max(1 - linked, 1e-9) * with_outcome / (1 - with_outcome)
    return min(treatment, 0.999), float(min(outcome, 0.999))


def omitted_variable_bias(
    treatment_r2: float, outcome_r2: float, standard_error: float, degrees_of_freedom: float
) -> float:
    """Bias of a least-squares coefficient by an omitted variable with these partial R² (Cinelli & Hazlett 2020, eq. 14)."""
    strength = outcome_r2 * treatment_r2 / (1 - treatment_r2)
    return float(standard_error * np.sqrt(degrees_of_freedom * strength))


def systematic_error(estimates: ArrayLike, standard_errors: ArrayLike) -> tuple[float, float]:
    """Mean and standard deviation of the systematic error of negative controls, whose true effects are zero.

    Maximum likelihood of normal estimates around normal errors, on a grid of standard deviations.

    Source: M. J. Schuemie et al. 2014, Stat. Med. 33:209-218.
    """
    y, variance = np.asarray(estimates, dtype=float), np.asarray(standard_errors, dtype=float) ** 2
    best = (-np.inf, 0.0, 0.0)
    for sd in np.linspace(0, 2 * max(float(np.abs(y).max()), 1e-9), GRID):
        total = variance + sd**2
        mean = float((y / total).sum() / (1 / total).sum())
        log_likelihood = float(-0.5 * (np.log(total) + (y - mean) ** 2 / total).sum())
        best = max(best, (log_likelihood, mean, float(sd)))
    return best[1], best[2]


def calibrated_p_value(estimate: ArrayLike, standard_error: ArrayLike, mean: float, sd: float) -> FloatArray:
    """Two-sided p-value against the distribution of systematic error (Schuemie et al. 2014)."""
    spread = np.sqrt(np.asarray(standard_error, dtype=float) ** 2 + sd**2)
    return np.asarray(2 * normal_tail(np.abs(np.asarray(estimate, dtype=float) - mean) / spread))


def pearson_dispersion(k: FloatArray, n: FloatArray, at: int) -> float:
    """How much more shares vary within two periods than binomial shares would.

    Pearson's chi-square of `k` of `n` about each period's share, over its degrees of freedom (entries less 2, at least 1).
    Source: P. McCullagh & J. A. Nelder 1989, Generalized Linear Models, sect. 4.5.

    Parameters
    ----------
    k, n
        Successes and trials (above 0) of each month, in order.
    at
        Last month of the first period.
    """
    total = 0.0
    for part in (slice(None, at + 1), slice(at + 1, None)):
        share = k[part].sum() / n[part].sum()
        if 0 < share < 1:
            total += float(((k[part] - n[part] * share) ** 2 / (n[part] * share * (1 - share))).sum())
    return total / max(len(k) - 2, 1)
