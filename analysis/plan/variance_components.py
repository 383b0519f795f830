"""Variance components of a two-way random layout, item × technician, by mean squares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.plan.gauge_data import GaugeData

FloatArray = NDArray[np.float64]
DRAWS = 4000


@dataclass(frozen=True)
class Components:
    """Variances in the order repeatability, technician, interaction, item.

    `draws` has one column a draw, for limits; `pooled` tells that the variances take the interaction for 0.
    """

    variances: FloatArray
    draws: FloatArray
    interaction_p: float | None
    pooled: bool


@dataclass(frozen=True)
class _Squares:
    """Sums of squares and degrees of freedom in the order item, technician, interaction, repeatability."""

    sums: FloatArray
    degrees_of_freedom: FloatArray
    items: int
    technicians: int
    repeats: float


def balanced_components(study: GaugeData, rng: np.random.Generator, pool_above_p: float) -> Components:
    """Components from mean squares (expected mean squares of the two-way random model, negative ones set to 0).

    Source: D. C. Montgomery, Design and Analysis of Experiments, two-factor random model.
    """
    from scipy import stats

    squares = _squares(study)
    mean_squares = squares.sums / squares.degrees_of_freedom
    ratio = mean_squares[2] / mean_squares[3] if mean_squares[3] > 0 else np.inf
    p = float(stats.f.sf(ratio, squares.degrees_of_freedom[2], squares.degrees_of_freedom[3]))
    pooled = p > pool_above_p
    chosen_squares = _pooled(squares) if pooled else squares
    return Components(
        variances=_from_mean_squares(
            (chosen_squares.sums / chosen_squares.degrees_of_freedom)[:, None], chosen_squares, pooled
        )[:, 0],
        draws=pivotal_draws(study, rng),
        interaction_p=p,
        pooled=pooled,
    )


def pivotal_draws(study: GaugeData, rng: np.random.Generator) -> FloatArray:
    """Draws of the components that put chi-square pivots in the place of the mean squares, every pair filled.

    The interaction always has its own: limits that take it for 0 because a test let it pass hold the truth too seldom.

    Source: S. Weerahandi 1993, J. Am. Stat. Assoc. 88:899-905; where pairs were read unequally often, mean squares of the
    unweighted means (R. K. Burdick & F. A. Graybill 1992, Confidence Intervals on Variance Components).
    """
    squares = _squares(study)
    chance = rng.chisquare(squares.degrees_of_freedom[:, None], (4, DRAWS))
    return _from_mean_squares(squares.sums[:, None] / chance, squares, pooled=False)


def _squares(study: GaugeData) -> _Squares:
    """Of the pairs' means, each counted as often as the harmonic mean of their numbers of readings."""
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
    return _Squares(sums, freedom, items, technicians, repeats)


def _pooled(squares: _Squares) -> _Squares:
    """The interaction's squares counted as repeatability's."""
    sums, freedom = squares.sums.copy(), squares.degrees_of_freedom.copy()
    sums[3], freedom[3] = sums[2] + sums[3], freedom[2] + freedom[3]
    return _Squares(sums, freedom, squares.items, squares.technicians, squares.repeats)


def _from_mean_squares(mean_squares: FloatArray, squares: _Squares, pooled: bool) -> FloatArray:
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
