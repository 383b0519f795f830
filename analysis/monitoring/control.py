"""Control charts of one series of months, with limits that hold a stated chance of a false signal over the whole log."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.monitoring.cusum import cusum, log_likelihood_ratios
from analysis.monitoring.null_model import MIN_SPREAD, NullModel, upper_quantile
from analysis.monitoring.p_chart import Limits, moving_range_sigma, p_chart, scores

FloatArray = NDArray[np.float64]
WORSE, BETTER = 2.0, 0.5
OWN_COMEBACKS = 20.0
"""Comebacks' worth of 'as expected' that a group's own early level is pulled toward."""
EARLY_SHARE, EARLY_MONTHS = 3, 3
MAX_RISK = 0.95


@dataclass(frozen=True)
class ControlCharts:
    """Of one series: the p-chart's limits, both CUSUMs at each month's end, and where each signals."""

    limits: Limits
    up: FloatArray
    down: FloatArray
    up_limit: float
    down_limit: float


def control_charts(null: NullModel, chance: float) -> ControlCharts:
    """Charts whose limits draws of the null exceed anywhere, in either direction, with this chance at most.

    Half of it is the p-chart's, a quarter each CUSUM's.
    """
    series = null.series
    centre = np.clip(null.mean / series.bleeds, 1e-6, MAX_RISK)
    drawn = scores(null.draws, series.bleeds, np.clip(null.drawn_mean / series.bleeds, 1e-6, MAX_RISK))
    furthest = np.abs(drawn).max(axis=1) / np.maximum(moving_range_sigma(drawn), MIN_SPREAD)
    limits = p_chart(series.observed, series.bleeds, centre=centre, sigmas=upper_quantile(furthest, chance / 2))
    sums, tops = [], []
    for odds_ratio in (WORSE, BETTER):
        sums.append(_cusum(null, series.observed, null.season, odds_ratio, np.array(null.spread)))
        highest = _cusum(null, null.draws, null.drawn_season, odds_ratio, null.drawn_spread).max(axis=1)
        tops.append(upper_quantile(highest, chance / 4))
    return ControlCharts(limits, sums[0], sums[1], tops[0], tops[1])


def _cusum(
    null: NullModel, counts: FloatArray, season: FloatArray, odds_ratio: float, spread: FloatArray
) -> FloatArray:
    """The CUSUM of each row against its own level in the first third of its months, each month's evidence discounted by
    how much months vary more than chance."""
    early = max(counts.shape[-1] // EARLY_SHARE, EARLY_MONTHS)
    base, expected = (part[..., :early].sum(axis=-1, keepdims=True) for part in (counts, season))
    level = (base + OWN_COMEBACKS) / (expected + OWN_COMEBACKS)
    risk = np.clip(season * level / null.series.bleeds, 1e-6, MAX_RISK)
    evidence = log_likelihood_ratios(risk, counts, odds_ratio, null.series.bleeds)
    return cusum(evidence / (1 + null.tau2 * null.mean) / spread[..., None])
