"""Control charts of one series of months, with limits that hold a stated chance of a false signal over the whole log."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.watch.cusum import path, weights
from analysis.watch.null import LEAST_SPREAD, Null, upper_limit
from analysis.watch.p_chart import Limits, moving_range_sigma, p_chart, scores

Numbers = NDArray[np.float64]
WORSE, BETTER = 2.0, 0.5
OWN_COMEBACKS = 20.0
"""Comebacks' worth of 'as expected' that a group's own early level is pulled toward."""
EARLY_SHARE, EARLY_MONTHS = 3, 3
MOST_RISK = 0.95


@dataclass(frozen=True)
class Charts:
    """Of one series: the p-chart's limits, both CUSUMs at each month's end, and where each signals."""

    limits: Limits
    up: Numbers
    down: Numbers
    up_limit: float
    down_limit: float


def charts_of(null: Null, chance: float) -> Charts:
    """Charts whose limits draws of the null exceed anywhere, in either direction, with this chance at most.

    Half of it is the p-chart's, a quarter each CUSUM's.
    """
    series = null.series
    centre = np.clip(null.mean / series.bleeds, 1e-6, MOST_RISK)
    drawn = scores(null.draws, series.bleeds, np.clip(null.drawn_mean / series.bleeds, 1e-6, MOST_RISK))
    furthest = np.abs(drawn).max(axis=1) / np.maximum(moving_range_sigma(drawn), LEAST_SPREAD)
    limits = p_chart(series.observed, series.bleeds, centre=centre, sigmas=upper_limit(furthest, chance / 2))
    sums, tops = [], []
    for odds_ratio in (WORSE, BETTER):
        sums.append(_cusum(null, series.observed, null.season, odds_ratio, np.array(null.spread)))
        highest = _cusum(null, null.draws, null.drawn_season, odds_ratio, null.drawn_spread).max(axis=1)
        tops.append(upper_limit(highest, chance / 4))
    return Charts(limits, sums[0], sums[1], tops[0], tops[1])


def _cusum(null: Null, counts: Numbers, season: Numbers, odds_ratio: float, spread: Numbers) -> Numbers:
    """The CUSUM of each row against its own level in the first third of its months, each month's evidence discounted by
    how much months vary more than chance."""
    early = max(counts.shape[-1] // EARLY_SHARE, EARLY_MONTHS)
    base, expected = (part[..., :early].sum(axis=-1, keepdims=True) for part in (counts, season))
    level = (base + OWN_COMEBACKS) / (expected + OWN_COMEBACKS)
    risk = np.clip(season * level / null.series.bleeds, 1e-6, MOST_RISK)
    evidence = weights(risk, counts, odds_ratio, null.series.bleeds)
    return path(evidence / (1 + null.tau2 * null.mean) / spread[..., None])
