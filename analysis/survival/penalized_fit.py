"""Newton's method on a penalised log likelihood, the strength of pooled ridges estimated on the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis.survival.empirical_bayes_ridge import Block, initial_penalties, penalised_mode, symmetric_inverse

FloatArray = NDArray[np.float64]
CONVERGED = 1e-20
"""The search ends with a step that gains less than this in twice the log likelihood (a ten-thousand-millionth of a standard
error), or no less than the one before it gained."""
NEAR, REUSE_INFORMATION = 1e-7, 0.02
"""The information is worked out anew after a step that gains more than `REUSE_INFORMATION` of what the one before it
gained, and once more where steps gain less than `NEAR`: it costs as many products as there are columns, the score one."""
FAR = 10.0
"""While a step at ridges held gains more than this in twice the log likelihood, the quadratic there is no guide to
ridges."""
NEWTON_STEPS, HALVINGS = 80, 30


@dataclass(frozen=True)
class Evaluation:
    """A log likelihood and its score at some coefficients."""

    log_likelihood: float
    score: FloatArray


At = TypeVar("At", bound=Evaluation)


class Likelihood(Protocol[At]):
    """A log likelihood that can be evaluated at coefficients, and its information there."""

    def at(self, b: FloatArray) -> At: ...

    def information(self, at: At) -> FloatArray: ...


@dataclass(frozen=True)
class PenalisedFit(Generic[At]):
    """Coefficients, their ridges, and the information (without ridges) and evaluation there."""

    coefficients: FloatArray
    penalties: FloatArray
    information: FloatArray
    at: At


def maximise(likelihood: Likelihood[At], blocks: Sequence[Block], start: FloatArray) -> PenalisedFit[At]:
    """Maximise the penalised likelihood; pooled ridges settle at every step on the quadratic there, once near.

    Parameters
    ----------
    likelihood
        Of p coefficients.
    blocks
        Ridges; columns in no block have none.
    start
        p coefficients.
    """
    b, penalties, last, near = start, initial_penalties(blocks, len(start)), np.inf, False
    at = likelihood.at(b)
    information = likelihood.information(at)
    for _ in range(NEWTON_STEPS):
        step, penalties = _step(information, at.score, b, blocks, penalties)
        gain = float(step @ (information + np.diag(penalties)) @ step)
        if near and (gain < CONVERGED or gain > last):
            break
        b, at = _line_search(likelihood, b, step, penalties, at)
        arrived = gain < NEAR and not near
        if arrived or gain > (NEAR if near else max(NEAR, REUSE_INFORMATION * last)):
            information, near = likelihood.information(at), gain < NEAR
        last = np.inf if arrived else gain
    return PenalisedFit(b, penalties, information, at)


def _step(
    information: FloatArray, score: FloatArray, b: FloatArray, blocks: Sequence[Block], penalties: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The Newton step and the ridges it is taken with: estimated, unless the maximum is far."""
    downhill = score - penalties * b
    step = symmetric_inverse(information + np.diag(penalties)) @ downhill
    if float(step @ downhill) >= FAR:
        return step, penalties
    mode = penalised_mode(information, score + information @ b, blocks, penalties)
    return mode.coefficients - b, mode.penalties


def _line_search(
    likelihood: Likelihood[At], b: FloatArray, step: FloatArray, penalties: FloatArray, at: At
) -> tuple[FloatArray, At]:
    """The step, halved until the penalised likelihood does not fall."""
    before = at.log_likelihood - 0.5 * penalties @ b**2
    for _ in range(HALVINGS):
        moved = b + step
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            new = likelihood.at(moved)
        after = new.log_likelihood - 0.5 * penalties @ moved**2
        if np.isfinite(after) and after >= before - 1e-7 * (1 + abs(before)):
            return moved, new
        step = step / 2
    return b, at
