"""Verdict and rank of each step, with false discovery control."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from analysis.stats import benjamini_hochberg

FloatArray = NDArray[np.float64]
MIN_SURVIVAL_Z = 1.0
"""A step is called only if the estimate from returns alone is also positive by this many standard errors."""
FIRST_STEPS, TOP_COUNTS, CANDIDATES = 3, (4, 5, 6), 8
"""Steps to start with; sizes of the top group; and the steps most often in it, of which the first are chosen."""


@dataclass(frozen=True)
class StepEstimates:
    """One entry per step: comebacks prevented per 100 with limits, one-sided p and q, rank with limits, verdict."""

    estimate: FloatArray
    lo: FloatArray
    hi: FloatArray
    p_value: FloatArray
    q_value: FloatArray
    rank: NDArray[np.int64]
    rank_lo: NDArray[np.int64]
    rank_hi: NDArray[np.int64]
    verdict: list[str]


def judge_and_rank_steps(prevented: FloatArray, survival_z: FloatArray, estimable: NDArray[np.bool_]) -> StepEstimates:
    """Estimates, verdicts and ranks from joint draws; the estimate is the median, since the draws are skewed.

    A step costs comebacks where its 95% interval is above 0 and its q at most 0.05 (Benjamini-Hochberg), is suspected
    where only the interval is above 0.

    Parameters
    ----------
    prevented
        Draws of comebacks prevented per 100 bleeds (draws × steps).
    survival_z
        Estimate from returns alone over its standard error.
    estimable
        Steps with at least 10 missed and 10 met bleeds.
    """
    estimate = np.median(prevented, axis=0)
    lo, hi = np.quantile(prevented, [0.025, 0.975], axis=0)
    p = (1 + (prevented <= 0).sum(axis=0)) / (1 + len(prevented))
    q = np.full_like(p, np.nan)
    q[estimable] = benjamini_hochberg(p[estimable])
    q = np.where(survival_z > MIN_SURVIVAL_Z, q, np.maximum(q, 0.5))
    order = np.argsort(np.argsort(-prevented[:, estimable], axis=1), axis=1) + 1
    ranks = np.zeros((3, len(estimate)), dtype=np.int64)
    ranks[0, estimable] = _rank_steps(estimate[estimable], order)
    if estimable.any():
        low, high = np.quantile(order, [0.025, 0.975], axis=0, method="nearest")
        ranks[1:, estimable] = np.minimum(low, ranks[0, estimable]), np.maximum(high, ranks[0, estimable])
    verdict = [_step_verdict(*step) for step in zip(estimable, q, lo, strict=True)]
    return StepEstimates(estimate, lo, hi, p, q, ranks[0], ranks[1], ranks[2], verdict)


def _rank_steps(estimate: FloatArray, order: NDArray[np.int64]) -> NDArray[np.int64]:
    """Ranks from 1: the three steps most probably all near the top, then the others, each by their estimates.

    The three highest estimates are a worse start where steps are close: they favour uncertain steps. Near the top is
    the mean of top four, five and six. Ranks for finding the best: R. Lin, T. A. Louis, S. M. Paddock & G. Ridgeway
    2006, Bayesian Anal. 1:915-946.
    """
    in_top = [order <= top for top in TOP_COUNTS]
    share_in_top = np.sum([is_top.mean(axis=0) for is_top in in_top], axis=0)
    candidates = np.lexsort((-estimate, -share_in_top))[:CANDIDATES].tolist()
    triples = combinations(candidates, min(FIRST_STEPS, len(candidates)))
    first = max(
        triples, key=lambda triple: sum(int(is_top[:, triple].all(axis=1).sum()) for is_top in in_top), default=()
    )
    not_first = ~np.isin(np.arange(len(estimate)), first)
    return np.argsort(np.lexsort((-estimate, not_first))) + 1


def e_value(ratio: float) -> float:
    """E-value: how strongly an unmeasured confounder would have to be associated with both miss and comeback to explain
    the ratio.

    Source: T. J. VanderWeele & P. Ding 2017, Ann. Intern. Med. 167:268-274. A ratio below 1 is inverted first.

    Parameters
    ----------
    ratio
        Risk ratio, above 0.
    """
    if not ratio > 0:
        raise ValueError(f"ratio is {ratio}: expected a risk ratio above 0")
    over = max(ratio, 1 / ratio)
    return over + float(np.sqrt(over * (over - 1)))


def robust_verdicts(verdicts: list[str], times_benchmark: FloatArray, suspected: bool) -> list[str]:
    """Verdicts of which "leads to comebacks" is kept only where no unmeasured confounder is suspected, and one as strong as
    any recorded group would not explain the lower limit away; else, or where that was not assessed (NaN), a step "goes
    with comebacks".
    """
    return [
        "goes_with_comebacks" if verdict == "costs_comebacks" and (suspected or not times >= 1) else verdict
        for verdict, times in zip(verdicts, times_benchmark, strict=True)
    ]


def _step_verdict(enough: bool, q: float, lo: float) -> str:
    if not enough:
        return "too_few"
    if lo > 0:
        return "costs_comebacks" if q <= 0.05 else "suspected"
    return "no_sign"
