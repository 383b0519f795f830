"""How well risks tell bleeds that come back from those that do not: two figures, each with what every bleed does to it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.stats import Z95, clustered_sd

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Figure:
    """A figure between 0 and 1, and its slope in the weight of each bleed; the slopes sum to 0."""

    value: float
    slopes: Numbers = field(repr=False)

    def limits(self, bike: NDArray[np.int64]) -> tuple[float, float]:
        """95% limits by the infinitesimal jackknife over bikes, on the log odds; NaN where the figure is 0 or 1.

        Of the area under the curve, where no two bleeds share a bike, the variance of E. R. DeLong, D. M. DeLong &
        D. L. Clarke-Pearson 1988, Biometrics 44:837-845, but for its divisor.
        """
        if not 0 < self.value < 1:
            return float("nan"), float("nan")
        sd = clustered_sd(self.slopes, bike)
        middle = np.log(self.value / (1 - self.value))
        reach = Z95 * sd / (self.value * (1 - self.value))
        return float(1 / (1 + np.exp(reach - middle))), float(1 / (1 + np.exp(-reach - middle)))


@dataclass(frozen=True)
class _Listed:
    """Bleeds listed from the highest risk down, equal risks together: how many of each group came back and did not, and
    the group of each bleed."""

    back: Numbers
    others: Numbers
    group: NDArray[np.int64]


def auc(risk: Numbers, came_back: NDArray[np.bool_]) -> Figure:
    """The chance that a bleed that came back had a higher risk than one that did not; equal risks count half."""
    listed = _listed(risk, came_back)
    above = (np.cumsum(listed.back) - listed.back / 2) / listed.back.sum()
    below = 1 - (np.cumsum(listed.others) - listed.others / 2) / listed.others.sum()
    value = float(listed.others @ above) / listed.others.sum()
    slopes = np.where(
        came_back,
        (below[listed.group] - value) / listed.back.sum(),
        (above[listed.group] - value) / listed.others.sum(),
    )
    return Figure(value, slopes)


def average_precision(risk: Numbers, came_back: NDArray[np.bool_]) -> Figure:
    """The precision down the list of risks, averaged over the comebacks found."""
    listed = _listed(risk, came_back)
    found, seen = np.cumsum(listed.back), np.cumsum(listed.back + listed.others)
    comebacks = found[-1]
    value = float(listed.back @ (found / seen)) / comebacks
    by_found, by_seen = (_from_here_down(listed.back * part / seen**2) for part in (seen, found))
    slopes = -by_seen[listed.group]
    slopes += np.where(came_back, (found / seen + by_found)[listed.group] - value, 0.0)
    return Figure(value, slopes / comebacks)


def _listed(risk: Numbers, came_back: NDArray[np.bool_]) -> _Listed:
    levels, place = np.unique(-risk, return_inverse=True)
    seen, back = np.zeros(len(levels)), np.zeros(len(levels))
    np.add.at(seen, place, 1.0)
    np.add.at(back, place[came_back], 1.0)
    return _Listed(back, seen - back, place)


def _from_here_down(values: Numbers) -> Numbers:
    return values[::-1].cumsum()[::-1]
