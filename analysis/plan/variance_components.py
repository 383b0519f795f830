"""Sufficient statistics of a gauge study (item × technician), and its variance components: mean squares if balanced, else
REML.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from analysis.stats import FloatArray, chi_square_tail

DRAWS = 4000
RESAMPLES = 200
ALL_COMPONENTS, NO_INTERACTION = (0, 1, 2), (0, 2)
"""Indices in `GaugeData.indicators` (technician, interaction, item) of the components in the model."""


@dataclass(frozen=True)
class GaugeData:
    """One entry per pair of item and technician, sorted by both: sufficient statistics of the variance components.

    `within` is the sum of squares within pairs, with `degrees_of_freedom`. `indicators` map pairs to technician, pair
    and item; `shapes` are the covariances of the means per unit of variance of each.
    """

    means: FloatArray
    counts: FloatArray
    within: float
    degrees_of_freedom: int
    items: int
    technicians: int
    indicators: tuple[FloatArray, ...] = field(repr=False)
    shapes: tuple[FloatArray, ...] = field(repr=False)

    @property
    def complete(self) -> bool:
        """Whether every technician read every item."""
        return len(self.means) == self.items * self.technicians

    @property
    def balanced(self) -> bool:
        """Whether every technician read every item equally often."""
        return self.complete and len(np.unique(self.counts)) == 1


def gauge_data(readings: pl.DataFrame) -> GaugeData:
    """Reduce readings (item, technician, reading) to pairs."""
    squared_deviation = (pl.col("reading") - pl.col("reading").mean()) ** 2
    pairs = readings.group_by("item", "technician").agg(
        mean=pl.col("reading").mean(), n=pl.len(), within=squared_deviation.sum()
    )
    pairs = pairs.sort("item", "technician")
    technician, item = (_indicator_matrix(pairs.get_column(name)) for name in ("technician", "item"))
    indicators = (technician, np.eye(pairs.height), item)
    return GaugeData(
        means=pairs.get_column("mean").to_numpy(),
        counts=pairs.get_column("n").to_numpy().astype(float),
        within=float(pairs.get_column("within").sum()),
        degrees_of_freedom=readings.height - pairs.height,
        items=item.shape[1],
        technicians=technician.shape[1],
        indicators=indicators,
        shapes=tuple(indicator @ indicator.T for indicator in indicators),
    )


def _indicator_matrix(label: pl.Series) -> FloatArray:
    codes = label.rank("dense").to_numpy().astype(int) - 1
    return np.eye(codes.max() + 1)[codes]


@dataclass(frozen=True)
class Components:
    """Variances of repeatability, technician, interaction and item (4), and `draws` (4 × draws) for limits.

    `pooled` says that the interaction was pooled with repeatability.
    """

    variances: FloatArray
    draws: FloatArray
    interaction_p: float | None
    pooled: bool


@dataclass(frozen=True)
class _SumsOfSquares:
    """Sums of squares and degrees of freedom of item, technician, interaction and repeatability."""

    sums: FloatArray
    degrees_of_freedom: FloatArray
    items: int
    technicians: int
    repeats: float


def balanced_components(study: GaugeData, rng: np.random.Generator, pool_above_p: float) -> Components:
    """Components from the expected mean squares of the two-way random model; negative ones are set to 0.

    Source: D. C. Montgomery, Design and Analysis of Experiments, two-factor random model.
    """
    from scipy import stats

    squares = _sums_of_squares(study)
    mean_squares = squares.sums / squares.degrees_of_freedom
    ratio = mean_squares[2] / mean_squares[3] if mean_squares[3] > 0 else np.inf
    p = float(stats.f.sf(ratio, squares.degrees_of_freedom[2], squares.degrees_of_freedom[3]))
    pooled = p > pool_above_p
    chosen = _pool_interaction(squares) if pooled else squares
    return Components(
        variances=_variances_from_mean_squares((chosen.sums / chosen.degrees_of_freedom)[:, None], chosen, pooled)[
            :, 0
        ],
        draws=pivotal_draws(study, rng),
        interaction_p=p,
        pooled=pooled,
    )


def pivotal_draws(study: GaugeData, rng: np.random.Generator) -> FloatArray:
    """Draws of the components with chi-square pivots in place of the mean squares; every pair must be filled.

    The interaction is never pooled here: limits that depend on a test passed cover the truth too rarely.

    Sources: S. Weerahandi 1993, J. Am. Stat. Assoc. 88:899-905; unequal numbers of readings by mean squares of the
    unweighted means (R. K. Burdick & F. A. Graybill 1992, Confidence Intervals on Variance Components).
    """
    squares = _sums_of_squares(study)
    pivots = rng.chisquare(squares.degrees_of_freedom[:, None], (4, DRAWS))
    return _variances_from_mean_squares(squares.sums[:, None] / pivots, squares, pooled=False)


def _sums_of_squares(study: GaugeData) -> _SumsOfSquares:
    """Sums of squares of the pairs' means, weighted by the harmonic mean of the numbers of readings."""
    items, technicians = study.items, study.technicians
    repeats = float(1 / np.mean(1 / study.counts))
    means = study.means.reshape(items, technicians)
    row, column, grand = means.mean(axis=1), means.mean(axis=0), means.mean()
    sums = np.array(
        [
            technicians * repeats * ((row - grand) ** 2).sum(),
            items * repeats * ((column - grand) ** 2).sum(),
            repeats * ((means - row[:, None] - column[None, :] + grand) ** 2).sum(),
            study.within,
        ]
    )
    freedom = np.array(
        [items - 1, technicians - 1, (items - 1) * (technicians - 1), study.degrees_of_freedom], dtype=float
    )
    return _SumsOfSquares(sums, freedom, items, technicians, repeats)


