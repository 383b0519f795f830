"""How well risks tell bleeds that come back from those that do not: two figures, each with what every bleed does to it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.stats import Z95, clustered_standard_error

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Estimate:
    """A figure between 0 and 1, and its slope in the weight of each bleed; the slopes sum to 0."""

    value: float
    influence_values: FloatArray = field(repr=False)

    def limits(self, bike: NDArray[np.int64]) -> tuple[float, float]:
        """95% limits by the infinitesimal jackknife over bikes, on the log odds; NaN where the figure is 0 or 1.

        Of the area under the curve, where no two bleeds share a bike, the variance of E. R. DeLong, D. M. DeLong &
        D. L. Clarke-Pearson 1988, Biometrics 44:837-845, but for its divisor.
        """
        if not 0 < self.value < 1:
            return float("nan"), float("nan")
        sd = clustered_standard_error(self.influence_values, bike)
        middle = np.log(self.value / (1 - self.value))
        half_width = Z95 * sd / (self.value * (1 - self.value))
        return float(1 / (1 + np.exp(half_width - middle))), float(1 / (1 + np.exp(-half_width - middle)))


@dataclass(frozen=True)
class _RankedGroups:
    """Bleeds listed from the highest risk down, equal risks together: how many of each group came back and did not, and
    the group of each bleed."""

    comebacks: FloatArray
    others: FloatArray
    group: NDArray[np.int64]


def auc(risk: FloatArray, came_back: NDArray[np.bool_]) -> Estimate:
    """The chance that a bleed that came back had a higher risk than one that did not; equal risks count half."""
    listed = _ranked_groups(risk, came_back)
    above = (np.cumsum(listed.comebacks) - listed.comebacks / 2) / listed.comebacks.sum()
    share_below = 1 - (np.cumsum(listed.others) - listed.others / 2) / listed.others.sum()
    value = float(listed.others @ above) / listed.others.sum()
    slopes = np.where(
        came_back,
        (share_below[listed.group] - value) / listed.comebacks.sum(),
        (above[listed.group] - value) / listed.others.sum(),
    )
    return Estimate(value, slopes)


def average_precision(risk: FloatArray, came_back: NDArray[np.bool_]) -> Estimate:
    """The precision down the list of risks, averaged over the comebacks found."""
    listed = _ranked_groups(risk, came_back)
    comebacks_found, bleeds_listed = np.cumsum(listed.comebacks), np.cumsum(listed.comebacks + listed.others)
    comebacks = comebacks_found[-1]
    value = float(listed.comebacks @ (comebacks_found / bleeds_listed)) / comebacks
    by_found, by_seen = (
        _reverse_cumsum(listed.comebacks * part / bleeds_listed**2) for part in (bleeds_listed, comebacks_found)
    )
    slopes = -by_seen[listed.group]
    slopes += np.where(came_back, (comebacks_found / bleeds_listed + by_found)[listed.group] - value, 0.0)
    return Estimate(value, slopes / comebacks)


def _ranked_groups(risk: FloatArray, came_back: NDArray[np.bool_]) -> _RankedGroups:
    levels, place = np.unique(-risk, return_inverse=True)
    totals, back = np.zeros(len(levels)), np.zeros(len(levels))
    np.add.at(totals, place, 1.0)
    np.add.at(back, place[came_back], 1.0)
    return _RankedGroups(back, totals - back, place)


def _reverse_cumsum(values: FloatArray) -> FloatArray:
    return values[::-1].cumsum()[::-1]
