"""How well risks tell bleeds that come back from those that do not, with weights, so that bikes can be resampled."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Draws:
    """Both figures, resampled."""

    auc: Numbers
    precision: Numbers


@dataclass(frozen=True)
class _Ranked:
    """Rows from the highest risk down; `stops` are the last rows of each group of equal risks."""

    order: NDArray[np.int64] = field(repr=False)
    stops: NDArray[np.int64] = field(repr=False)


def auc(risk: Numbers, came_back: NDArray[np.bool_]) -> float:
    """The chance that a bleed that came back had a higher risk than one that did not; equal risks count half."""
    return _figures(_ranked(risk), came_back, np.ones(len(risk)))[0]


def average_precision(risk: Numbers, came_back: NDArray[np.bool_]) -> float:
    """The precision down the list of risks, averaged over the comebacks found."""
    return _figures(_ranked(risk), came_back, np.ones(len(risk)))[1]


def resampled(
    risk: Numbers, came_back: NDArray[np.bool_], bike: NDArray[np.int64], draws: int, rng: np.random.Generator
) -> Draws:
    """Both figures over resampled bikes, all bleeds of a bike drawn together."""
    bikes, place = np.unique(bike, return_inverse=True)
    ranked = _ranked(risk)
    told: list[tuple[float, float]] = []
    while len(told) < draws:
        weight = rng.multinomial(len(bikes), np.full(len(bikes), 1 / len(bikes)))[place].astype(float)
        if 0 < weight[came_back].sum() < weight.sum():
            told.append(_figures(ranked, came_back, weight))
    both = np.array(told)
    return Draws(both[:, 0], both[:, 1])


def _ranked(risk: Numbers) -> _Ranked:
    order = np.argsort(-risk, kind="stable")
    return _Ranked(order, np.flatnonzero(np.append(np.diff(risk[order]) != 0, True)))


def _figures(ranked: _Ranked, came_back: NDArray[np.bool_], weight: Numbers) -> tuple[float, float]:
    back = np.where(came_back, weight, 0.0)[ranked.order]
    found = np.cumsum(back)[ranked.stops]
    seen = np.cumsum(weight[ranked.order])[ranked.stops]
    gained, others = np.diff(found, prepend=0.0), np.diff(seen - found, prepend=0.0)
    area = float(others @ (found - gained / 2)) / (found[-1] * (seen[-1] - found[-1]))
    precision = float(gained @ (found / np.maximum(seen, 1e-300))) / found[-1]
    return area, precision