def _pool_interaction(squares: _SumsOfSquares) -> _SumsOfSquares:
    sums, freedom = squares.sums.copy(), squares.degrees_of_freedom.copy()
    sums[3], freedom[3] = sums[2] + sums[3], freedom[2] + freedom[3]
    return _SumsOfSquares(sums, freedom, squares.items, squares.technicians, squares.repeats)


def _variances_from_mean_squares(mean_squares: FloatArray, squares: _SumsOfSquares, pooled: bool) -> FloatArray:
    item, technician, interaction, repeat = mean_squares
    denominator = repeat if pooled else interaction
    k = squares.repeats
    return np.stack(
        [
            repeat,
            np.maximum((technician - denominator) / (squares.items * k), 0),
            np.zeros_like(repeat) if pooled else np.maximum((interaction - repeat) / k, 0),
            np.maximum((item - denominator) / (squares.technicians * k), 0),
        ]
    )


@dataclass(frozen=True)
class _RemlFit:
    variances: FloatArray
    log_likelihood: float


def unbalanced_components(study: GaugeData, rng: np.random.Generator, pool_above_p: float) -> Components:
    """Components by restricted maximum likelihood (H. D. Patterson & R. Thompson 1971, Biometrika 58:545-554).

    The interaction is kept when its likelihood-ratio p-value (half chi-square on the boundary) is at most
    `pool_above_p`. Limits by pivotal draws where every technician read every item, else by a parametric bootstrap.
    """
    full, no_interaction = _reml(study, ALL_COMPONENTS), _reml(study, NO_INTERACTION)
    p = float(0.5 * chi_square_tail(max(0.0, 2 * (full.log_likelihood - no_interaction.log_likelihood)), 1))
    pooled = p > pool_above_p
    draws = pivotal_draws(study, rng) if study.complete else _bootstrap(study, full.variances, rng)
    return Components(
        _insert_interaction((no_interaction if pooled else full).variances), draws, interaction_p=p, pooled=pooled
    )


def _bootstrap(study: GaugeData, variances: FloatArray, rng: np.random.Generator) -> FloatArray:
    simulated = (_simulate_readings(variances, study, rng) for _ in range(RESAMPLES))
    return np.stack([_reml(study_draw, ALL_COMPONENTS, variances).variances for study_draw in simulated], axis=1)


def _reml(study: GaugeData, included: tuple[int, ...], initial_variances: FloatArray | None = None) -> _RemlFit:
    """Fit repeatability and the included components, on the log scale."""
    from scipy import optimize

    total_variance = float(np.var(study.means)) + study.within / study.degrees_of_freedom
    log_scale = np.log(max(total_variance, 1e-12) / (len(included) + 1))
    start = (
        np.full(len(included) + 1, log_scale)
        if initial_variances is None
        else np.clip(np.log(initial_variances), log_scale - 12, log_scale + 3)
    )
    bounds = [(log_scale - 18, log_scale + 4)] * len(start)
    best = optimize.minimize(
        _negative_log_likelihood, start, (study, included), method="L-BFGS-B", jac=True, bounds=bounds
    )
    return _RemlFit(np.exp(best.x), float(-best.fun))


def _negative_log_likelihood(logs: FloatArray, study: GaugeData, included: tuple[int, ...]) -> tuple[float, FloatArray]:
    """Negative restricted log likelihood and its gradient in the log variances.

    The sum of two independent parts: the pairs' means, and the sum of squares within pairs.
    """
    variances = np.exp(logs)
    parts = [np.diag(variances[0] / study.counts)]
    parts += [variance * study.shapes[index] for index, variance in zip(included, variances[1:], strict=True)]
    covariance = np.sum(parts, axis=0)
    inverse = np.linalg.inv(covariance)
    weights = inverse.sum(axis=0)
    projected = inverse - np.outer(weights, weights) / weights.sum()
    residual = projected @ study.means
    within = study.within / variances[0]
    likelihood = -0.5 * (np.linalg.slogdet(covariance)[1] + np.log(weights.sum()) + residual @ study.means)
    likelihood -= 0.5 * (study.degrees_of_freedom * logs[0] + within)
    gradient = np.array([-0.5 * ((projected * part).sum() - residual @ part @ residual) for part in parts])
    gradient[0] -= 0.5 * (study.degrees_of_freedom - within)
    return -float(likelihood), -gradient


def _simulate_readings(variances: FloatArray, study: GaugeData, rng: np.random.Generator) -> GaugeData:
    means = rng.normal(0, np.sqrt(variances[0] / study.counts))
    for indicator, variance in zip(study.indicators, variances[1:], strict=True):
        means += indicator @ rng.normal(0, np.sqrt(variance), indicator.shape[1])
    return replace(study, means=means, within=float(variances[0] * rng.chisquare(study.degrees_of_freedom)))


def _insert_interaction(variances: FloatArray) -> FloatArray:
    """The four variances in order; 0 for an interaction left out."""
    return np.insert(variances, 2, 0.0) if len(variances) == 3 else variances
