"""Variance components of a two-way random layout, item × technician: balanced by mean squares, else by REML."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Components:
    """Variances in the order repeatability, technician, interaction, item; `draws` has one column a draw."""

    variances: Numbers
    draws: Numbers
    interaction_p: float | None
    pooled: bool


@dataclass(frozen=True)
class _Squares:
    """Sums of squares and degrees of freedom in the order item, technician, interaction, repeatability."""

    sums: Numbers
    freedom: Numbers
    items: int
    technicians: int
    repeats: int


def balanced_components(
    readings: pl.DataFrame, rng: np.random.Generator, pool_above_p: float, draws: int
) -> Components:
    """Components from mean squares (expected mean squares of the two-way random model, negative ones set to 0).

    Source: D. C. Montgomery, Design and Analysis of Experiments, two-factor random model; interval draws put
    chi-square pivots in the place of the mean squares (S. Weerahandi 1993, J. Am. Stat. Assoc. 88:899-905).
    """
    from scipy import stats

    squares = _squares(readings)
    mean_squares = squares.sums / np.maximum(squares.freedom, 1)
    ratio = mean_squares[2] / mean_squares[3] if mean_squares[3] > 0 else np.inf
    p = float(stats.f.sf(ratio, squares.freedom[2], squares.freedom[3]))
    pooled = p > pool_above_p
    sums, freedom = squares.sums.copy(), squares.freedom.copy()
    if pooled:
        sums[3], freedom[3] = sums[2] + sums[3], freedom[2] + freedom[3]
    chance = rng.chisquare(np.where(freedom > 0, freedom, 1)[:, None], (4, draws))
    return Components(
        variances=_from_mean_squares((sums / freedom)[:, None], squares, pooled)[:, 0],
        draws=_from_mean_squares(sums[:, None] / chance, squares, pooled),
        interaction_p=p,
        pooled=pooled,
    )


def unbalanced_components(
    readings: pl.DataFrame, rng: np.random.Generator, pool_above_p: float, draws: int
) -> Components:
    """Components by restricted maximum likelihood (Patterson & Thompson 1971), limits by a parametric bootstrap.

    The interaction is kept when its likelihood-ratio p-value (half chi-square, on the boundary) is at most
    `pool_above_p`.
    """
    from scipy import stats

    blocks = _indicator_blocks(readings)
    y = readings.get_column("reading").to_numpy()
    full, without = _reml(y, blocks), _reml(y, [blocks[0], blocks[2]])
    p = float(0.5 * stats.chi2.sf(max(0.0, 2 * (full.log_likelihood - without.log_likelihood)), 1))
    pooled = p > pool_above_p
    kept = [blocks[0], blocks[2]] if pooled else blocks
    fit = without if pooled else full
    resampled = [_reml(_drawn(fit.variances, kept, rng), kept).variances for _ in range(min(draws, 200))]
    return Components(
        variances=_spelled(fit.variances, pooled),
        draws=np.stack([_spelled(v, pooled) for v in resampled], axis=1),
        interaction_p=p,
        pooled=pooled,
    )


def _squares(readings: pl.DataFrame) -> _Squares:
    cell = readings.sort("item", "technician").group_by("item", "technician", maintain_order=True)
    cube = cell.agg("reading").get_column("reading")
    items, technicians = readings.n_unique("item"), readings.n_unique("technician")
    y = np.stack(cube.to_list()).reshape(items, technicians, -1)
    repeats = y.shape[2]
    means = y.mean(axis=2)
    row, column, grand = means.mean(axis=1), means.mean(axis=0), means.mean()
    sums = np.array(
        [
            technicians * repeats * ((row - grand) ** 2).sum(),
            items * repeats * ((column - grand) ** 2).sum(),
            repeats * ((means - row[:, None] - column[None, :] + grand) ** 2).sum(),
            ((y - means[:, :, None]) ** 2).sum(),
        ]
    )
    freedom = np.array(
        [items - 1, technicians - 1, (items - 1) * (technicians - 1), items * technicians * (repeats - 1)], dtype=float
    )
    return _Squares(sums, freedom, items, technicians, repeats)


def _from_mean_squares(mean_squares: Numbers, squares: _Squares, pooled: bool) -> Numbers:
    item, technician, interaction, repeat = mean_squares
    below = repeat if pooled else interaction
    k = squares.repeats
    return np.stack(
        [
            repeat,
            np.maximum((technician - below) / (squares.items * k), 0),
            np.zeros_like(repeat) if pooled else np.maximum((interaction - repeat) / k, 0),
            np.maximum((item - below) / (squares.technicians * k), 0),
        ]
    )


@dataclass(frozen=True)
class _Reml:
    variances: Numbers
    log_likelihood: float


def _indicator_blocks(readings: pl.DataFrame) -> list[Numbers]:
    """Indicator matrices of technician, interaction and item, a row a reading."""
    pair = readings.select(pair=pl.concat_str("item", "technician", separator="\x1f")).get_column("pair")
    labels = (readings.get_column("technician"), pair, readings.get_column("item"))
    return [_indicators(label) for label in labels]


def _indicators(label: pl.Series) -> Numbers:
    codes = label.rank("dense").to_numpy().astype(int) - 1
    return np.eye(codes.max() + 1)[codes]


def _reml(y: Numbers, blocks: list[Numbers]) -> _Reml:
    from scipy import optimize

    shapes = [block @ block.T for block in blocks]
    start = np.log(np.full(len(blocks) + 1, max(float(np.var(y)), 1e-12) / (len(blocks) + 1)))
    bounds = [(start[0] - 18, start[0] + 4)] * len(start)
    best = optimize.minimize(lambda v: -_restricted(y, shapes, np.exp(v)), start, method="L-BFGS-B", bounds=bounds)
    return _Reml(np.exp(best.x), float(-best.fun))


def _restricted(y: Numbers, shapes: list[Numbers], variances: Numbers) -> float:
    covariance = variances[0] * np.eye(len(y))
    for shape, variance in zip(shapes, variances[1:], strict=True):
        covariance += variance * shape
    root = np.linalg.cholesky(covariance)
    white_y, white_1 = np.linalg.solve(root, np.column_stack([y, np.ones(len(y))])).T
    information = white_1 @ white_1
    residual = white_y - white_1 * (white_1 @ white_y) / information
    return float(-np.log(np.diag(root)).sum() - 0.5 * np.log(information) - 0.5 * residual @ residual)


def _drawn(variances: Numbers, blocks: list[Numbers], rng: np.random.Generator) -> Numbers:
    y = rng.normal(0, np.sqrt(variances[0]), blocks[0].shape[0])
    for block, variance in zip(blocks, variances[1:], strict=True):
        y += block @ rng.normal(0, np.sqrt(variance), block.shape[1])
    return y


def _spelled(variances: Numbers, pooled: bool) -> Numbers:
    return np.array([variances[0], variances[1], 0.0, variances[2]]) if pooled else variances
