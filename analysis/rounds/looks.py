"""Error over repeated audits: the level of each look, so that a year of monthly audits together errs 1 time in 20."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from statistics import NormalDist

from analysis.stats import evenly_spent_alpha, spending_bounds

ALPHA, LOOKS_PER_SERIES = 0.05, 12
"""Error over a series of looks, and looks in a series; the next series begins after it."""


@cache
def look_level(look: int) -> float:
    """Two-sided level of a look, counted from 1; alpha spending of the Pocock type (Lan & DeMets 1983).

    The first audit of a series, look 0, compares with nothing and tests at 5%.
    """
    if look == 0:
        return ALPHA
    number = (look - 1) % LOOKS_PER_SERIES + 1
    fractions = [place / LOOKS_PER_SERIES for place in range(1, number + 1)]
    bound = float(spending_bounds(fractions, ALPHA, spent=evenly_spent_alpha)[-1])
    return 2 * (1 - NormalDist().cdf(bound))


@dataclass(frozen=True)
class Levels:
    """The level of the earlier audit and of this one."""

    before: float
    now: float

    @classmethod
    def at(cls, look: int) -> Levels:
        return cls(look_level(look - 1), look_level(look))

    def is_new(self, p_before: float | None, p_now: float | None) -> bool:
        """Whether something that both audits report was not confirmed before and is now."""
        return p_before is not None and p_now is not None and p_before > self.before and p_now <= self.now
