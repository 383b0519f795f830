"""Since when: the month from which counts stand differently to what was expected, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
DRAWS = 999


@dataclass(frozen=True)
class ChangePoint:
    """`place` is the first month of the new state; `ratio` the rate after over before; `p_value` against no change."""

    place: int
    ratio: float
    p_value: float


def change_point(
    observed: Numbers, expected: Numbers, rng: np.random.Generator, draws: int = DRAWS
) -> ChangePoint | None:
    """Maximum-likelihood change of a Poisson ratio, one change; None with fewer than four months or no event.

    Source: D. V. Hinkley 1970, Biometrika 57:1-17; the p-value from draws of the same total without a change.

    Parameters
    ----------
    observed, expected
        Counts and expectations, one a month.
    rng, draws
        For the p-value.
    """
    if len(observed) < 4 or observed.sum() == 0:
        return None
    gain = _gain(observed[None, :], expected)[0]
    place = int(gain.argmax()) + 1
    total = int(observed.sum())
    none = rng.multinomial(total, expected / expected.sum(), size=draws).astype(float)
    p_value = (1 + (_gain(none, expected).max(axis=1) >= gain.max()).sum()) / (draws + 1)
    before = observed[:place].sum() / expected[:place].sum()
    after = observed[place:].sum() / expected[place:].sum()
    return ChangePoint(place, float(after / before) if before > 0 else np.inf, float(p_value))


def _gain(observed: Numbers, expected: Numbers) -> Numbers:
    """Log-likelihood gained by a change after each month but the last, one row a series."""
    o, e = observed.cumsum(axis=1)[:, :-1], expected.cumsum()[:-1]
    rest_o, rest_e = observed.sum(axis=1, keepdims=True) - o, expected.sum() - e
    whole = observed.sum(axis=1, keepdims=True)
    return _part(o, e) + _part(rest_o, rest_e) - _part(whole, np.full_like(e, expected.sum()))


def _part(o: Numbers, e: Numbers) -> Numbers:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(o > 0, o * np.log(o / e), 0.0)
