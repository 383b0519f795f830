"""What may be said of each step: false discovery held, the returns' own word asked, ranks with their intervals."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from analysis.stats import benjamini_hochberg

FloatArray = NDArray[np.float64]
OWN_Z = 1.0
"""A step is called only if the returns alone lean the same way by one standard error."""
FIRST_STEPS, TOP_COUNTS, LIKELY = 3, (4, 5, 6), 8
"""Steps a shop begins with, how many of the costliest are near the top, and the likeliest that the first are chosen from."""


@dataclass(frozen=True)
class StepEstimates:
    """One value a step: estimate with limits, one-sided p and q, rank with limits, verdict."""

    estimate: FloatArray
    lo: FloatArray
    hi: FloatArray
    p_value: FloatArray
    q_value: FloatArray
    rank: NDArray[np.int64]
    rank_lo: NDArray[np.int64]
    rank_hi: NDArray[np.int64]
    verdict: list[str]


def classify(
    prevented: FloatArray, effects: FloatArray, survival_z: FloatArray, enough: NDArray[np.bool_]
) -> StepEstimates:
    """Verdicts from joint draws. The estimate is their median: what a step spares is skewed, and more so where little is known.

    Parameters
    ----------
    prevented, effects
        Draws of comebacks spared per 100 and of the log-hazard effects, one row a draw.
    survival_z
        Layer 1's estimate over its standard error.
    enough
        Steps with at least 10 missed and 10 met bleeds.
    """
    estimate = np.median(prevented, axis=0)
    lo, hi = np.quantile(prevented, [0.025, 0.975], axis=0)
    p = (1 + (effects <= 0).sum(axis=0)) / (1 + len(effects))
    q = np.full_like(p, np.nan)
    q[enough] = benjamini_hochberg(p[enough])
    q = np.where(survival_z > OWN_Z, q, np.maximum(q, 0.5))
    order = np.argsort(np.argsort(-prevented[:, enough], axis=1), axis=1) + 1
    ranks = np.zeros((3, len(estimate)), dtype=np.int64)
    ranks[0, enough] = _ranks(estimate[enough], order)
    if enough.any():
        low, high = np.quantile(order, [0.025, 0.975], axis=0, method="nearest")
        ranks[1:, enough] = np.minimum(low, ranks[0, enough]), np.maximum(high, ranks[0, enough])
    verdict = [_verdict(*one) for one in zip(enough, q, lo, strict=True)]
    return StepEstimates(estimate, lo, hi, p, q, ranks[0], ranks[1], ranks[2], verdict)


def _ranks(estimate: FloatArray, order: NDArray[np.int64]) -> NDArray[np.int64]:
    """From 1: the three that are most surely all near the top, then the others, both by their estimates.

    Of steps that lie close the highest estimates make a worse three to begin with: they also hold what is merely
    uncertain. Near the top is among the costliest four, five and six. Source of ranks that lose least where the best are
    to be found: R. Lin, T. A. Louis, S. M. Paddock & G. Ridgeway 2006, Bayesian Anal. 1:915-946.
    """
    in_top = [order <= top for top in TOP_COUNTS]
    likely = np.lexsort((-estimate, -sum(one.mean(axis=0) for one in in_top)))[:LIKELY].tolist()
    threes = combinations(likely, min(FIRST_STEPS, len(likely)))
    first = max(threes, key=lambda three: sum(int(one[:, three].all(axis=1).sum()) for one in in_top), default=())
    later = ~np.isin(np.arange(len(estimate)), first)
    return np.argsort(np.lexsort((-estimate, later))) + 1


def e_value(ratio: float) -> float:
    """How strong an unseen cause, tied to both miss and comeback, would have to be to explain the ratio away.

    Source: T. J. VanderWeele & P. Ding 2017, Ann. Intern. Med. 167:268-274. A ratio below 1 is turned over first.

    Parameters
    ----------
    ratio
        Risk ratio, above 0.
    """
    if not ratio > 0:
        raise ValueError(f"ratio must be above 0, got {ratio}: it is a ratio of risks")
    over = max(ratio, 1 / ratio)
    return over + float(np.sqrt(over * (over - 1)))


def _verdict(enough: bool, q: float, lo: float) -> str:
    if not enough:
        return "too_few"
    if lo > 0:
        return "costs_comebacks" if q <= 0.05 else "suspected"
    return "no_sign"
