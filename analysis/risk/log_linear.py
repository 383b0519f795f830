"""Poisson regression with a log link and a ridge, by Newton's method that takes its curvature again only when it pays."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
STEPS, HALVINGS, SETTLED, SLOW = 200, 30, 1e-12, 0.1
CHUNK = 16_384


@dataclass(frozen=True)
class LogLinear:
    """The logarithm of what is expected: `start` + x·`b`."""

    b: Numbers = field(repr=False)
    start: float


@dataclass(frozen=True)
class _At:
    b: Numbers
    expected: Numbers
    loss: float


def log_linear(x: Numbers, y: Numbers, ridge: float) -> LogLinear:
    """The coefficients; the intercept has no ridge.

    The curvature of an earlier step serves as long as each step gains ten times less than the one before.
    Source: P. McCullagh & J. A. Nelder 1989, Generalized Linear Models, 2nd ed., ch. 6.

    Parameters
    ----------
    x, y
        One row a bleed; y 0 or more, not all 0.
    ridge
        Half of it times the sum of squared coefficients is added to the loss.
    """
    from scipy.linalg import cho_factor, cho_solve

    x = np.column_stack([np.ones(len(x)), x])
    ridges = np.full(x.shape[1], ridge)
    ridges[0] = 0.0
    at = _at(x, y, ridges, np.append(np.log(y.mean()), np.zeros(x.shape[1] - 1)))
    root, before = None, np.inf
    for _ in range(STEPS):
        gradient = x.T @ (y - at.expected) - ridges * at.b
        if root is None:
            root = cho_factor(_curvature(x, at.expected) + np.diag(ridges + 1e-9), lower=True)
        step = cho_solve(root, gradient)
        gain = float(gradient @ step)
        if gain < SETTLED * len(y):
            break
        at = _moved(x, y, ridges, at, step)
        root, before = (None, np.inf) if gain > SLOW * before else (root, gain)
    return LogLinear(at.b[1:], float(at.b[0]))


def _at(x: Numbers, y: Numbers, ridges: Numbers, b: Numbers) -> _At:
    told = x @ b
    expected = np.exp(np.minimum(told, 50.0))
    return _At(b, expected, float(expected.sum() - y @ told + 0.5 * ridges @ b**2))


def _moved(x: Numbers, y: Numbers, ridges: Numbers, at: _At, step: Numbers) -> _At:
    """After the step, halved until the loss does not rise."""
    for _ in range(HALVINGS):
        new = _at(x, y, ridges, at.b + step)
        if new.loss <= at.loss + 1e-9 * (1 + abs(at.loss)):
            return new
        step = step / 2
    return at


def _curvature(x: Numbers, expected: Numbers) -> Numbers:
    curvature = np.zeros((x.shape[1], x.shape[1]))
    for start in range(0, len(x), CHUNK):
        part = x[start : start + CHUNK] * np.sqrt(expected[start : start + CHUNK, None])
        curvature += part.T @ part
    return curvature
