"""What may be said of each step: false discovery held, the returns' own word asked, ranks with their intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.stats import benjamini_hochberg

Numbers = NDArray[np.float64]
OWN_Z = 1.0
"""A step is called only if the returns alone lean the same way by one standard error."""


@dataclass(frozen=True)
class Told:
    """One value a step: estimate with limits, one-sided p and q, rank with limits, verdict."""

    estimate: Numbers
    lo: Numbers
    hi: Numbers
    p_value: Numbers
    q_value: Numbers
    rank: NDArray[np.int64]
    rank_lo: NDArray[np.int64]
    rank_hi: NDArray[np.int64]
    verdict: list[str]


def told(spared: Numbers, effects: Numbers, by_return_z: Numbers, enough: NDArray[np.bool_]) -> Told:
    """Verdicts from joint draws. The estimate is their median: what a step spares is skewed, and more so where little is known.

    Parameters
    ----------
    spared, effects
        Draws of comebacks spared per 100 and of the log-hazard effects, one row a draw.
    by_return_z
        Layer 1's estimate over its standard error.
    enough
        Steps with at least 10 missed and 10 met bleeds.
    """
    estimate = np.median(spared, axis=0)
    lo, hi = np.quantile(spared, [0.025, 0.975], axis=0)
    p = (1 + (effects <= 0).sum(axis=0)) / (1 + len(effects))
    q = np.full_like(p, np.nan)
    q[enough] = benjamini_hochberg(p[enough])
    q = np.where(by_return_z > OWN_Z, q, np.maximum(q, 0.5))
    order = np.argsort(np.argsort(-spared[:, enough], axis=1), axis=1) + 1
    ranks = np.zeros((3, len(estimate)), dtype=np.int64)
    ranks[0, enough] = np.argsort(np.argsort(-estimate[enough])) + 1
    ranks[1:, enough] = np.quantile(order, [0.025, 0.975], axis=0, method="nearest") if enough.any() else 0
    verdict = [_verdict(*one) for one in zip(enough, q, lo, strict=True)]
    return Told(estimate, lo, hi, p, q, ranks[0], ranks[1], ranks[2], verdict)


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
