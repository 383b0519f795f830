"""A Cox model fitted without shortcuts, to compare with: every risk set summed separately, from zero."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.survival import Block

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class PlainFit:
    coefficients: FloatArray
    covariance: FloatArray
    penalties: FloatArray
    hazard: FloatArray


def plain_fit(
    x: FloatArray, days: FloatArray, returned: FloatArray, blocks: list[Block], offset: FloatArray, entry: FloatArray
):
    """Newton's method on the penalised Breslow likelihood, with ridges re-estimated after each step."""
    b, penalties = np.zeros(x.shape[1]), np.zeros(x.shape[1])
    for block in blocks:
        penalties[block.start : block.stop] = block.penalty
    for _ in range(400):
        score, information, hazard = derivatives(x, days, returned, b, offset, entry)
        inverse = np.linalg.inv(information + np.diag(penalties))
        step = inverse @ (score - penalties * b)
        b = b + step
        updated = estimated_ridges(blocks, b, inverse, penalties)
        quiet = np.abs(step).max() < 1e-11 and np.allclose(updated, penalties, rtol=1e-11)
        penalties = updated
        if quiet:
            break
    return PlainFit(b, inverse, penalties, hazard)


def derivatives(
    x: FloatArray, days: FloatArray, returned: FloatArray, b: FloatArray, offset: FloatArray, entry: FloatArray
):
    """Score, information and the baseline hazard's jumps by day, one risk set after another."""
    w = np.exp(x @ b + offset)
    score, information, hazard = np.zeros(len(b)), np.zeros((len(b), len(b))), []
    for day in np.unique(days):
        at_risk = (entry < day) & (days >= day)
        back = (days == day) & returned
        s0 = w[at_risk].sum()
        mean = w[at_risk] @ x[at_risk] / s0
        second = (x[at_risk] * w[at_risk, None]).T @ x[at_risk] / s0
        score += x[back].sum(axis=0) - back.sum() * mean
        information += back.sum() * (second - np.outer(mean, mean))
        hazard.append(back.sum() / s0)
    return score, information, np.array(hazard)


def estimated_ridges(blocks: list[Block], b: FloatArray, covariance: FloatArray, penalties: FloatArray) -> FloatArray:
    """A pooled block's penalty: its effective degrees of freedom over its sum of squares."""
    updated = penalties.copy()
    for block in blocks:
        if block.pooled:
            part = slice(block.start, block.stop)
            edf = block.stop - block.start - penalties[block.start] * np.trace(covariance[part, part])
            updated[part] = 1 / max(float(b[part] @ b[part]) / max(edf, 1e-3), 1e-3)
    return updated
